"""Finds short strokes across a line by what lies on both its sides: match marks."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import KDTree

from flatten.geometry.curves import arc_length
from flatten.geometry.curves import resample as evenly
from flatten.ink.along import Looker, ways
from flatten.ink.contrast import fair
from flatten.ink.paths import Path
from flatten.ink.writing import Taken

Points = NDArray[np.float64]

NODE_MM = 1.5
REACH_MM = 17.0
CELL_MM = 0.5
TILTS = np.tan(np.radians([-24.0, -12.0, 0.0, 12.0, 24.0]))
CLEAR_MM = 0.9  # beyond the line's own edge
ARM_MM = 2.2  # a tick is looked for so far out
LEAST_ARM_MM, MOST_ARM_MM = 1.0, 11.0
LEAST_ALIKE = 0.45  # the shorter of the longer, from the middle of the line
LEAST_MM = 3.5  # both arms together
INKED, FOOT = 0.5, 0.38
CLEARLY = 0.57  # the mean of both arms
BARE = 0.35
PURE = 0.45
NEAR_MM = 6.0  # beyond a mark's ends its strokes may have been followed
END_MM = 6.0  # ticks this near an end of the line are its corner or its cap
OTHER_MM = 7.0  # nor do they lie where another line meets it
BETWEEN_MM = 4.0  # bare tape at most so long between strokes side by side
STROKE_STEP_MM = 5.0  # usual, from one of them to the next
WIDEST_MM = 17.0  # three of them
ASIDE_MM, UNLIKE_MM = 3.2, 5.5  # from arm to arm across the line, in place and in length


@dataclass(frozen=True, eq=False, kw_only=True)
class Mark:
    """Strokes across a line side by side. line : its index; place (3,); arms : mm to either side"""

    line: int
    place: Points
    count: int
    half: float
    arms: tuple[float, float]


def find_ticks(look: Looker, paths: list[Path], lines: list[int]) -> list[Mark]:
    """Match marks on the lines: ink of the line's own pen on both sides of it at one place, for
    some millimetres out and no more, bare tape before and after."""
    lines = [i for i in lines if not paths[i].dashed and len(paths[i].points) > 3]
    if not lines:
        return []
    nodes = [evenly(paths[i].around(), NODE_MM) for i in lines]
    owner = np.repeat(np.arange(len(lines)), [len(p) for p in nodes])
    place = np.concatenate(nodes)
    P, N = look.on_surface(place)
    d, node = KDTree(P).query(look.S.P, distance_upper_bound=REACH_MM, workers=2)
    which = np.flatnonzero(np.isfinite(d))
    node = np.asarray(node)[which]
    which = which[np.einsum("ij,ij->i", look.S.N[which], N[node]) > 0.3]
    node = np.asarray(KDTree(P).query(look.S.P[which])[1])
    X = fair(look.contrast(P, which, node))
    order = np.argsort(owner[node], kind="stable")
    which, node, X = which[order], node[order], X[order]
    cuts = np.searchsorted(owner[node], np.arange(len(lines) + 1))
    start = np.concatenate([[0], np.cumsum([len(p) for p in nodes])])
    tree = KDTree(place)
    out = []
    for k, i in enumerate(lines):
        mine = slice(cuts[k], cuts[k + 1])
        own = slice(start[k], start[k + 1])
        Q, M = P[own], N[own]
        at = node[mine] - start[k]
        T = ways(Q)
        rel = look.S.P[which[mine]] - Q[at]
        strip = _Strip(
            t=arc_length(Q)[at] + np.einsum("ij,ij->i", rel, T[at]),
            a=np.einsum("ij,ij->i", rel, np.cross(M, T)[at]),
            X=X[mine],
            w=look.S.W[which[mine]] / look.S.spacing**2,
            path=paths[i],
            total=float(arc_length(Q)[-1]),
        )
        for t, count, half, arms in strip.marks():
            n = int(np.clip(round(t / NODE_MM), 0, len(Q) - 1))
            near = tree.query_ball_point(Q[n], OTHER_MM)
            if all(owner[m] == k for m in near):
                out.append(Mark(line=i, place=Q[n], count=count, half=half, arms=arms))
    return out


def without_marks(taken: Taken, paths: list[Path], marks: list[Mark]) -> Taken:
    """What was taken for what, without the strokes of match marks among the writing; strokes across
    a line that are no such marks are listed instead."""

    def on(group: list[int], m: Mark) -> bool:
        reach = max(m.arms) + m.half + NEAR_MM
        return all(np.linalg.norm(paths[i].points - m.place, axis=1).max() < reach for i in group)

    groups = [*taken.groups, *(("marks", [i]) for i, _, _ in taken.marks)]
    return replace(
        taken, groups=[(what, g) for what, g in groups if not any(on(g, m) for m in marks)]
    )


@dataclass(frozen=True, eq=False)
class _Strip:
    """The samples along one line: t mm along it, a mm aside, contrast X (fair), weight w."""

    t: NDArray[np.float64]
    a: NDArray[np.float64]
    X: Points
    w: NDArray[np.float64]
    path: Path
    total: float

    def marks(self) -> list[tuple[float, int, float, tuple[float, float]]]:
        """(where, strokes side by side, half the extent along the line, arms) of every tick."""
        n = int(self.total / CELL_MM) + 1
        if n < 2 or len(self.t) < 20:
            return []
        c = fair(self.path.contrast)
        q = self.X @ c / float(c @ c)
        impure = np.linalg.norm(self.X - q[:, None] * c, axis=1) / np.linalg.norm(c)
        q = np.where(impure > np.maximum(PURE, 0.7 * q), 0.0, np.clip(q, -0.2, 1.2))
        edge = 0.5 * float(np.clip(self.path.width, 1.5, 8.0)) + CLEAR_MM
        found = []
        for tilt in TILTS:
            t = self.t - self.a * tilt
            sides = [self._profile(t, q, s * self.a, edge, edge + ARM_MM, n) for s in (-1.0, 1.0)]
            for left in _stretches(sides[0]):
                for right in _stretches(sides[1]):
                    mark = self._mark(t, q, edge, sides, left, right)
                    if mark is not None:
                        found.append((_apart(left, right) + 4.0 * abs(tilt), mark))
        out: list[tuple[float, int, float, tuple[float, float]]] = []
        for _, mark in sorted(found, key=lambda f: (f[0], f[1][0])):
            if not any(abs(mark[0] - t) < half + 6.0 for t, _, half, _ in out):
                out.append(mark)
        return out

    def _profile(self, t, q, a, low: float, high: float, n: int) -> NDArray[np.float64]:
        """(n,) mean ink along the line of what lies from `low` to `high` mm aside of it."""
        ok = (a > low) & (a < high)
        cell = np.clip((t[ok] / CELL_MM + 0.5).astype(np.int64), 0, n - 1)
        top = np.bincount(cell, self.w[ok] * q[ok], minlength=n)
        bottom = np.bincount(cell, self.w[ok], minlength=n)
        top, bottom = (gaussian_filter1d(v, 0.9 / CELL_MM, mode="constant") for v in (top, bottom))
        return np.divide(top, bottom, out=np.zeros(n), where=bottom > 0.02)

    def _mark(self, t, q, edge: float, sides, left: tuple[int, int], right: tuple[int, int]):
        """The tick whose arms are these stretches of either side, None where they are none."""
        (a, b), (c, d) = left, right
        ends = CELL_MM * np.array([[a, b], [c, d]])
        middle, length = ends.mean(axis=1), ends[:, 1] - ends[:, 0]
        if abs(middle[1] - middle[0]) > ASIDE_MM or abs(length[1] - length[0]) > UNLIKE_MM:
            return None
        low, high = float(ends[:, 0].min()), float(ends[:, 1].max())
        if not self.path.closed and (low < END_MM or high > self.total - END_MM):
            return None
        arms, inked = [], []
        for (first, last), s, side in zip(ends, (-1.0, 1.0), sides, strict=True):
            inside = (t > first - 0.3) & (t < last + 0.3)
            arms.append(self._arm(inside, s * self.a, q, edge))
            # Between strokes side by side there is tape.
            core = inside & (side[np.clip((t / CELL_MM).astype(int), 0, len(side) - 1)] > INKED)
            out = s * self.a - edge
            inked.append(self._mean(q, core & (out > -0.3) & (out < max(0.8 * arms[-1], 1.2))))
        if min(arms) < LEAST_ARM_MM or max(arms) > MOST_ARM_MM or sum(arms) < LEAST_MM:
            return None
        # A crease or a shadow across the line is paler than the pen.
        if min(inked) < INKED or sum(inked) < 2.0 * CLEARLY:
            return None
        if min(arms) + edge < LEAST_ALIKE * (max(arms) + edge):
            return None
        count = 1 + round((float(length.mean()) - max(self.path.width, 2.5)) / STROKE_STEP_MM)
        for side, (first, last) in zip(sides, (left, right), strict=True):
            count = max(count, _peaks(side[first : last + 1]))
        return 0.5 * (low + high), int(np.clip(count, 1, 3)), 0.5 * (high - low), tuple(arms)

    def _arm(self, inside, out, q, edge: float) -> float:
        """How far the ink goes on beyond the line's edge, 0 where it does not end."""
        root = self._mean(q, inside & (out > edge) & (out < edge + ARM_MM))
        good = 0.0
        for s in np.arange(0.5, MOST_ARM_MM + 4.0, 0.5):
            here = self._mean(q, inside & (np.abs(out - edge - s) < 1.2), none=np.nan)
            if here > 0.5 * root:
                good = float(s)
            elif s > good + 3.5:
                break
        beyond = inside & (out > edge + good + 1.5) & (out < edge + good + 5.0)
        return good if self._mean(q, beyond) < BARE else 0.0

    def _mean(self, q, some, none: float = 0.0) -> float:
        total = float(self.w[some].sum())
        return float((self.w * q)[some].sum() / total) if total > 0.1 else none


