"""How well lines that were read agree with the lines that were drawn."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

ASIDE = ("writing", "tick")  # drawn, but no lines


@dataclass(frozen=True)
class Score:
    """recovered, worst_line : shares of drawn length found within 2.5 mm; false : share of what
    was found that is farther than 4 mm from any line; median, p95 : mm
    kinds_right, inks_right : shares of what was recovered whose kind is right, and whose ink is
    the one that most of that pen's length got (and no other pen's)
    overshoot : mm that a line runs on past the line or rim where it was drawn to end
    ticks : (found where drawn, drawn, found elsewhere)
    """

    recovered: float
    worst_line: float
    false: float
    median: float
    p95: float
    kinds_right: float
    inks_right: float
    closed_right: bool
    overshoot: float
    ticks: tuple[int, int, int]
    by_line: dict

    def __str__(self):
        return (
            f"recovered {100 * self.recovered:6.2f} % (worst line {100 * self.worst_line:5.1f})  "
            f"false {100 * self.false:5.2f} %  median {self.median:.3f}  p95 {self.p95:.3f}  "
            f"kinds {100 * self.kinds_right:5.1f} %  inks {100 * self.inks_right:5.1f} %  closed "
            f"{self.closed_right}  past {self.overshoot:.1f} mm  ticks {self.ticks}"
        )


def _dense(points, closed, step=0.5):
    q = np.vstack([points, points[:1]]) if closed else np.asarray(points)
    d = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(q, axis=0), axis=1))])
    t = np.arange(0, d[-1] + 1e-9, step)
    return np.column_stack([np.interp(t, d, q[:, i]) for i in range(3)])


def _led_on(T):
    """Drawn ends that stop short of another line, led on to it: that is where they are to end."""
    out = []
    for i, p in enumerate(T):
        others = [q for j, q in enumerate(T) if j != i]
        if len(p) < 20 or not others:
            continue
        others = np.vstack(others)
        for tip, inner in ((p[0], p[12]), (p[-1], p[-13])):
            way = (tip - inner) / np.linalg.norm(tip - inner)
            ahead = (others - tip) @ way
            aside = np.linalg.norm(others - tip - ahead[:, None] * way, axis=1)
            ok = (ahead > 0) & (ahead < 16.0) & (aside < 0.3 * ahead + 0.5)
            if ok.any():
                to = others[ok][ahead[ok].argmin()]
                out.append(tip + np.linspace(0, 1, 33)[:, None] * (to - tip))
    return out


def _overshoot(T, L, strokes):
    """The farthest that found points lie past a drawn end, straight ahead, off all lines.

    An end drawn short of the line it aims at counts as drawn up to there.
    """
    worst, found, tree = 0.0, cKDTree(L), cKDTree(np.vstack([*T, *_led_on(T)]))
    for p, s in zip(T, strokes, strict=True):
        if s.closed or s.dash is not None or len(p) < 20:
            continue
        for tip, inner in ((p[0], p[12]), (p[-1], p[-13])):
            way = (tip - inner) / np.linalg.norm(tip - inner)
            near = L[found.query_ball_point(tip, 12.0)]
            if len(near) == 0:
                continue
            ahead = (near - tip) @ way
            aside = np.linalg.norm(near - tip - ahead[:, None] * way, axis=1)
            near = near[(ahead > 0) & (aside < 0.5 * ahead + 1.0)]
            if len(near):
                worst = max(worst, float(tree.query(near)[0].max()))
    return worst


def score(found, truth, to_mm, marks=()):
    """found : lines with points, kind, closed, ink; truth : strokes; marks : ticks that were read.

    All in the scan's numbers. Strokes of kind "writing" or "tick" are no lines; what lies over
    them counts as false.
    """
    real = [s for s in truth if s.kind not in ASIDE]
    T = [_dense(np.asarray(s.points) * to_mm, s.closed) for s in real]
    L = [_dense(np.asarray(x.points) * to_mm, x.closed) for x in found]
    at = [np.asarray(s.points[len(s.points) // 2]) * to_mm for s in truth if s.kind == "tick"]
    seen = [np.asarray(m.at) * to_mm for m in marks]
    hits = [k for k, p in enumerate(at) if any(np.linalg.norm(p - q) < 6 for q in seen)]
    astray = sum(not any(np.linalg.norm(p - q) < 6 for p in at) for q in seen)
    ticks = (len(hits), len(at), astray)
    if not L:
        return Score(0, 0, 0, np.nan, np.nan, 0, 0, False, 0, ticks, {})
    allT, allL = np.vstack(T), np.vstack(L)
    owner = np.concatenate([np.full(len(p), i) for i, p in enumerate(L)])
    tree_t = cKDTree(allT)
    dist_t, near = cKDTree(allL).query(allT)
    dist_l, _ = tree_t.query(allL)
    start = np.concatenate([[0], np.cumsum([len(p) for p in T])])
    by_line, right, closed_right = {}, 0, True
    votes: dict[tuple, dict] = {}
    for i, s in enumerate(real):
        d = dist_t[start[i] : start[i + 1]]
        ok = d <= 2.5
        by_line[s.name] = float(ok.mean())
        owners = owner[near[start[i] : start[i + 1]][ok]]
        kinds = np.array([found[o].kind == s.kind for o in owners], bool)
        right += kinds.sum()
        vote = votes.setdefault(tuple(s.ink), {})
        for o in owners:
            vote[found[o].ink] = vote.get(found[o].ink, 0) + 1
        if s.closed:
            closed_right &= bool(len(owners)) and any(found[o].closed for o in np.unique(owners))
    # Pens with most length choose their ink first; no two pens share one.
    spent, same = set(), 0
    for vote in sorted(votes.values(), key=lambda v: -sum(v.values())):
        free = {k: n for k, n in vote.items() if k not in spent}
        if free:
            best = max(free, key=lambda k: free[k])
            same += free[best]
            spent.add(best)
    near_l = dist_l[dist_l <= 4]
    hit = max((dist_t <= 2.5).sum(), 1)
    return Score(
        recovered=float((dist_t <= 2.5).mean()),
        worst_line=min(by_line.values()),
        false=float((dist_l > 4).mean()),
        median=float(np.median(near_l)) if len(near_l) else np.nan,
        p95=float(np.percentile(near_l, 95)) if len(near_l) else np.nan,
        kinds_right=float(right / hit),
        inks_right=float(same / hit),
        closed_right=closed_right,
        overshoot=_overshoot(T, allL, real),
        ticks=ticks,
        by_line=by_line,
    )
