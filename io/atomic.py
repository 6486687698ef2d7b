"""Results appear all at once: written aside, then moved into their folder when complete."""

import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from flatten.errors import CannotWrite

# Remembers what a run wrote, so that the next one can take away what it does not write again.
_LIST = ".flatten-files.json"


@contextmanager
def whole_folder(target: str | Path) -> Iterator[Path]:
    """A temporary folder beside `target` to write into; its files move there when the block ends.

    Files of an earlier run are replaced, and those that this run did not write again are taken
    away unless they were changed since; all other files in `target` are kept. If the block raises,
    `target` stays as it was.

    Raises
    ------
    CannotWrite : a folder or file cannot be made or moved
    """
    target = Path(target).absolute()
    try:
        if target.exists() and not target.is_dir():
            raise CannotWrite(f"{target} is a file; name a folder for the results")
        target.parent.mkdir(parents=True, exist_ok=True)
        aside = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
    except OSError as error:
        raise _failure(error, target) from None
    try:
        yield aside
        _move(aside, target)
    except OSError as error:
        raise _failure(error, target) from None
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def write_text(path: str | Path, text: str) -> None:
    """Writes one text file whole: beside its place first, then moved there.

    Raises
    ------
    CannotWrite : the file cannot be written
    """
    path = Path(path).absolute()
    aside = path.with_name(f".{path.name}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        aside.write_text(text, encoding="utf-8", newline="\n")
        os.replace(aside, path)
    except OSError as error:
        with suppress(OSError):
            aside.unlink()
        raise _failure(error, path) from None


def _failure(error: OSError, target: Path) -> CannotWrite:
    return CannotWrite(f"{error.filename or target}: {error.strerror or error}")


def _move(aside: Path, target: Path) -> None:
    written = sorted(p.relative_to(aside).as_posix() for p in aside.rglob("*") if p.is_file())
    earlier = _earlier(target)
    # Whatever stands in the way is found before the first file is moved.
    for name in written:
        if (target / name).is_dir():
            raise CannotWrite(f"{target / name} is a folder; move it away")
    for name in written:
        goal = target / name
        goal.parent.mkdir(parents=True, exist_ok=True)
        os.replace(aside / name, goal)
    for name in sorted(set(earlier) - set(written)):
        old = target / name
        if old.is_file() and _state(old) == earlier[name]:
            old.unlink()
            if old.parent != target and not any(old.parent.iterdir()):
                old.parent.rmdir()
    states = {name: _state(target / name) for name in written}
    (target / _LIST).write_text(json.dumps(states, indent=1), encoding="utf-8")


def _state(path: Path) -> list[int]:
    stat = path.stat()
    return [stat.st_size, stat.st_mtime_ns]


def _earlier(target: Path) -> dict[str, list[int]]:
    """What an earlier run wrote here, by name; empty where nothing is known."""
    try:
        found = json.loads((target / _LIST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    if not isinstance(found, dict):
        return {}
    root = target.resolve()
    return {
        name: state
        for name, state in found.items()
        if isinstance(state, list) and (target / name).resolve().is_relative_to(root)
    }
