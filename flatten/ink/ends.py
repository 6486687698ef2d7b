"""The open ends of strokes, and how well two of them face each other."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import KDTree

from flatten.ink.paths import Path, Points, outward

NEAR_INK_DEG = 16.0
FAR_GAP_MM = 35.0  # offered, not bridged
AIM_DEG = 32.0
STRAIGHT_DEG = 25.0
STEADY_MM = 25.0
ARC_MM = 24.0


@dataclass(frozen=True, eq=False)
class Ends:
    """All open ends: (path, end), where they are and the way they point, by their last bit and
    by a longer stretch."""

    rows: list[tuple[int, int]]
    at: Points
    way: Points
    steady: Points


@dataclass(frozen=True, eq=False)
class Pair:
    """Two ends that could be one: how far apart, how much each turns to face the other.

    shorter : length of the shorter of the two; same : whether both are of one ink
    """

    a: int
    b: int
    gap: float
    turn: float
    bend: float
    shorter: float
    same: bool

    @property
    def cost(self) -> float:
        return self.gap * (1.0 + (self.turn / 40.0) ** 2) + 0.05 * self.bend


def open_ends(paths: list[Path]) -> Ends:
    rows = [(i, e) for i, p in enumerate(paths) if not p.closed for e in (0, 1)]
    at = np.array([paths[i].tip(e) for i, e in rows]).reshape(-1, 3)
    way = np.array([outward(paths[i].points, e) for i, e in rows]).reshape(-1, 3)
    steady = np.array([outward(paths[i].points, e, STEADY_MM) for i, e in rows]).reshape(-1, 3)
    return Ends(rows, at, way, steady)


def pairs_of(paths: list[Path], ends: Ends) -> list[Pair]:
    """All pairs of ends of one ink that lie near each other."""
    out = []
    if len(ends.rows) < 2:
        return out
    for a, b in sorted(KDTree(ends.at).query_pairs(FAR_GAP_MM)):
        i, j = ends.rows[a][0], ends.rows[b][0]
        p, q = paths[i], paths[j]
        if p.ink != q.ink and _angle(p.contrast, q.contrast) > NEAR_INK_DEG:
            continue
        between = ends.at[b] - ends.at[a]
        gap = float(np.linalg.norm(between))
        if i == j and (p.length < 30.0 or gap > 0.3 * p.length):
            continue
        # A frayed end may turn aside; a longer stretch of it then tells where it leads.
        turn, bend = min(
            _turns(between, ends.way[a], ends.way[b]),
            _turns(between, ends.steady[a], ends.steady[b]),
        )
        out.append(
            Pair(
                a,
                b,
                gap,
                turn=turn,
                bend=bend,
                shorter=min(p.length, q.length),
                same=p.ink == q.ink,
            )
        )
    return out


def _turns(between: Points, a: Points, b: Points) -> tuple[float, float]:
    """Degrees by which two ends turn to face each other, and by which one runs on as the other."""
    gap = float(np.linalg.norm(between))
    ca = cb = 1.0
    if gap > 1e-6:
        ca, cb = float(a @ between) / gap, -float(b @ between) / gap
    turns = np.degrees(np.arccos(np.clip([ca, cb, -float(a @ b)], -1.0, 1.0)))
    return float(np.hypot(turns[0], turns[1])), float(turns[2])


def slack(gap: float, aside: float = 2.5) -> float:
    """Degrees by which close ends may miss each other: an end is `aside` mm sure."""
    return float(np.degrees(np.arctan2(aside, max(gap, 0.5))))


def meeting(p: Points, d: Points, q: Points, e: Points) -> tuple[float, float] | None:
    """How far along two rays they come closest, None where they are parallel or miss by 2.5 mm."""
    c = float(d @ e)
    det = 1.0 - c * c
    if det < 0.03:
        return None
    w = q - p
    s = float((w @ d) - c * (w @ e)) / det
    t = float(c * (w @ d) - (w @ e)) / det
    if np.linalg.norm(p + s * d - q - t * e) > 2.5:
        return None
    return s, t


def is_one(p: Pair) -> bool:
    """Whether two strokes meet so closely in line that they were drawn in one go."""
    close = p.gap < 8.0 and p.shorter > 2.0 * p.gap
    return close and p.turn < 12.0 + slack(p.gap, 1.0) and p.bend < 20.0


def runs_on(p: Pair, ends: Ends) -> bool:
    """Whether two strokes lie so much in line, or on one arc, that a wider gap is one all the same."""
    if p.shorter < 1.3 * p.gap:
        return False
    between = ends.at[p.b] - ends.at[p.a]
    a, b = _angle(ends.way[p.a], between), _angle(ends.way[p.b], -between)
    # On an arc both ends turn alike to face each other, and to the same side.
    alike = max(a, b) < AIM_DEG and abs(a - b) < 12.0
    one_side = abs(_angle(ends.way[p.a], -ends.way[p.b]) - a - b) < 12.0
    if p.shorter > ARC_MM and alike and one_side:
        return True
    aside = [
        max(np.linalg.norm(between - (between @ w) * w) for w in (ways[p.a], ways[p.b]))
        for ways in (ends.way, ends.steady)
    ]
    return bool(p.bend < 15.0 and min(aside) < 3.0 and p.turn < STRAIGHT_DEG)


def _angle(a: Points, b: Points) -> float:
    size = max(float(np.linalg.norm(a) * np.linalg.norm(b)), 1e-12)
    return float(np.degrees(np.arccos(np.clip(a @ b / size, -1.0, 1.0))))
