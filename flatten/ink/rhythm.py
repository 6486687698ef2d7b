"""Ink and gaps in turn along a curve: how even they are, and where each begins and ends."""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

CELL_MM = 0.75
INK_MM = np.array([4.0, 5.0, 6.0, 7.5, 9.0, 10.5, 12.0, 14.0, 16.0])
GAP_MM = np.array([2.5, 3.5, 4.5, 6.0, 7.5, 9.0, 10.5, 12.0])
LONGEST_INK_MM = 18.0
UNEVEN = 0.18  # one deviation of a run's length by hand, as a share of it
UNEVEN_MM = 0.7
LEAST, MOST = 0.55, 1.6  # times the usual length of a run
PRIOR = 0.2  # what one deviation costs, in samples that do not fit


@dataclass(frozen=True, eq=False, kw_only=True)
class Rhythm:
    """runs : (r, 2) from and to of every stretch of ink, mm along the curve
    explained : share of the variance of ink along the curve that the runs account for
    ink : (r,) how inked each is, 1 for all of it; bare : (r - 1,) how inked the gaps between are;
        nan where no sample lies
    """

    runs: NDArray[np.float64]
    explained: float
    ink: NDArray[np.float64]
    bare: NDArray[np.float64]


@njit(cache=True)
def _segment(ink, bare, inks, gaps, uneven, cell):  # pragma: no cover - compiled
    """The boundaries of runs, ink first and last, of the pair of usual lengths that fits best.

    ink, bare : (n + 1,) running cost of calling the cells before each boundary ink or bare
    """
    n = ink.shape[0] - 1
    best = np.inf
    out = np.zeros(n + 2, dtype=np.int64)
    size = 0
    cost = np.empty((2, n + 1))
    back = np.empty((2, n + 1), dtype=np.int64)
    for a in range(inks.shape[0]):
        for b in range(gaps.shape[0]):
            cost[:] = np.inf
            back[:] = -1
            for j in range(1, n + 1):
                for state in range(2):
                    usual = inks[a] if state == 0 else gaps[b]
                    spread = uneven * usual + UNEVEN_MM
                    low, high = int(np.ceil(LEAST * usual / cell)), int(MOST * usual / cell)
                    whole = ink if state == 0 else bare
                    for step in range(low, min(high, j) + 1):
                        i = j - step
                        if i > 0 and cost[1 - state, i] == np.inf:
                            continue
                        if i == 0 and state == 1:
                            continue
                        off = (step * cell - usual) / spread
                        # The first and the last dash may be cut short.
                        if state == 0 and off < 0.0 and (i == 0 or j == n):
                            off = 0.0
                        c = whole[j] - whole[i] + PRIOR * off * off
                        if i > 0:
                            c += cost[1 - state, i]
                        if c < cost[state, j]:
                            cost[state, j] = c
                            back[state, j] = i
                    if state == 0 and j < low:
                        # A first dash shorter than any whole one.
                        c = ink[j]
                        if c < cost[0, j]:
                            cost[0, j] = c
                            back[0, j] = 0
            if cost[0, n] < best:
                best = cost[0, n]
                size = 0
                j, state = n, 0
                while j > 0:
                    out[size] = j
                    size += 1
                    j = back[state, j]
                    state = 1 - state
                out[size] = 0
                size += 1
    return out[:size]


def is_even(pieces: list[float]) -> bool:
    """Whether ink and gaps in turn are dashes: at least four, all about alike.

    One dash in a row may be missing; a gap as wide as a dash and the gaps beside it is taken so.
    """
    ink, gap = np.array(pieces[0::2]), np.array(pieces[1::2])
    if len(ink) < 4:
        return False
    lost = gap > 1.6 * np.median(gap)
    if lost.sum() == 1 and len(gap) > 3:
        whole = 2.0 * np.median(gap) + np.median(ink)
        if abs(float(gap[lost][0]) - whole) < 0.3 * whole:
            gap = gap[~lost]
    inner = ink[1:-1] if len(ink) > 4 else ink
    even = all(np.std(x) < 0.3 * np.mean(x) + 1.5 for x in (inner, gap))
    share = gap.sum() / (gap.sum() + ink.sum())
    return bool(even and 0.15 < share < 0.8 and np.median(inner) < LONGEST_INK_MM)


def rhythm_of(
    t: NDArray[np.float64],
    q: NDArray[np.float64],
    g: NDArray[np.float64],
    w: NDArray[np.float64],
    total: float,
) -> Rhythm | None:
    """Dashes and gaps along a curve `total` mm long, None where no even ones fit.

    t : (k,) mm along the curve; q : (k,) ink there, 0 for bare tape and 1 for all of it; g : (k,)
    the ink that a pen going on without gaps would leave there; w : (k,) how much each counts, 1
    for a whole sample
    """
    n = int(total / CELL_MM)
    if n < 12 or len(t) < 12:
        return None
    cell = np.clip((t / CELL_MM).astype(np.int64), 0, n - 1)
    q = np.clip(q, -0.2, 1.1)
    ink, bare = (
        np.concatenate([[0.0], np.cumsum(np.bincount(cell, w * (q - v) ** 2, minlength=n))])
        for v in (g, np.zeros(len(g)))
    )
    cuts = _segment(ink, bare, INK_MM, GAP_MM, UNEVEN, CELL_MM)[::-1]
    if len(cuts) < 4:
        return None
    on = np.arange(len(cuts) - 1) % 2 == 0
    run = np.clip(np.searchsorted(cuts, cell, side="right") - 1, 0, len(on) - 1)
    weight = np.bincount(run, w * g * g, minlength=len(on))
    mean = np.full(len(on), np.nan)
    np.divide(np.bincount(run, w * g * q, minlength=len(on)), weight, out=mean, where=weight > 0.2)
    # Held against a line without gaps, however pale it may be.
    whole = (w * (q - g * float((w * g * q).sum() / (w * g * g).sum())) ** 2).sum()
    left = (w * (q - g * on[run]) ** 2).sum()
    edges = CELL_MM * cuts.astype(np.float64)
    return Rhythm(
        runs=np.column_stack([edges[:-1], edges[1:]])[on],
        explained=1.0 - float(left / max(whole, 1e-9)),
        ink=mean[on],
        bare=mean[~on],
    )
