"""Stitch, lace and rivet holes: equal rows on both sides of a seam, hole i over hole i."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from flatten.geometry.curves import arc_length, corners
from flatten.geometry.plane_curves import along, outward
from flatten.records.drawing import Circle
from flatten.records.flat import FlatSet
from flatten.records.material import Material
from flatten.template.piece import Edge, Piece
from flatten.template.practice import HoleRow, hole_row, of_line
from flatten.template.spec import TemplateSpec
from flatten.template.tracks import Track

Array = NDArray[np.float64]

RIM_MM = 1.0  # least material left between a hole and a cut line, or between two holes
SAID_MM = 0.05  # nearer to an edge than usual by less is not worth a word
CORNER_DEG = 35.0
CORNER_REACH_MM = 6.0


def punch_seams(seam_tracks: list[Track], material: Material, spec: TemplateSpec) -> None:
    """Holes along every seam whose fixing asks for them.

    A hole that would break out of either piece, or into another hole, is left out on both.
    """
    for track in seam_tracks:
        edges = (track.edge(0), track.edge(1))
        if edges[0].joint == "fold":
            continue
        row = hole_row(
            material, edges[0].fixing, of_line(spec.stitch, edges[0].name, edges[0].line)
        )
        if row is None:
            continue
        row, said = _fitted(row, edges)
        said = said or _near_edge(row, edges, material)
        if said:
            for piece in dict.fromkeys(track.pieces):
                piece.notes.append(said)
        for rank in range(row.rows):
            sections = row_places(track, row, rank)
            both = [
                _beside_edge(track, side, sections, hole_offset(edge, row, rank))
                for side, edge in enumerate(edges)
            ]
            keep = np.ones(len(both[0]), dtype=bool)
            for side in (0, 1):
                keep &= _sound(track.pieces[side], both[side], row.hole_mm / 2)
            if track.pieces[0] is track.pieces[1]:
                near = np.linalg.norm(both[0] - both[1], axis=1)
                keep &= near >= row.hole_mm + RIM_MM
            dropped = int((~keep).sum())
            if dropped:
                for piece in dict.fromkeys(track.pieces):
                    piece.notes.append(
                        f"{dropped} of {len(keep)} holes left out along '{edges[0].name}': too near an"
                        " edge or another hole"
                    )
            for side in (0, 1):
                edges[side].holes += int(keep.sum())
                track.pieces[side].ink += [
                    Circle(layer="HOLE", centre=(float(x), float(y)), radius=row.hole_mm / 2)
                    for x, y in both[side][keep]
                ]


def punch_details(piece: Piece, flat_set: FlatSet) -> None:
    """The holes that fix overlays, on the overlay itself and on what lies beneath it."""
    panel = flat_set.panel_set.panels[piece.panel]
    U = flat_set.flats[piece.panel].U / (1.0 - flat_set.material.shrink_pct / 100.0)
    for row in panel.holes:
        places = np.einsum("kc,kcx->kx", row.bary, U[panel.F[row.face]])
        keep = _sound(piece, places, row.diameter_mm / 2)
        dropped = int((~keep).sum())
        if dropped:
            piece.notes.append(
                f"{dropped} of {row.asked} holes round '{row.line}' left out: too near an edge or"
                " another hole; punch them through once it is joined"
            )
        piece.ink += [
            Circle(layer="HOLE", centre=(float(x), float(y)), radius=row.diameter_mm / 2)
            for x, y in places[keep]
        ]
        if piece.role == "detail" and piece.edges:
            piece.edges[0].holes += int(keep.sum())


def hole_offset(edge: Edge, row: HoleRow, rank: int) -> float:
    """How far outside the net line (negative: inside) a row lies on an edge, mm.

    A seam turned in is sewn on its net line. In a lap the holes go through both: inside the net
    line on top, as far outside it beneath.
    """
    further = rank * row.pitch_mm
    if edge.joint == "seam":
        return -further
    if edge.joint == "lap":
        return (1.0 if edge.under else -1.0) * (row.inside_mm + further)
    return -(row.inside_mm + further)


def _fitted(row: HoleRow, edges: tuple[Edge, Edge]) -> tuple[HoleRow, str]:
    """The row moved to the middle of a lap that is too narrow for its edge distance, and a note."""
    if edges[0].joint != "lap":
        return row, ""
    width = max(edge.allowance_mm for edge in edges if edge.under)
    if row.inside_mm <= 0.5 * width or row.inside_mm + row.hole_mm / 2 + RIM_MM <= width:
        return row, ""
    said = (
        f"the lap of {width:g} mm along '{edges[0].name}' is narrow for its holes: they lie in its"
        f" middle; {2.0 * row.inside_mm:g} mm is usual"
    )
    return replace(row, inside_mm=0.5 * width), said


def _near_edge(row: HoleRow, edges: tuple[Edge, Edge], material: Material) -> str:
    """What to say of eyelets or rivets nearer to their edge than they hold well; "" of others."""
    joint, fixing = edges[0].joint, edges[0].fixing
    usual = hole_row(material, fixing, None)
    if usual is None or fixing not in ("lace", "rivet") or joint == "seam":
        return ""
    away = row.inside_mm
    if joint == "lap":  # the edge beneath is on the other side of the row
        width = max(edge.allowance_mm for edge in edges if edge.under)
        away = min(away, width - row.inside_mm - (row.rows - 1) * row.pitch_mm)
    if away >= usual.inside_mm - SAID_MM:
        return ""
    what = "eyelets" if fixing == "lace" else "rivets"
    return (
        f"{what} along '{edges[0].name}' lie {away:.1f} mm from an edge; {usual.inside_mm:g} mm is"
        " usual"
    )


Section = tuple[float, float, Array]


def row_places(track: Track, row: HoleRow, rank: int) -> list[Section]:
    """Where the holes of a row go along a seam: (start, end, places), 0 to 1, between corners.

    A whole number of stitches between corners, the first equally far from both ends of the seam,
    and a hole on every inner corner (it belongs to the section before it).
    """
    length = track.length
    lead = _lead(track, row, rank)
    sections: list[Section] = []
    for start, end in pairwise([0.0, *_corner_places(track), 1.0]):
        low = start * length + (lead if start == 0.0 else 0.0)
        high = end * length - (lead if end == 1.0 else 0.0)
        run = high - low
        if run < 0.5 * row.pitch_mm:
            if start == 0.0 and end == 1.0 and length >= row.pitch_mm:
                sections.append((start, end, np.array([0.5])))
            continue
        count = max(1, round(run / row.pitch_mm))
        places = (low + run * np.arange(count + 1) / count) / length
        after_corner = bool(sections) and sections[-1][1] == start
        sections.append((start, end, places[1:] if after_corner else places))
    return sections


def _beside_edge(track: Track, side: int, sections: list[Section], off: float) -> Array:
    """(n, 2) holes `off` mm outside an edge (negative: inside), in the seam's direction.

    The row follows the edge's parallel. Beside a corner that is shorter or longer than the edge;
    the holes of the section slide along it, so that they stay even and one lies on its corner.
    """
    edge = track.edge(side)
    rows = [np.empty((0, 2))]
    for start, end, u in sections:
        ends = np.sort(track.on_edge(side, np.array([start, end])))
        at = track.on_edge(side, u)
        inner = np.clip(at, ends[0] + 0.05, ends[1] - 0.05)
        place, tangent = along(edge.points, at)[0], along(edge.points, inner)[1]
        share = (at - ends[0]) / max(float(ends[1] - ends[0]), 1e-300)
        first, last = (_half_turn(edge, float(s)) for s in ends)
        slide = off * (share * last - (1.0 - share) * first)
        rows.append(place + off * outward(tangent) + slide[:, None] * tangent)
    return np.concatenate(rows)


def _half_turn(edge: Edge, at: float) -> float:
    """Tangent of half the turn at an inner corner of an edge, left positive; 0 at its ends."""
    if at < 1.0 or at > edge.length - 1.0:
        return 0.0
    (a, b) = along(edge.points, np.array([at - 1.0, at + 1.0]))[1]
    turn = np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b)
    return float(np.tan(np.clip(turn, -2.0, 2.0) / 2.0))


def _lead(track: Track, row: HoleRow, rank: int) -> float:
    """Distance of the first hole from the seam's ends.

    Half a pitch past the place where the rows of two neighbouring edges would cross, so that the
    rows of both, each starting there, stay a pitch apart; farther at a sharp corner.
    """
    inside = 0.0 if track.edge(0).joint == "seam" else row.inside_mm
    inside += rank * row.pitch_mm
    most = 0.0
    for side in (0, 1):
        piece, index = track.pieces[side], track.edges[side]
        edges, n = piece.edges, len(piece.edges)
        for first, second in ((index - 1, index), (index, (index + 1) % n)):
            t0 = along(edges[first].points, np.inf)[1][0]
            t1 = along(edges[second].points, 0.0)[1][0]
            turn = float(np.arctan2(t0[0] * t1[1] - t0[1] * t1[0], t0 @ t1))
            half = 0.5 * (np.pi - turn)  # of the piece's angle at the corner
            cross = inside / np.tan(half) if 0.05 < half < np.pi / 2 else 0.0
            clear = (row.hole_mm + 1.1 * RIM_MM) / (2.0 * max(float(np.sin(half)), 0.05))
            most = max(most, float(cross) + max(0.5 * row.pitch_mm, clear))
    return min(most, 0.3 * track.length)


def _corner_places(track: Track) -> list[float]:
    """Where either side of a seam has a corner between its ends, 0 to 1 along it."""
    found: list[float] = []
    for side in (0, 1):
        edge = track.edge(side)
        reach = arc_length(edge.points)
        at = corners(edge.points, False, CORNER_REACH_MM, CORNER_DEG)
        share = reach[at] / max(reach[-1], 1e-300)
        found += (share if edge.with_seam else 1.0 - share).tolist()
    clear = 8.0 / max(track.length, 1e-300)
    kept: list[float] = []
    for place in sorted(found):
        if clear < place < 1.0 - clear and (not kept or place - kept[-1] > clear):
            kept.append(place)
    return kept


def _sound(piece: Piece, places: Array, radius: float) -> NDArray[np.bool_]:
    """Whether each hole lies inside the piece with material left round it."""
    if len(places) == 0:
        return np.empty(0, dtype=bool)
    points = shapely.points(places)
    good = np.asarray(shapely.contains(piece.cut.buffer(-(radius + RIM_MM) + 1e-9), points))
    old = [k for k in piece.ink if isinstance(k, Circle)]
    if old:
        centre = np.array([k.centre for k in old])
        apart = np.linalg.norm(places[:, None] - centre[None], axis=2)
        apart -= np.array([k.radius for k in old])[None] + radius
        good = good & (apart.min(axis=1) >= RIM_MM - 1e-9)
    # In a tight hollow a row's own holes may crowd each other; the second of two is left out.
    for i in range(1, len(places)):
        last = np.nonzero(good[:i])[0]
        if good[i] and len(last):
            gap = float(np.linalg.norm(places[i] - places[last], axis=1).min())
            good[i] = gap >= 2.0 * radius + 0.5 * RIM_MM
    return good