def _stretches(profile: NDArray[np.float64]) -> list[tuple[int, int]]:
    """Where a profile shows ink (first, last cell), strokes side by side as one, none too wide."""
    on = np.concatenate([[False], profile > FOOT, [False]])
    first, last = np.flatnonzero(on[1:] & ~on[:-1]), np.flatnonzero(on[:-1] & ~on[1:]) - 1
    out: list[tuple[int, int]] = []
    for a, b in zip(first.tolist(), last.tolist(), strict=True):
        if out and (a - out[-1][1]) * CELL_MM < BETWEEN_MM:
            out[-1] = (out[-1][0], b)
        else:
            out.append((a, b))
    return [
        (a, b)
        for a, b in out
        if (b - a) * CELL_MM < WIDEST_MM and float(profile[a : b + 1].max()) > INKED
    ]


def _apart(left: tuple[int, int], right: tuple[int, int]) -> float:
    """How far two stretches begin and end from each other, mm."""
    return CELL_MM * float(abs(left[0] - right[0]) + abs(left[1] - right[1]))


def _peaks(profile: NDArray[np.float64]) -> int:
    """Strokes told apart along a profile: peaks with a clear dip between."""
    count, top, dip = 1, float(profile[0]), np.inf
    for value in profile[1:].tolist():
        if value > top and dip == np.inf:
            top = value
        dip = min(dip, value) if value < 0.75 * top or dip < np.inf else dip
        if dip < 0.75 * top and value > dip / 0.75 and value > INKED:
            count, top, dip = count + 1, value, np.inf
    return count
