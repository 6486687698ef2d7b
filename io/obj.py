"""Reads OBJ: polygons, colours on the `v` lines, and the textures or plain colours named in an MTL file.

The format is described in its first specification, appendix B1, Object Files (.obj), 1995.
"""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.geometry.facets import triangulate
from flatten.io.numerals import to_singles
from flatten.io.obj_rows import Rows, corner_table, number_table, resolve, sort_rows
from flatten.io.plain_colours import BARE, palette
from flatten.io.soundness import check_vertices, sound_scan
from flatten.io.sources import beside, decode, read_bytes
from flatten.io.texture import load_textures
from flatten.records.scan import Scan

_MAX_MTL = 16 * 1024**2


def read_obj(path: Path, data: bytes, unit: str | None) -> Scan:
    """The mesh of an OBJ file's bytes.

    Raises
    ------
    BadInput : what is wrong, with the line
    """
    rows = sort_rows(data)
    V, colors = vertices(path, rows)
    faces = rows.get(b"f")
    if faces is None:
        return sound_scan(path, V, np.empty((0, 3), dtype=np.int64))
    written = corner_table(path, faces)
    corners = resolve(path, written.vertex, written.counts, faces, rows.get(b"v"), "vertex")
    place, polygon = triangulate(written.counts, corners, V)

    notes = _strange_rows(rows)
    if (written.counts < 3).any():
        short = int((written.counts < 3).sum())
        notes.append(f"{short} faces of fewer than three corners were left out")
    if (written.counts > 3).any():
        long = int((written.counts > 3).sum())
        notes.append(f"{long} faces of more than three corners were split")

    uv = face_texture = None
    textures = ()
    pictures, plain = _materials(path, rows, notes)
    if b"vt" in rows and written.texture.any() and pictures:
        has = (written.texture != 0)[place].all(axis=1)
        numbers = np.where(written.texture == 0, 1, written.texture)
        at = resolve(path, numbers, written.counts, faces, rows[b"vt"], "texture point")
        table, _ = number_table(path, rows[b"vt"], 1, 3)
        uv = to_singles(table[at[place], :2])
        uv[~has] = 0.0
        names = list(dict.fromkeys(pictures.values()))
        loaded, said = load_textures(path, names)
        notes += said
        textures = loaded.images
        of_name = dict(zip(names, loaded.index, strict=True))
        material = _material_of_rows(rows, faces)
        of_face = np.array([of_name.get(pictures.get(m, ""), -1) for m in material[0]])
        face_texture = of_face[material[1]][polygon].astype(np.int16)
        face_texture[~has] = -1
    elif colors is None and plain:
        names, of_row = _material_of_rows(rows, faces)
        rgb = np.array([plain.get(m, BARE) for m in names], dtype=np.uint8).reshape(-1, 3)
        painted = palette(rgb[of_row][polygon])
        if painted is not None:
            uv, textures = painted[0], (painted[1],)
            face_texture = np.zeros(len(place), dtype=np.int16)
    return sound_scan(
        path,
        V,
        corners[place],
        colors=colors,
        uv=uv,
        textures=textures,
        face_texture=face_texture,
        unit=unit,
        notes=tuple(notes),
    )


# Keywords of the format (polygons, curves and surfaces, grouping, display), all of which but a few
# are passed over.
_KEYWORDS = {
    b"v", b"vt", b"vn", b"vp", b"p", b"l", b"f", b"o", b"g", b"s", b"mg", b"usemtl", b"mtllib",
    b"usemap", b"maplib", b"cstype", b"deg", b"bmat", b"step", b"curv", b"curv2", b"surf", b"parm",
    b"trim", b"hole", b"scrv", b"sp", b"end", b"con", b"bevel", b"c_interp", b"d_interp", b"lod",
    b"shadow_obj", b"trace_obj", b"ctech", b"stech", b"call", b"csh",
}  # fmt: skip


