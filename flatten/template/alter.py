"""Alterations after the fitting: seams let out or taken in, rims moved."""

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.geometry.curves import arc_length
from flatten.geometry.plane_curves import along, beside, outward
from flatten.records.making import Alter
from flatten.template.piece import Edge, Piece

Array = NDArray[np.float64]

FADE = 0.15  # of an edge's length, inside the altered stretch, where it ends within the edge


def alter_edges(pieces: list[Piece], alters: tuple[Alter, ...]) -> None:
    """Moves net edges outward (or inward) as asked, on every side of a seam alike.

    All that is measured from the edges afterwards (notches, holes, allowances) moves with them.

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
    for piece in pieces:
        moves = [np.zeros(len(e.points)) for e in piece.edges]
        for alter in alters:
            for move, edge in zip(moves, piece.edges, strict=True):
                if alter.line in (edge.name, edge.line):
                    move += _profile(edge, alter)
        if any(move.any() for move in moves):
            _move(piece, moves)


def _profile(edge: Edge, alter: Alter) -> Array:
    """(k,) how far each point of an edge moves outward, mm."""
    reach = arc_length(edge.points)
    u = reach / max(reach[-1], 1e-300)
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
        fine = edge.points
        if move.any():  # long chords get points enough to bend
            reach = arc_length(edge.points)
            at = np.unique(np.concatenate([reach, np.linspace(0.0, reach[-1], 61)]).round(9))
            fine = beside(edge.points, at, np.interp(at, reach, move))
        moved.append(fine)
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
