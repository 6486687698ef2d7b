"""Reads PLY: ASCII and binary in both byte orders, polygons, strips, colours, textures.

The format is described in G. Turk, The PLY Polygon File Format (Stanford, 1994).
"""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.geometry.facets import triangulate
from flatten.io.numerals import to_doubles, to_integers, to_singles
from flatten.io.ply_body import Columns, Lists, read_body
from flatten.io.ply_header import Header, read_header
from flatten.io.soundness import check_indices, check_vertices, plain_place, sound_scan
from flatten.io.texture import load_textures
from flatten.records.scan import Scan

_COLOURS = (
    ("red", "green", "blue"),
    ("r", "g", "b"),
    ("diffuse_red", "diffuse_green", "diffuse_blue"),
)
_CORNERS = ("vertex_indices", "vertex_index")


def read_ply(path: Path, data: bytes, unit: str | None) -> Scan:
    """The mesh of a PLY file's bytes.

    Raises
    ------
    BadInput : what is wrong, with the header line, ASCII line, vertex or face
    """
    header = read_header(path, data)
    found = read_body(path, data, header, {"vertex", "face", "tristrips"})
    vertex = found.get("vertex", {})
    V = _coordinates(path, vertex)
    check_vertices(path, V, _vertex_place(header))
    notes: list[str] = []
    counts, corners, texcoord = _polygons(path, found)
    check_indices(path, corners, len(V), _face_place(counts))
    if len(counts) and (counts < 3).any():
        notes.append(f"{int((counts < 3).sum())} faces of fewer than three corners were left out")
    if (counts > 3).any():
        notes.append(f"{int((counts > 3).sum())} faces of more than three corners were split")
    place, polygon = triangulate(counts, corners, V)
    F = corners[place]

    colors = _colours(vertex)
    if colors is None:
        colors = _from_faces(_colours(found.get("face", {})), F, polygon, len(V))
    uv = _texture_places(vertex, texcoord, F, place)
    textures, said = load_textures(path, header.textures if uv is not None else ())
    notes += said
    sheet = found.get("face", {}).get("texnumber")
    pictures = np.zeros(len(F), dtype=np.int64)
    if sheet is not None and not isinstance(sheet, Lists) and len(sheet) == len(counts):
        pictures = to_integers(sheet)[polygon]
    lookup = np.array([*textures.index, -1], dtype=np.int16)
    known = (pictures >= 0) & (pictures < len(textures.index))
    return sound_scan(
        path,
        V,
        F,
        colors=colors,
        uv=uv,
        textures=textures.images,
        face_texture=lookup[np.where(known, pictures, len(textures.index))],
        unit=unit,
        notes=tuple(notes),
    )


def _vertex_place(header: Header):
    """ASCII: the line, as rows are lines; binary: the number."""
    if header.order != "ascii":
        return plain_place("vertex")
    before = header.lines
    for element in header.elements:
        if element.name == "vertex":
            break
        before += element.count
    return lambda i: f"line {before + i + 1}"


def _face_place(counts: NDArray[np.int64]):
    ends = np.cumsum(counts)
    return lambda corner: f"face {int(np.searchsorted(ends, corner, side='right')) + 1}"


def _coordinates(path: Path, vertex: Columns) -> NDArray[np.float64]:
    axes = [vertex.get(axis) for axis in "xyz"]
    if any(a is None or isinstance(a, Lists) for a in axes):
        raise BadInput("the PLY file has no vertices with x, y and z", path.name)
    return to_doubles(np.column_stack(axes))  # type: ignore[arg-type]


