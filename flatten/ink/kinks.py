"""Cuts strokes where they turn sharply, so that corners and crossings are put together afresh."""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.curves import arc_length, at_lengths, corners
from flatten.ink.fit import Stroke

REACH_MM = 10.0
SHORT_REACH_MM = 5.0
TURN_DEG = 32.0
SHARP = 0.62  # a bend turns by half as much over half the reach, a corner by nearly all of it
TRIM_MM = 4.0  # on either side: the fit rounds a corner over about that
LEAST_MM = 5.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Kink:
    """What was cut out at a corner: points (k, 3) in the stroke's direction, and their normals."""

    points: NDArray[np.float64]
    normals: NDArray[np.float64]


@dataclass(frozen=True, eq=False, kw_only=True)
class Piece:
    """A stroke without sharp turns; kinks : numbers of the corners at its ends, -1 for none."""

    stroke: Stroke
    kinks: tuple[int, int] = (-1, -1)


def cut_at_kinks(s: Stroke, first: int) -> tuple[list[Piece], list[Kink]]:
    """The stroke in pieces that stop short of its sharp turns, and the turns.

    A stroke that was followed from one line into another at a crossing has a kink there; so has a
    drawn corner. Which piece goes on as which is then told from where the pieces point.

    first : the number of the first corner
    """
    whole = [Piece(stroke=s)], []
    if s.length < 2.5 * REACH_MM:
        return whole
    found = corners(s.points, s.closed, REACH_MM, TURN_DEG)
    wide = _turns(s.points, s.closed, found, REACH_MM)
    tight = _turns(s.points, s.closed, found, SHORT_REACH_MM)
    found = found[tight > SHARP * wide]
    if not s.closed:
        along = arc_length(s.points)
        least = LEAST_MM + TRIM_MM
        found = found[(along[found] > least) & (along[-1] - along[found] > least)]
    if len(found) == 0:
        return whole
    order = np.arange(len(s.points))
    if s.closed:
        # Opened at the first corner, which is met again at the end.
        order = np.append(np.roll(order, -int(found[0])), found[0])
        found = np.append(found - found[0], len(s.points))
    along = arc_length(s.points[order])
    names = [first + k for k in range(len(found))]
    if s.closed:
        names[-1] = first
    else:
        found = np.concatenate([[-1], found, [-1]])
        names = [-1, *names, -1]
    pieces: list[Piece] = []
    for k in range(len(found) - 1):
        low = along[found[k]] + TRIM_MM if names[k] >= 0 else 0.0
        high = along[found[k + 1]] - TRIM_MM if names[k + 1] >= 0 else along[-1]
        inside = order[(along >= low - 1e-9) & (along <= high + 1e-9)]
        if len(inside) < 3:
            return whole
        piece = replace(
            s,
            points=s.points[inside],
            normals=s.normals[inside],
            cover=s.cover[inside],
            standing=s.standing[inside],
            closed=False,
        )
        pieces.append(Piece(stroke=piece, kinks=(names[k], names[k + 1])))
    return pieces, _kinks(s, pieces)


def _kinks(s: Stroke, pieces: list[Piece]) -> list[Kink]:
    """What lies between each piece and the next, which may be the same again."""
    out = []
    index = {tuple(p): k for k, p in enumerate(s.points)}
    runs = [(index[tuple(p.stroke.points[0])], index[tuple(p.stroke.points[-1])]) for p in pieces]
    pairs = list(pairwise(runs))
    if s.closed:
        # The first corner lies between the last piece and the first one.
        pairs = [(runs[-1], runs[0]), *pairs]
    for (_, a), (b, _) in pairs:
        k = np.arange(a + 1, b) if b > a else np.r_[a + 1 : len(s.points), 0:b]
        out.append(Kink(points=s.points[k], normals=s.normals[k]))
    return out


def _turns(
    P: NDArray[np.float64], closed: bool, at: NDArray[np.int64], reach: float
) -> NDArray[np.float64]:
    """Degrees between the chords to the places `reach` before and after points of a polyline."""
    ring = np.vstack([P, P, P, P[:1]]) if closed else P
    s = arc_length(ring)
    here = s[at + len(P)] if closed else s[at]
    back = at_lengths(ring, np.maximum(here - reach, 0.0))
    ahead = at_lengths(ring, np.minimum(here + reach, s[-1]))
    u, v = P[at] - back, ahead - P[at]
    size = np.maximum(np.linalg.norm(u, axis=1) * np.linalg.norm(v, axis=1), 1e-12)
    return np.degrees(np.arccos(np.clip(np.einsum("ij,ij->i", u, v) / size, -1.0, 1.0)))
