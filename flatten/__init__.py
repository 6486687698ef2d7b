"""Turns a scan of a taped body cast into flat, true-size templates."""

from pathlib import Path as _Path

__version__ = "0.1.0"

# In a checkout, io/ and meshes/ are siblings of this folder; in a wheel they lie inside it.
_root = _Path(__file__).resolve().parent.parent
if (_root / "pyproject.toml").is_file() and (_root / "io" / "__init__.py").is_file():
    __path__.append(str(_root))