def _strange_rows(rows: dict[bytes, Rows]) -> list[str]:
    """A note on lines that begin with no keyword of the format."""
    lines = np.sort(np.concatenate([r.line for k, r in rows.items() if k not in _KEYWORDS] or [[]]))
    if not len(lines):
        return []
    many = f"{len(lines)} lines" if len(lines) > 1 else "1 line"
    return [f"{many} that say nothing known were left out (the first is line {int(lines[0])})"]


def vertices(
    path: Path, rows: dict[bytes, Rows]
) -> tuple[NDArray[np.float64], NDArray[np.uint8] | None]:
    """(n, 3) coordinates and, where the `v` lines carry them, (n, 3) colours.

    Raises
    ------
    BadInput : names the line whose coordinates are missing or not finite
    """
    found = rows.get(b"v")
    if found is None:
        raise BadInput("the file holds no vertices", path.name, "export the scan as a mesh")
    table, counts = number_table(path, found, 3, 8)
    V = np.ascontiguousarray(table[:, :3])
    check_vertices(path, V, lambda i: f"line {found.line[i]}")
    if (counts < 6).any():
        return V, None
    # x y z r g b, or with a weight x y z w r g b; an alpha at the end is dropped.
    rgb = table[:, 3:6]
    if not np.isfinite(rgb).all():
        return V, None
    scale = 255.0 if rgb.max() <= 1.0 else 1.0
    return V, np.clip(np.rint(rgb * scale), 0, 255).astype(np.uint8)


def _material_of_rows(rows: dict[bytes, Rows], faces: Rows) -> tuple[list[str], NDArray[np.int64]]:
    """Material names and, for each face row, which of them holds there (the last one named)."""
    used = rows.get(b"usemtl")
    if used is None:
        return [""], np.zeros(len(faces.line), dtype=np.int64)
    names = ["", *(_name(text) for text in used.text)]
    return names, np.searchsorted(used.line, faces.line)


def _name(text: bytes) -> str:
    return decode(text).strip()


def _materials(
    path: Path, rows: dict[bytes, Rows], notes: list[str]
) -> tuple[dict[str, str], dict[str, tuple[int, int, int]]]:
    """By material name: the picture its diffuse colour comes from, and that colour where it is
    plain, by the MTL files named."""
    pictures: dict[str, str] = {}
    plain: dict[str, tuple[int, int, int]] = {}
    found = rows.get(b"mtllib")
    for text in found.text if found is not None else []:
        reference = _name(text)
        # A scan that was renamed has its materials beside it under its new name.
        mtl = beside(path, reference) or beside(path, f"{path.stem}.mtl")
        if mtl is None:
            notes.append(f"the material file '{reference}' is not beside the scan; no texture")
            continue
        try:
            content = read_bytes(mtl, most=_MAX_MTL)
        except BadInput as error:
            notes.append(str(error))
            continue
        material = ""
        for line in decode(content).splitlines():
            words = line.split(None, 1)
            if len(words) < 2:
                continue
            if words[0] == "newmtl":
                material = words[1].strip()
            elif words[0].lower() == "map_kd":
                pictures[material] = _without_options(words[1])
            elif words[0].lower() == "kd":
                shares = [float(w) for w in words[1].split()[:3] if _is_number(w)]
                if len(shares) == 3 and np.isfinite(shares).all():
                    r, g, b = (int(np.clip(round(255 * x), 0, 255)) for x in shares)
                    plain[material] = (r, g, b)
    return pictures, plain


# Options of a map statement and how many words each takes.
_MAP_OPTIONS = {
    "-blendu": 1, "-blendv": 1, "-boost": 1, "-cc": 1, "-clamp": 1, "-imfchan": 1, "-texres": 1,
    "-bm": 1, "-mm": 2,
}  # fmt: skip


def _without_options(text: str) -> str:
    """The file name of a map statement, which may itself hold blanks."""
    words = text.strip().split(" ")
    while words and words[0].startswith("-"):
        option = words.pop(0)
        if option in ("-o", "-s", "-t"):  # one to three numbers
            for _ in range(3):
                if len(words) > 1 and _is_number(words[0]):
                    words.pop(0)
        else:
            del words[: _MAP_OPTIONS.get(option, 0)]
    return " ".join(words)


def _is_number(word: str) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True
