"""Outlines of hides and offcuts from JSON, DXF and SVG: the skin's edge, its flaws, zones, backbone."""

import itertools
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from flatten.errors import BadInput
from flatten.geometry.chains import chain_segments, weld_points
from flatten.io.dxf_shapes import dxf_shapes
from flatten.io.sources import read_bytes
from flatten.io.svg_shapes import svg_shapes
from flatten.records.material import Zone

Array = NDArray[np.float64]
Drawn = tuple[str, Array, bool]  # label (layers, groups and names), points (k, 2) mm, closed

MOST_BYTES = 64 * 1024**2
CLOSE_MM = 0.5  # ends nearer than that meet
SPECK_MM2 = 4.0
_BACKBONE = ("backbone", "spine", "grain")


@dataclass(frozen=True, eq=False, kw_only=True)
class Outlines:
    """What is known of a hide's shape, mm, y up, the face that is drawn on up."""

    outline: Array | None = None
    holes: tuple[Array, ...] = ()
    zones: tuple[Zone, ...] = ()
    backbone_deg: float | None = None
    notes: tuple[str, ...] = ()


def read_outlines(path: Path) -> Outlines:
    """The largest closed shape is the outline; closed shapes within it are flaws to keep clear of.

    A closed shape on a layer, in a group or of a name that begins with `zone` is a zone; an open
    line called `backbone` or `grain` gives the direction of least stretch.

    Raises
    ------
    BadInput : the file is of none of these formats, is broken, or holds no closed shape
    """
    suffix = path.suffix.lower()
    data = read_bytes(path, most=MOST_BYTES)
    if suffix == ".json":
        return _from_json(data, path)
    if suffix == ".dxf":
        return sorted_out(dxf_shapes(data, path.name), path.name)
    if suffix == ".svg":
        return sorted_out(svg_shapes(data, path.name), path.name)
    raise BadInput(
        f"outlines are not read from '{suffix}' files", path.name, "use .dxf, .svg or .json"
    )


def sorted_out(shapes: list[Drawn], name: str) -> Outlines:
    """Which of the shapes drawn is the edge, which are flaws and zones, which is the backbone."""
    rings, opened = [], []
    for label, points, closed in shapes:
        if closed and len(points) >= 3:
            rings.append((label, points))
        elif len(points) >= 2:
            opened.append((label, points))
    spine = [points for label, points in opened if any(word in label for word in _BACKBONE)]
    rest = [(label, points) for label, points in opened if not any(w in label for w in _BACKBONE)]
    rings += _closed_runs(rest)
    zones = tuple(
        Zone(name=_zone_name(label, i), outline=points)
        for i, (label, points) in enumerate((r for r in rings if _is_zone(r[0])), start=1)
    )
    plain = [shapely.make_valid(Polygon(p)) for label, p in rings if not _is_zone(label)]
    plain = [p for p in plain if p.area > SPECK_MM2]
    if not plain:
        raise BadInput("no closed shape is drawn", name, "draw the hide's edge as a closed line")
    plain.sort(key=lambda p: -p.area)
    edge = max(shapely.get_parts(plain[0]), key=lambda p: p.area)
    flaws = [p for p in plain[1:] if p.intersects(edge)]
    notes = []
    if len(flaws) < len(plain) - 1:
        notes.append(f"{name}: {len(plain) - 1 - len(flaws)} shapes outside the hide are left out")
    backbone = None
    if spine:
        way = spine[0][-1] - spine[0][0]
        backbone = float(np.degrees(np.arctan2(way[1], way[0])))
    return Outlines(
        outline=np.array(edge.exterior.coords)[:-1],
        holes=tuple(
            np.array(part.exterior.coords)[:-1]
            for flaw in flaws
            for part in shapely.get_parts(flaw)
            if isinstance(part, Polygon)
        ),
        zones=zones,
        backbone_deg=backbone,
        notes=tuple(notes),
    )


def _is_zone(label: str) -> bool:
    return any(part.strip().startswith("zone") for part in label.split("/"))


def _zone_name(label: str, number: int) -> str:
    part = next(p.strip() for p in label.split("/") if p.strip().startswith("zone"))
    return part.removeprefix("zone").strip(" -_:") or str(number)


def _closed_runs(lines: list[tuple[str, Array]]) -> list[tuple[str, Array]]:
    """Loose lines whose ends meet, joined to closed ones."""
    if not lines:
        return []
    P = np.concatenate([points for _, points in lines])
    weld = weld_points(P, CLOSE_MM)
    first = np.full(weld.max() + 1, -1)
    first[weld[::-1]] = np.arange(len(P))[::-1]
    starts = np.cumsum([0, *(len(points) for _, points in lines)])
    segments = [
        (int(weld[i]), int(weld[i + 1]))
        for a, b in itertools.pairwise(starts.tolist())
        for i in range(a, b - 1)
    ]
    runs = [np.array(run) for run, closed in chain_segments(segments) if closed and len(run) > 2]
    owner = np.repeat(np.arange(len(lines)), np.diff(starts))
    return [(lines[owner[first[run[0]]]][0], P[first[run]]) for run in runs]


def _from_json(data: bytes, path: Path) -> Outlines:
    """A list of points, or {"outline": points, "holes": [points, ...]}."""
    try:
        value = json.loads(data)
    except (ValueError, RecursionError):
        raise BadInput(f"{path.name} is not JSON", "", "save it again") from None
    holes = []
    if isinstance(value, dict):
        holes, value = value.get("holes", []), value.get("outline")
    try:
        rings = [np.array(ring, dtype=np.float64) for ring in (value, *holes)]
    except (TypeError, ValueError):
        rings = [np.zeros(0)]
    for ring in rings:
        if ring.ndim != 2 or ring.shape[-1] != 2 or len(ring) < 3 or not np.isfinite(ring).all():
            raise BadInput(
                f"{path.name} holds no outline", "", "write a list of 3 or more points [x, y]"
            )
    return Outlines(outline=rings[0], holes=tuple(rings[1:]))
