"""How well lines that were read agree with the lines that were drawn."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree


@dataclass(frozen=True)
class Score:
    recovered: float
    worst_line: float
    false: float
    median: float
    p95: float
    found_mm: float
    kinds_right: float
    closed_right: bool
    overshoot: float
    by_line: dict

    def __str__(self):
        return (
            f"recovered {100 * self.recovered:6.2f} % (worst line {100 * self.worst_line:5.1f})  "
            f"false {100 * self.false:5.2f} %  median {self.median:.3f}  p95 {self.p95:.3f}  "
            f"kinds {100 * self.kinds_right:5.1f} %  closed {self.closed_right}"
        )


def _dense(points, closed, step=0.5):
    q = np.vstack([points, points[:1]]) if closed else np.asarray(points)
    d = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(q, axis=0), axis=1))])
    t = np.arange(0, d[-1] + 1e-9, step)
    return np.column_stack([np.interp(t, d, q[:, i]) for i in range(3)])


def score(found, truth, to_mm):
    """found : lines with points, kind, closed; truth : strokes. Both in the scan's numbers.

    Strokes of kind "writing" or "tick" are not to be found; what lies over them counts as false.
    """
    real = [s for s in truth if s.kind not in ("writing", "tick")]
    T = [_dense(np.asarray(s.points) * to_mm, s.closed) for s in real]
    L = [_dense(np.asarray(x.points) * to_mm, x.closed) for x in found]
    if not L:
        return Score(0, 0, 0, np.nan, np.nan, 0, 0, False, 0, {})
    allT, allL = np.vstack(T), np.vstack(L)
    owner = np.concatenate([np.full(len(p), i) for i, p in enumerate(L)])
    tree_t = cKDTree(allT)
    dist_t, near = cKDTree(allL).query(allT)
    dist_l, _ = tree_t.query(allL)
    start = np.concatenate([[0], np.cumsum([len(p) for p in T])])
    by_line, right, closed_right = {}, 0, True
    for i, s in enumerate(real):
        d = dist_t[start[i] : start[i + 1]]
        ok = d <= 2.5
        by_line[s.name] = float(ok.mean())
        owners = owner[near[start[i] : start[i + 1]][ok]]
        kinds = np.array([found[o].kind == s.kind for o in owners], bool)
        right += kinds.sum()
        if s.closed:
            closed_right &= bool(len(owners)) and any(found[o].closed for o in np.unique(owners))
    near_l = dist_l[dist_l <= 4]
    return Score(
        recovered=float((dist_t <= 2.5).mean()),
        worst_line=min(by_line.values()),
        false=float((dist_l > 4).mean()),
        median=float(np.median(near_l)),
        p95=float(np.percentile(near_l, 95)),
        found_mm=0.5 * len(allL),
        kinds_right=float(right / max((dist_t <= 2.5).sum(), 1)),
        closed_right=closed_right,
        overshoot=0.0,
        by_line=by_line,
    )
