"""The header of a PLY file: what elements follow, and how their numbers are stored."""

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from flatten.errors import BadInput
from flatten.io.sources import decode

_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1",
    "short": "i2", "int16": "i2", "ushort": "u2", "uint16": "u2",
    "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip
_MAX_HEADER = 1 << 20

Order = Literal["ascii", "<", ">"]


@dataclass(frozen=True, kw_only=True)
class Property:
    """A column of an element; `counted` is the type of a list's length, None for a single value."""

    name: str
    dtype: str
    counted: str | None = None


@dataclass(frozen=True, kw_only=True)
class Element:
    """`count` rows of the same properties."""

    name: str
    count: int
    properties: tuple[Property, ...]

    @property
    def has_lists(self) -> bool:
        return any(p.counted for p in self.properties)


@dataclass(frozen=True, kw_only=True)
class Header:
    """order : "ascii" or the byte order; start : where the body begins; lines : header lines."""

    order: Order
    elements: tuple[Element, ...]
    textures: tuple[str, ...]
    start: int
    lines: int


def read_header(path: Path, data: bytes) -> Header:
    """The header of `data`.

    Raises
    ------
    BadInput : names the header line that is wrong
    """
    end = data.find(b"end_header", 0, _MAX_HEADER)
    if end < 0:
        raise BadInput("the PLY header has no end_header", path.name, "the file is cut short")
    text = data[:end].replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    rows = decode(text).split("\n")
    start = end + len(b"end_header")
    # Stray blanks before the line end are common; then one line end, of one or two bytes.
    while data[start : start + 1] in (b" ", b"\t"):
        start += 1
    start += 2 if data[start : start + 2] == b"\r\n" else 1

    order: Order | None = None
    elements: list[Element] = []
    textures: list[str] = []
    for number, row in enumerate(rows, start=1):
        words = row.split()
        where = f"{path.name}, line {number}"
        match words:
            case [] | ["ply"] | ["obj_info", *_]:
                continue
            case ["comment", "TextureFile", *rest]:
                textures.append(" ".join(rest))
            case ["comment", *_]:
                continue
            case ["format", kind, *_]:
                order = _order(kind, where)
            case ["element", name, count] if count.isdecimal() and len(count) < 20:
                elements.append(Element(name=name, count=int(count), properties=()))
            case ["property", *rest] if elements:
                last = elements[-1]
                column = _property(rest, where)
                elements[-1] = Element(
                    name=last.name, count=last.count, properties=(*last.properties, column)
                )
            case _:
                raise BadInput(
                    f"this PLY header line is not understood: '{row.strip()[:60]}'", where
                )
    if order is None:
        raise BadInput("the PLY header has no format line", path.name)
    return Header(
        order=order,
        elements=tuple(elements),
        textures=tuple(textures),
        start=start,
        lines=len(rows),
    )


def _order(kind: str, where: str) -> Order:
    if kind == "ascii":
        return "ascii"
    if kind == "binary_little_endian":
        return "<"
    if kind == "binary_big_endian":
        return ">"
    raise BadInput(f"unknown PLY format '{kind[:40]}'", where)


def _property(words: list[str], where: str) -> Property:
    match words:
        case ["list", counted, kind, name] if counted in _TYPES and kind in _TYPES:
            if _TYPES[counted][0] == "f":
                raise BadInput("a PLY list cannot count in fractions", where)
            return Property(name=name, dtype=_TYPES[kind], counted=_TYPES[counted])
        case [kind, name] if kind in _TYPES:
            return Property(name=name, dtype=_TYPES[kind])
    raise BadInput(f"this PLY property is not understood: '{' '.join(words)[:60]}'", where)
