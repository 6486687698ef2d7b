"""Finds out what a scan file is, by its content and its extension, and reads it."""

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from flatten.errors import BadInput
from flatten.io.gltf import read_gltf
from flatten.io.obj import read_obj
from flatten.io.ply import read_ply
from flatten.io.sources import read_bytes
from flatten.io.stl import is_binary, read_stl
from flatten.io.threemf import read_3mf
from flatten.records.scan import Scan
from flatten.units import MM_PER_UNIT

Reader = Callable[[Path, bytes, str | None], Scan]

READERS: dict[str, Reader] = {
    ".ply": read_ply,
    ".stl": read_stl,
    ".obj": read_obj,
    ".glb": read_gltf,
    ".gltf": read_gltf,
    ".3mf": read_3mf,
}
FORMATS = ", ".join(e[1:].upper() for e in READERS)


def read_scan(path: str | Path, unit: str | None = None) -> Scan:
    """The mesh in a STL, PLY, OBJ, GLB, glTF or 3MF file, in the file's own numbers.

    `unit` (mm, cm, m or in) is the user's word; without it `Scan.unit` is what the format states,
    or None. The content decides what the file is; an extension that says otherwise is noted.

    Raises
    ------
    BadInput : the file is missing, empty, cut short, damaged, too large, of another format, has no
        faces, or holds a number that cannot be a coordinate or an index
    """
    path = Path(path)
    if unit is not None and unit not in MM_PER_UNIT:
        raise BadInput(f"unknown unit '{unit}'", "unit", "use mm, cm, m or in")
    data = read_bytes(path).removeprefix(b"\xef\xbb\xbf")  # a mark that some editors write
    kind = sniff(data)
    extension = path.suffix.lower()
    if kind is None:
        kind = _by_extension(path, extension, data)
    try:
        scan = READERS[kind](path, data, unit)
    except MemoryError:
        raise BadInput(
            "there is not enough memory to read the scan", path.name, "export it with fewer faces"
        ) from None
    if extension in READERS and READERS[extension] is not READERS[kind]:
        note = f"{path.name} is a {kind[1:].upper()} file in truth and was read as one"
        scan = replace(scan, notes=(*scan.notes, note))
    return scan


def sniff(data: bytes) -> str | None:
    """The extension of the format that the content shows, None where it shows none for certain."""
    if data[:3] == b"ply" and data[3:4] in (b"\n", b"\r", b" "):
        return ".ply"
    if data[:4] == b"glTF":
        return ".glb"
    if data[:4] == b"PK\x03\x04":
        return ".3mf" if b".model" in data else None
    if len(data) >= 84 and len(data) == 84 + 50 * int.from_bytes(data[80:84], "little"):
        return ".stl"
    head = data[:4096].lstrip(b" \t\r\n")
    if head[:1] == b"{" and b'"asset"' in data:
        return ".gltf"
    if head[:5].lower() == b"solid" and re.search(rb"(?i)\bfacet\b", head) and not is_binary(data):
        return ".stl"
    if re.search(rb"(?m)^\s*v[ \t]+[-+.\d]+[ \t]+[-+.\d]+", data[: 1 << 16]):
        return ".obj"
    return None


def _by_extension(path: Path, extension: str, data: bytes) -> str:
    """The format that the name promises, where the content does not speak against it."""
    if data[:4] == b"PK\x03\x04" and extension != ".3mf":
        raise BadInput(
            "this is a zip archive, not a scan", path.name, "unpack it and name the scan itself"
        )
    if extension in (".glb", ".gltf", ".ply"):
        raise BadInput(
            f"this is not a {extension[1:].upper()} file, whatever its name says",
            path.name,
            "export or copy it again",
        )
    if extension in READERS:
        return extension
    raise BadInput(
        f"'{extension or path.name}' is not a format that is read",
        path.name,
        f"export the scan as one of {FORMATS}",
    )
