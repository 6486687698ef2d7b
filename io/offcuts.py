"""Offcuts kept from one job for the next: `offcuts.toml`, outlines in mm."""

import tomllib
from collections.abc import Iterable
from pathlib import Path

from flatten.errors import BadInput
from flatten.io.entries import Entry
from flatten.io.job_text import table_text
from flatten.io.sources import read_bytes
from flatten.io.toml_places import find_places
from flatten.records.material import Stock
from flatten.records.template import Offcut

_MAX_BYTES = 64 * 1024**2


def read_offcuts(path: Path) -> list[Stock]:
    """The offcuts of a file as stocks without names, the largest first as they were written.

    Raises
    ------
    BadInput : it is no such file, or holds none
    """
    data = read_bytes(path, most=_MAX_BYTES)
    try:
        text = data.decode("utf-8")
        table = tomllib.loads(text)
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        raise BadInput(
            f"not a file of offcuts: {error}", path.name, "name an offcuts.toml"
        ) from None
    top = Entry(path.name, table, (), find_places(text))
    found = []
    for entry in top.tables("offcut"):
        entry.text("left_of", "")
        entry.number("thickness_mm", 0.0, low=0.0)
        found.append(
            Stock(
                name="",
                kind="offcut",
                material=entry.text("material", ""),
                outline=entry.points("outline", 2, 3),
                holes=tuple(
                    entry.as_points("holes", ring, 2, 3) for ring in entry.take("holes", [])
                ),
            )
        )
        entry.close()
    top.close()
    if not found:
        raise BadInput("there is no [[offcut]] in it", path.name, "name an offcuts.toml")
    return found


def offcuts_text(offcuts: Iterable[Offcut]) -> str:
    """The file that `read_offcuts` reads."""
    parts = [
        '# What this job left of its stock. In the next job: [[stock]] with name, kind = "offcut" and'
        '\n# file = "offcuts.toml"; the grain runs along x. Strike out what has been thrown away.\n'
    ]
    for offcut in offcuts:
        parts.append(
            table_text(
                "[[offcut]]",
                {
                    "left_of": offcut.stock,
                    "material": offcut.material,
                    "thickness_mm": offcut.thickness_mm,
                    "outline": offcut.outline,
                    "holes": list(offcut.holes),
                },
            )
        )
    return "\n".join(parts)
