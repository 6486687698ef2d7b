"""Alterations after the fitting: seams let out or taken in, rims moved."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import LineString, Point

from flatten.errors import BadInput
from flatten.geometry.curves import arc_length
from flatten.geometry.plane_curves import along, beside, outward
from flatten.records.drawing import Ink, Polyline
from flatten.records.flat import SeamReport
from flatten.records.making import Alter
from flatten.records.panels import PanelSet
from flatten.records.template import TemplateSet
from flatten.template.piece import Edge, Piece
from flatten.template.true_up import NOTED_MM, true_up

Array = NDArray[np.float64]

ON_EDGE_MM = 1.0  # a line that ends as near as this to the border ends on it
REACH_MM = 200.0  # the farthest an edge can move
FADE = 0.15  # of an edge's length, inside the altered stretch, where it ends within the edge
STEPS = 60  # points that an altered edge gets at least, so that long chords can bend
FADE_STEPS = 12  # and those within a fade


def alter_edges(pieces: list[Piece], alters: tuple[Alter, ...], panel_set: PanelSet) -> None:
    """Moves net edges outward (or inward) as asked, on every side of a seam alike.

    Where along an edge is measured on the body: partners of unequal length (ease) then begin and
    end an alteration at the same places of their seam.

    All that is measured from the edges afterwards (notches, holes, allowances) moves with them.
    Where a seam bends, one side grows longer and the other shorter as they move; the two are made
    to meet again at their ends (see `true_up`). What cannot be mended there becomes a note.

    Raises
    ------
    BadInput : an alteration names no seam or rim of these pieces, or its stretch is empty
    """
    names = {name for piece in pieces for e in piece.edges for name in (e.name, e.line)}
    for alter in alters:
        if alter.line not in names:
            known = ", ".join(sorted(names))
            raise BadInput(f"no seam or rim '{alter.line}'", "alter", f"name one of: {known}")
        if not 0.0 <= alter.start < alter.end <= 1.0:
            raise BadInput(
                f"'{alter.line}' from {alter.start:g} to {alter.end:g} is no stretch",
                "alter",
                "give start and end between 0 and 1, start first",
            )
    before = {(e.seam, e.side): e.length for piece in pieces for e in piece.edges if e.seam >= 0}
    for piece in pieces:
        moves = []
        for i, edge in enumerate(piece.edges):
            own = [alter for alter in alters if alter.line in (edge.name, edge.line)]
            if own:
                at = _stations(panel_set, piece, i)
                _refine(edge, at, own)
                moves.append(np.sum([_profile(edge, at, alter) for alter in own], axis=0))
            else:
                moves.append(np.zeros(len(edge.points)))
        if any(move.any() for move in moves):
            _move(piece, moves)
    altered = {alter.line for alter in alters}
    if altered:
        true_up(pieces, altered, before)


def cut_lengths(
    reports: Sequence[SeamReport], template_set: TemplateSet, alters: Sequence[Alter]
) -> tuple[SeamReport, ...]:
    """Rows of the seams as they are cut, where alterations have changed their lengths."""
    if not alters:
        return tuple(reports)
    rows = []
    for index, row in enumerate(reports):
        a, b = (
            float(arc_length(template_set.seam_edges[index, side].points)[-1]) for side in (0, 1)
        )
        mismatch = row.mismatch_mm + (a - b) - (row.flat_mm[0] - row.flat_mm[1])
        moved = max(abs(a - row.flat_mm[0]), abs(b - row.flat_mm[1])) > NOTED_MM
        worst = max(abs(mismatch), row.worst_cumulative_mm)
        rows.append(
            replace(row, flat_mm=(a, b), mismatch_mm=mismatch, worst_cumulative_mm=worst)
            if moved
            else row
        )
    return tuple(rows)


def _stations(panel_set: PanelSet, piece: Piece, index: int) -> Array:
    """(m,) share of an edge's length on the body at each of its border vertices, along the edge."""
    edge, panel = piece.edges[index], panel_set.panels[piece.panel]
    if edge.seam < 0:
        reach = arc_length(panel.V[panel.border[index].vertices])
    else:
        side = panel_set.seams[edge.seam].sides[0]
        reach = arc_length(panel_set.panels[side.panel].V[side.vertices])
        if not edge.with_seam:
            reach = (reach[-1] - reach)[::-1]
    return reach / max(reach[-1], 1e-300)


def _refine(edge: Edge, stations: Array, alters: Sequence[Alter]) -> None:
    """Gives an edge points where it is to bend, at the same places of a seam on both sides."""
    at = [np.linspace(0.0, 1.0, STEPS + 1)]
    for alter in alters:
        fade = FADE * np.linspace(0.0, 1.0, FADE_STEPS + 1)
        at += [alter.start + fade, alter.end - fade]
    share = np.clip(np.concatenate(at), 0.0, 1.0)
    share = share if edge.with_seam else 1.0 - share
    reach = arc_length(edge.points)
    fresh = np.interp(share, stations, edge.vertex_at) * reach[-1]
    edge.points = along(edge.points, np.unique(np.concatenate([reach, fresh]).round(9)))[0]


