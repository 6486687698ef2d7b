"""A mock-up for the fitting: wide seams that can be let out, and level and centre lines to judge by."""

from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, MultiLineString
from shapely.geometry.base import BaseGeometry

from flatten.geometry.section import plane_section, tape_length
from flatten.records.cast import Cast
from flatten.records.drawing import Polyline
from flatten.records.flat import FlatSet
from flatten.records.material import Allowance, JointChoice, Ply
from flatten.template.piece import EdgeText, Piece

Array = NDArray[np.float64]

# Theatre practice: side and centre-back seams 25, so that they can be let out (common practice).
WIDE_MM = 25.0
LEVELS = 48  # heights at which the body is measured
PROMINENT = 0.02  # share by which a narrow or a full level stands out from those beside it
LEAST_MM = 15.0  # a fitting line shorter than this on a piece tells nothing
CLEAR_MM = 4.0  # nor does one that runs this near to the piece's border


def as_mock_up(ply: Ply, flat_set: FlatSet) -> tuple[Ply, FlatSet]:
    """The ply and its material with wide seams: sewn in cloth, lapped and taped in foam or card.

    Joints that the ply names line by line stay as they are.
    """
    cloth = flat_set.material.family == "cloth"
    joint, fixing = ("seam", "stitch") if cloth else ("lap", "glue")
    wide = Allowance(butt=WIDE_MM, seam=WIDE_MM, lap=WIDE_MM, gap=WIDE_MM, rim=WIDE_MM)
    given = flat_set.material.allowance_mm
    widest = {
        key: max(value, getattr(given, key)) for key, value in vars(wide).items() if key != "butt"
    }
    material = replace(
        flat_set.material, bevel=False, allowance_mm=Allowance(butt=WIDE_MM, **widest)
    )
    ply = replace(
        ply,
        joints={"*": JointChoice(joint=joint, fixing=fixing), **ply.joints},
        over=None,
        making=replace(ply.making, rim_finish={"*": "raw", **ply.making.rim_finish}),
    )
    return ply, replace(flat_set, material=material)


def draw_fitting_lines(pieces: list[Piece], flat_set: FlatSet) -> None:
    """Level lines where the body is narrowest and fullest or was measured, centre front and back."""
    cast = flat_set.panel_set.cast
    planes = [(name, np.array([0.0, 1.0, 0.0]), at) for name, at in fitting_levels(cast)]
    if cast.symmetry is not None:
        normal = cast.symmetry.normal
        planes.append(("centre", normal, float(normal @ cast.symmetry.point)))
    for piece in pieces:
        panel = flat_set.panel_set.panels[piece.panel]
        U = flat_set.flats[piece.panel].U / (1.0 - flat_set.material.shrink_pct / 100.0)
        side = "front" if float(panel.N[:, 2].mean()) > 0.0 else "back"
        for name, normal, height in planes:
            said = f"centre {side}" if name == "centre" else name
            for line in level_lines(panel.V @ normal - height, panel.F, U):
                inside = LineString(line).intersection(piece.net)
                for part in getattr(inside, "geoms", [inside]):
                    _draw(piece, part, said)


def _draw(piece: Piece, line: BaseGeometry, said: str) -> None:
    if not isinstance(line, LineString) or line.length < LEAST_MM:
        return
    middle = line.interpolate(0.5, normalized=True)
    if piece.net.exterior.distance(middle) < CLEAR_MM:  # it is the border itself
        return
    points = np.array(line.coords)
    piece.ink.append(Polyline(layer="DETAIL", points=points))
    piece.inner_lines.append(points)
    index = len(piece.edges) + len(piece.inner_lines) - 1
    piece.words.append(EdgeText(edge=index, wordings=(said,), needed=False))


def level_lines(value: Array, F: NDArray[np.integer], U: Array) -> list[Array]:
    """The lines on a flat along which a function of its vertices is 0, each (k, 2).

    A vertex where it is 0 counts as above, so that every cut face is cut in two edges.
    """
    above = value >= 0.0
    segments = []
    corner = above[F]
    for face in F[corner.any(axis=1) & ~corner.all(axis=1)]:
        ends = []
        for a, b in ((face[0], face[1]), (face[1], face[2]), (face[2], face[0])):
            a, b = sorted((int(a), int(b)))  # the same place from both faces of an edge
            if above[a] != above[b]:
                t = value[a] / (value[a] - value[b])
                ends.append(U[a] + t * (U[b] - U[a]))
        segments.append(ends)
    if not segments:
        return []
    merged = shapely.line_merge(MultiLineString([np.array(ends) for ends in segments]))
    return [np.array(part.coords) for part in getattr(merged, "geoms", [merged])]


def fitting_levels(cast: Cast) -> list[tuple[str, float]]:
    """(name, height) of the levels worth a line: narrowest and fullest, and where a tape measured.

    On a body with arm openings the narrowest is the waist; the bust is where the front reaches
    farthest forward above it.
    """
    level = np.array([0.0, 1.0, 0.0])
    low, high = float(cast.V[:, 1].min()), float(cast.V[:, 1].max())
    heights = np.linspace(low, high, LEVELS + 2)[1:-1]
    girths = np.full(LEVELS, np.nan)
    for i, height in enumerate(heights):
        chains = [c for c in plane_section(cast.V, cast.F, level, float(height)) if c.closed]
        if chains:
            girths[i] = tape_length(chains[0].points, level)
    found: list[tuple[str, float]] = []
    is_torso = len(cast.rims) > 2
    narrow = _standing_out(-girths)
    if narrow is not None:
        found.append(("waist level" if is_torso else "narrowest level", float(heights[narrow])))
    full = _standing_out(girths)
    if is_torso and narrow is not None:
        upper = cast.V[cast.V[:, 1] > heights[narrow]]
        found.append(("bust level", float(upper[np.argmax(upper[:, 2]), 1])))
    elif full is not None:
        found.append(("fullest level", float(heights[full])))
    for girth in cast.girths:
        if girth.asked_mm is not None:
            found.append((f"girth {girth.asked_mm:.0f} level", float(girth.at[1])))
    return found


def _standing_out(values: Array) -> int | None:
    """Where a row of values is largest, if both its ends are less by a share of it."""
    known = np.flatnonzero(np.isfinite(values))
    if len(known) < 3:
        return None
    best = int(known[np.argmax(values[known])])
    top = values[best]
    ends = values[known[[0, -1]]]
    return best if (top - ends > PROMINENT * abs(top)).all() else None
