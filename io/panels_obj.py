"""Writes a panel as OBJ: shape in `v`, flat place in `vt`, so that its strain can be measured again."""

from pathlib import Path

from flatten.errors import CannotWrite
from flatten.records.flat import Flat
from flatten.records.panels import Panel


def write_panel_obj(panel: Panel, flat: Flat, path: Path) -> None:
    """Writes one panel.

    `v` is the panel on its neutral surface and `vt` its flat position, both in mm, index by index,
    six decimals; faces run counterclockwise from outside and on the flat.

    Raises
    ------
    CannotWrite : the file cannot be written
    """
    rows = [f"# {panel.name}, mm", "o panel"]
    rows += [f"v {x:.6f} {y:.6f} {z:.6f}" for x, y, z in panel.V.tolist()]
    rows += [f"vt {x:.6f} {y:.6f}" for x, y in flat.U.tolist()]
    rows += [f"f {a}/{a} {b}/{b} {c}/{c}" for a, b, c in (panel.F + 1).tolist()]
    try:
        path.write_text("\n".join(rows) + "\n", encoding="utf-8", newline="\n")
    except OSError as error:
        raise CannotWrite(f"{path}: {error.strerror or error}") from error