def _profile(edge: Edge, stations: Array, alter: Alter) -> Array:
    """(k,) how far each point of an edge moves outward, mm.

    stations : (m,) share of its length on the body at each border vertex
    """
    reach = arc_length(edge.points)
    u = np.interp(reach / max(reach[-1], 1e-300), edge.vertex_at, stations)
    if not edge.with_seam:
        u = 1.0 - u
    rise = np.ones_like(u)
    if alter.start > 0.0:
        rise = np.minimum(rise, np.clip((u - alter.start) / FADE, 0.0, 1.0))
    if alter.end < 1.0:
        rise = np.minimum(rise, np.clip((alter.end - u) / FADE, 0.0, 1.0))
    inside = (u >= alter.start) & (u <= alter.end)
    return alter.by_mm * np.where(inside, rise * rise * (3.0 - 2.0 * rise), 0.0)


def _move(piece: Piece, moves: list[Array]) -> None:
    """Shifts the edges and lets neighbours run on, or stop short, to where they now meet."""
    n = len(piece.edges)
    moved = []
    for edge, move in zip(piece.edges, moves, strict=True):
        reach = arc_length(edge.points)
        moved.append(beside(edge.points, reach, move) if move.any() else edge.points)
    for i in range(n):
        j = (i + 1) % n
        first, second = moves[i][-1], moves[j][0]
        if i == j or (first == 0.0 and second == 0.0):
            if i == j and first != 0.0:
                moved[i][-1] = moved[i][0]
            continue
        corner = piece.edges[j].points[0]
        t0 = along(piece.edges[i].points, np.inf)[1][0]
        t1 = along(piece.edges[j].points, 0.0)[1][0]
        meet = _meeting(corner, t0, t1, float(first), float(second))
        ahead = (moved[i] - meet) @ t0 < -1e-6
        behind = (moved[j] - meet) @ t1 > 1e-6
        # Only the end of a chain is trimmed: the points after the last that lies before the corner.
        last = int(np.nonzero(ahead)[0][-1]) if ahead.any() else 0
        start = int(np.nonzero(behind)[0][0]) if behind.any() else len(moved[j]) - 1
        moved[i] = np.vstack([moved[i][: last + 1], meet])
        moved[j] = np.vstack([meet, moved[j][start:]])
    for edge, points in zip(piece.edges, moved, strict=True):
        step = np.linalg.norm(np.diff(points, axis=0), axis=1)
        edge.points = points[np.concatenate([[True], step > 1e-9])]
    for i in range(n):  # neighbours share their end points exactly
        piece.edges[i].points[-1] = piece.edges[(i + 1) % n].points[0]


def _meeting(corner: Array, t0: Array, t1: Array, first: float, second: float) -> Array:
    """Where the edges before and after a corner meet once each has moved outward."""
    a, b = corner + outward(t0) * first, corner + outward(t1) * second
    cross = float(t0[0] * t1[1] - t0[1] * t1[0])
    if abs(cross) < 0.2:  # nearly one line: the edge that moved more takes the other along
        return a if abs(first) >= abs(second) else b
    s = float((b - a)[0] * t1[1] - (b - a)[1] * t1[0]) / cross
    return a + t0 * s


def follow_edges(piece: Piece, before: Array) -> None:
    """Lets open detail and score lines that ended on the border end on it again, where it moved.

    before : (n, 2) the net line as it was, closed
    """
    old = LineString(np.vstack([before, before[:1]]))
    ink: list[Ink] = []
    for item in piece.ink:
        if not isinstance(item, Polyline) or item.closed or len(item.points) < 2:
            ink.append(item)
            continue
        points = item.points
        for _ in range(2):  # its last end, then, turned round, its first
            if len(points) and old.distance(Point(points[-1])) < ON_EDGE_MM:
                points = _to_border(piece, points)
            points = points[::-1]
        if len(points):
            ink.append(replace(item, points=points))
    piece.ink = ink


def _to_border(piece: Piece, points: Array) -> Array:
    """A line drawn straight on at its last end, or cut off there, so that it ends on the net line.

    Nothing of it is left where all of it lay in what was taken in.
    """
    step = points[-1] - points[-2]
    size = float(np.linalg.norm(step))
    if size < 1e-9:
        return points
    far = LineString(np.vstack([points, points[-1] + step / size * REACH_MM]))
    inside = far.intersection(piece.net)
    parts = [p for p in getattr(inside, "geoms", [inside]) if p.geom_type == "LineString" and p]
    if not parts:
        return points[:0]
    start = Point(points[0])
    part = min(parts, key=lambda p: p.distance(start))
    made = np.array(part.coords)
    if np.linalg.norm(made[0] - points[0]) > np.linalg.norm(made[-1] - points[0]):
        made = made[::-1]
    return made
