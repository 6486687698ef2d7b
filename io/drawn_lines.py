"""Polylines out of OBJ, glTF and DXF files, joined where they were saved in pieces."""

import logging
from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from itertools import islice
from pathlib import Path

import ezdxf.path
import numpy as np
from ezdxf import disassemble, recover
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.geometry.chains import chain_segments, weld_points
from flatten.io.gltf_file import GltfFile
from flatten.io.gltf_scene import Shown, shown_primitives
from flatten.io.numerals import to_doubles
from flatten.io.obj import vertices
from flatten.io.obj_rows import corner_table, resolve, sort_rows
from flatten.io.sources import decode

# It would print what it mends beside our own messages.
logging.getLogger("ezdxf").setLevel(logging.CRITICAL)

_LINES, _LOOP, _STRIP = 1, 2, 3
_MAX_ENTITIES = 200_000
# Curves are replaced by chords this fraction of the drawing's size away at most.
_CHORD = 1e-5
# Cubic pieces that stand for a full circle: its radius is kept to 1e-6.
_ARCS = 16


@dataclass(frozen=True, eq=False, kw_only=True)
class Drawn:
    """One polyline: the name of its group, node or layer, and its points (k, 3)."""

    name: str
    points: NDArray[np.float64]
    closed: bool = False


def _chained(name: str, P: NDArray[np.float64], segments: list[tuple[int, int]]) -> list[Drawn]:
    """Loose two-point segments joined end to end where their ends coincide."""
    if not segments:
        return []
    used = np.unique(np.array(segments))
    size = float(np.ptp(P[used], axis=0).max())
    number = np.full(len(P), -1, dtype=np.int64)
    number[used] = weld_points(P[used], 1e-7 * size)
    first = np.zeros(int(number.max()) + 1, dtype=np.int64)
    first[number[used][::-1]] = used[::-1]
    runs = chain_segments((int(number[a]), int(number[b])) for a, b in segments)
    return [Drawn(name=name, points=P[first[run]], closed=closed) for run, closed in runs]


def obj_lines(path: Path, data: bytes) -> list[Drawn]:
    """`l` elements by group, else by object.

    Raises
    ------
    BadInput : names the line of the file that is wrong
    """
    rows = sort_rows(data)
    V, _ = vertices(path, rows)
    drawn = rows.get(b"l")
    if drawn is None:
        return []
    written = corner_table(path, drawn)
    corners = resolve(path, written.vertex, written.counts, drawn, rows.get(b"v"), "vertex")
    at = [(int(n), t) for key in (b"o", b"g") if key in rows
          for n, t in zip(rows[key].line, rows[key].text, strict=True)]  # fmt: skip
    at.sort()
    starts = np.array([n for n, _ in at])
    names = ["", *(decode(t).strip() for _, t in at)]
    of_row = (
        [names[i] for i in np.searchsorted(starts, drawn.line)] if at else [""] * len(drawn.line)
    )
    found: list[Drawn] = []
    loose: dict[str, list[tuple[int, int]]] = {}
    ends = np.cumsum(written.counts)
    for name, end, count in zip(of_row, ends, written.counts, strict=True):
        run = corners[end - count : end]
        if count == 2:
            loose.setdefault(name, []).append((int(run[0]), int(run[1])))
        elif count > 2:
            found.append(Drawn(name=name, points=V[run]))
    for name, segments in loose.items():
        found += _chained(name, V, segments)
    return found


def gltf_lines(path: Path, data: bytes) -> list[Drawn]:
    """Line primitives of the scene, by node name, transforms applied.

    Raises
    ------
    BadInput : names the JSON path that is wrong
    """
    file = GltfFile(path, data)
    found: list[Drawn] = []
    for shown in shown_primitives(file):
        if shown.primitive.get("mode", 4) in (_LINES, _LOOP, _STRIP):
            found += _primitive_lines(file, shown)
    return found


def _primitive_lines(file: GltfFile, shown: Shown) -> list[Drawn]:
    attributes = shown.primitive.get("attributes")
    if not isinstance(attributes, dict) or "POSITION" not in attributes:
        raise file.wrong("the primitive has no POSITION", shown.place)
    local = to_doubles(file.accessor(attributes["POSITION"], ("VEC3",)))
    if not np.isfinite(local).all():
        raise file.wrong("a coordinate is not a finite number", shown.place)
    P = local @ shown.matrix[:3, :3].T + shown.matrix[:3, 3]
    run = np.arange(len(P), dtype=np.int64)
    if "indices" in shown.primitive:
        stored = file.accessor(shown.primitive["indices"], ("SCALAR",))[:, 0]
        if stored.dtype.kind != "u" or (len(stored) and int(stored.max()) >= len(P)):
            raise file.wrong("an index is out of range", shown.place)
        run = stored.astype(np.int64)
    mode = shown.primitive["mode"]
    if mode == _LINES:
        if len(run) % 2:
            raise file.wrong("an odd number of line ends", shown.place)
        pairs = [(int(a), int(b)) for a, b in run.reshape(-1, 2)]
        return _chained(shown.name, P, pairs)
    return [Drawn(name=shown.name, points=P[run], closed=mode == _LOOP)] if len(run) else []


def dxf_lines(path: Path, data: bytes) -> list[Drawn]:
    """Lines, polylines, arcs and splines of the model space by layer, blocks resolved.

    Raises
    ------
    BadInput : the file is no DXF, or holds too much
    """
    try:
        document, _ = recover.read(BytesIO(data))
        curves = list(_curves(document))
    except BadInput:
        raise
    except Exception as error:
        # The reader meets damaged files with many kinds of exceptions of its own.
        raise BadInput(
            f"the DXF file cannot be read ({type(error).__name__})", path.name, "save it again"
        ) from None
    if len(curves) >= _MAX_ENTITIES:
        raise BadInput(
            f"more than {_MAX_ENTITIES:,} entities", path.name, "keep only the lines of the cast"
        )
    corners = [np.array([v.xyz for v in c.control_vertices()]) for _, c in curves if len(c)]
    if not corners:
        return []
    size = float(np.ptp(np.concatenate(corners), axis=0).max())
    if not np.isfinite(size) or size <= 0:
        raise BadInput("its coordinates are not finite, or all the same", path.name)
    found: list[Drawn] = []
    loose: dict[str, list[NDArray[np.float64]]] = {}
    for layer, curve in curves:
        P = np.array([v.xyz for v in curve.flattening(_CHORD * size)])
        if len(P) == 2:
            loose.setdefault(layer, []).append(P)
        elif len(P) > 2:
            found.append(Drawn(name=layer, points=P, closed=bool(curve.is_closed)))
    for layer, pieces in loose.items():
        segments = [(2 * i, 2 * i + 1) for i in range(len(pieces))]
        found += _chained(layer, np.concatenate(pieces), segments)
    return found


def _curves(document: object) -> Iterator[tuple[str, ezdxf.path.Path]]:
    """(layer, path) of every entity that is a curve; points, texts and faces are passed over."""
    entities = disassemble.recursive_decompose(document.modelspace())  # type: ignore[attr-defined]
    for entity in islice(entities, _MAX_ENTITIES):
        if entity.dxftype() in ("LINE", "LWPOLYLINE", "POLYLINE", "SPLINE", "ARC", "CIRCLE",
                                "ELLIPSE"):  # fmt: skip
            try:
                curve = ezdxf.path.make_path(entity, segments=_ARCS)
            except TypeError:  # a polyline that is a mesh
                continue
            yield str(entity.dxf.layer), curve
