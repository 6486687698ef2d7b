"""The import rule: one-way dependencies between the rooms."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
STAGES = {
    "scan", "ink", "lines", "panels", "parameterize", "distortion", "template", "nest", "drawing",
    "guide",
}  # fmt: skip
BASE = {"errors", "units", "records"}
MAY_IMPORT = {
    "errors": set(),
    "units": {"errors"},
    "records": {"errors", "units"},
    "geometry": BASE,
    **{stage: BASE | {"geometry"} for stage in STAGES},
    "io": BASE | {"geometry"},
    "cautions": BASE,
    "meshes": set(),
    "completion": BASE | {"lines", "panels"},
    "plies": BASE | {"geometry"} | STAGES,
    "pipeline": BASE | {"geometry", "cautions", "plies", "completion"} | STAGES,
    "cli": BASE | {"watch", "warm", "completion", "geometry", "pipeline", "io", "meshes"} | STAGES,
    "watch": set(),
    "warm": BASE | {"geometry"} | STAGES,
    "__main__": {"cli"},
    "__init__": set(),
}


def room_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return parts[1] if parts[0] == "flatten" else parts[0]


def imported_rooms(path: Path) -> set[str]:
    names = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names += [node.module]
            if node.module == "flatten":
                names += [f"flatten.{alias.name}" for alias in node.names]
    return {n.split(".")[1] for n in names if n.startswith("flatten.")} - {"__version__"}


SOURCES = sorted(
    p for room in ("flatten", "io", "meshes") for p in (ROOT / room).rglob("*.py")
)  # fmt: skip


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(ROOT)))
def test_a_room_imports_only_what_lies_below_it(path: Path):
    room = room_of(path)
    foreign = imported_rooms(path) - {room} - MAY_IMPORT[room]
    assert not foreign, f"{path.relative_to(ROOT)} imports {sorted(foreign)}"