def _polygons(
    path: Path, found: dict[str, Columns]
) -> tuple[NDArray[np.int64], NDArray[np.int64], Lists | None]:
    """Corner counts, corners, and the faces' own texture places where they have them."""
    counts = corners = np.empty(0, dtype=np.int64)
    texcoord = None
    face = found.get("face", {})
    column = next((face[name] for name in _CORNERS if name in face), None)
    if isinstance(column, Lists):
        counts, corners = column.counts, to_integers(column.values)
        held = face.get("texcoord")
        if isinstance(held, Lists) and (held.counts == 2 * counts).all():
            texcoord = held
    strips = [c for c in found.get("tristrips", {}).values() if isinstance(c, Lists)]
    if strips:
        triangles = _unroll_strips(to_integers(strips[0].values), strips[0].counts)
        counts = np.concatenate([counts, np.full(len(triangles), 3, dtype=np.int64)])
        corners = np.concatenate([corners, triangles.ravel()])
        texcoord = None
    return counts, corners, texcoord


def _unroll_strips(values: NDArray[np.int64], counts: NDArray[np.int64]) -> NDArray[np.int64]:
    """Triangle strips, parted by -1 or by rows: every second triangle turns the other way."""
    row = np.repeat(np.arange(len(counts)), counts)
    breaks = values == -1
    strip = row + np.cumsum(breaks)  # a new number after every break and every row
    values, strip = values[~breaks], strip[~breaks]
    if len(values) < 3:
        return np.empty((0, 3), dtype=np.int64)
    first = np.concatenate([[True], strip[1:] != strip[:-1]])
    begin = np.maximum.accumulate(np.where(first, np.arange(len(values)), 0))
    i = np.flatnonzero(strip[:-2] == strip[2:])
    odd = (i - begin[i]) % 2 == 1
    triangles = np.column_stack([values[i], values[i + 1], values[i + 2]])
    triangles[odd] = triangles[odd][:, [1, 0, 2]]
    return triangles


def _colours(columns: Columns) -> NDArray[np.uint8] | None:
    for names in _COLOURS:
        channels = [columns.get(n) for n in names]
        if any(c is None or isinstance(c, Lists) for c in channels):
            continue
        rgb = np.column_stack(channels)  # type: ignore[arg-type]
        return to_bytes(rgb)
    return None


def to_bytes(rgb: NDArray[np.generic]) -> NDArray[np.uint8]:
    """Colours as bytes: fractions up to 1 are spread to 255, 16-bit ones brought down."""
    if rgb.dtype == np.uint8:
        return rgb  # type: ignore[return-value]
    values = np.nan_to_num(to_doubles(rgb), nan=0.0, posinf=0.0, neginf=0.0)
    top = values.max(initial=0.0)
    if rgb.dtype.kind == "f" and top <= 1.0 and (values != np.floor(values)).any():
        values = values * 255.0
    elif top > 255.0:
        values = values / 257.0
    return np.clip(np.rint(values), 0, 255).astype(np.uint8)


def _from_faces(
    colours: NDArray[np.uint8] | None,
    F: NDArray[np.int64],
    polygon: NDArray[np.int64],
    n: int,
) -> NDArray[np.uint8] | None:
    """Colours kept by faces, brought to the vertices as the mean of the faces around each."""
    if colours is None or not len(F):
        return None
    corner = F.ravel()
    share = np.maximum(np.bincount(corner, minlength=n), 1)
    mean = np.empty((n, 3))
    for channel in range(3):
        weight = np.repeat(colours[polygon, channel].astype(np.float64), 3)
        mean[:, channel] = np.bincount(corner, weight, minlength=n) / share
    return np.rint(mean).astype(np.uint8)


def _texture_places(
    vertex: Columns,
    texcoord: Lists | None,
    F: NDArray[np.int64],
    place: NDArray[np.int64],
) -> NDArray[np.float32] | None:
    if texcoord is not None:
        return to_singles(texcoord.values.reshape(-1, 2)[place])
    for names in (("texture_u", "texture_v"), ("s", "t"), ("u", "v")):
        pair = [vertex.get(n) for n in names]
        if all(c is not None and not isinstance(c, Lists) for c in pair):
            return to_singles(np.column_stack(pair)[F])  # type: ignore[arg-type]
    return None
