"""Elimination order of a sparse symmetric matrix by nested dissection, and what it fills in.

The unknowns lie at points, so that planes across the longest side of the points' box make good
separators (George, Nested Dissection of a Regular Finite Element Mesh, SIAM J. Numer. Anal. 10,
1973). Separators and small leaves are the supernodes of a multifrontal factorisation (Liu, The
Multifrontal Method for Sparse Matrix Solution, SIAM Review 34, 1992).
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.geometry.both import in_two
from flatten.geometry.elimination import fill_in, places, stack_need, work_order
from flatten.geometry.space import inner

Ints = NDArray[np.int64]
LEAF = 16


@dataclass(frozen=True, eq=False, kw_only=True)
class Pattern:
    """Where the factor of a matrix has entries, at the level of whole unknowns (say vertices).

    position : (n,) place of each unknown in the elimination order
    first : (s + 1,) supernode t eliminates positions first[t] to first[t + 1]
    row_start, rows : supernode t's further rows are rows[row_start[t] : row_start[t + 1]]
    relative : where each of those rows lies in the parent's front
    parent : (s,) supernode that takes t's update, -1 for a root
    panel_start : (s + 1,) where t's column panel starts, in entries
    order : (s,) supernodes in the order they are worked off, cut into `chunks` (start, end):
        all but the last chunk are independent of each other
    child_start, children : children of every supernode
    stack : (chunks,) entries that the update matrices of each chunk need
    edges : (e, 2) the off-diagonal entries given to `analyse`
    diagonal : (n, 4) the diagonal blocks' column and row in their panel, the panel's height and start
    edge : (e, 5) the same for the off-diagonal blocks, then which end of the edge is the column
    """

    position: Ints
    first: Ints
    row_start: Ints
    rows: Ints
    relative: Ints
    parent: Ints
    panel_start: Ints
    order: Ints
    chunks: tuple[tuple[int, int], ...]
    child_start: Ints
    children: Ints
    stack: Ints
    edges: Ints
    diagonal: Ints
    edge: Ints

    @property
    def size(self) -> int:
        return len(self.position)

    @property
    def entries(self) -> int:
        """Entries of the factor with one number an unknown."""
        return int(self.panel_start[-1])


@njit(cache=True)
def _neighbours(n: int, edges: Ints) -> tuple[Ints, Ints]:
    start = np.zeros(n + 1, np.int64)
    for e in range(len(edges)):
        start[edges[e, 0] + 1] += 1
        start[edges[e, 1] + 1] += 1
    for v in range(n):
        start[v + 1] += start[v]
    fill = start[:-1].copy()
    other = np.empty(start[n], np.int64)
    for e in range(len(edges)):
        a, b = edges[e, 0], edges[e, 1]
        other[fill[a]] = b
        fill[a] += 1
        other[fill[b]] = a
        fill[b] += 1
    return start, other


@inner
def _select(key: NDArray[np.float64], items: Ints, low: int, high: int, k: int) -> None:
    """Reorders items[low:high] and their keys: the k-th in place, smaller before, larger after."""
    high -= 1
    while high > low:
        middle = key[(low + high) // 2]
        i, j = low, high
        while i <= j:
            while key[i] < middle:
                i += 1
            while key[j] > middle:
                j -= 1
            if i <= j:
                items[i], items[j] = items[j], items[i]
                key[i], key[j] = key[j], key[i]
                i += 1
                j -= 1
        if k <= j:
            high = j
        elif k >= i:
            low = i
        else:
            return


@njit(cache=True, nogil=True)
def _dissect(
    start: Ints, other: Ints, points: NDArray[np.float64], items: Ints, begin: int, end: int,
    leaf: int, side: Ints, mark: int,
) -> Ints:  # fmt: skip
    """Orders items[begin:end] in place by nested dissection; returns where supernodes start.

    side : (n,) marks of the halves, each used once, from `mark` up; jobs on other items at the
        same time must use other marks
    """
    n, dim = points.shape
    key, touches = np.empty(n, np.float64), np.empty(n, np.bool_)
    least, most = np.empty(dim), np.empty(dim)
    scratch = np.empty(end - begin, np.int64)
    begins = np.zeros(end - begin + 1, np.int64)
    count = 0
    todo_low, todo_high = np.empty(256, np.int64), np.empty(256, np.int64)
    todo_low[0], todo_high[0] = begin, end
    depth = 1
    while depth > 0:
        depth -= 1
        low, high = todo_low[depth], todo_high[depth]
        if high <= low:
            continue
        if high - low <= leaf:
            begins[count] = low
            count += 1
            continue
        for d in range(dim):
            least[d] = most[d] = points[items[low], d]
        for i in range(low + 1, high):
            for d in range(dim):
                x = points[items[i], d]
                if x < least[d]:
                    least[d] = x
                elif x > most[d]:
                    most[d] = x
        axis = 0
        for d in range(1, dim):
            if most[d] - least[d] > most[axis] - least[axis]:
                axis = d
        for i in range(low, high):
            key[i] = points[items[i], axis]
        half = (low + high) // 2
        _select(key, items, low, high, half)
        mark += 2
        for i in range(low, high):
            side[items[i]] = mark if i < half else mark + 1
        lower, upper = 0, 0
        for i in range(low, high):
            v = items[i]
            facing = (mark + 1) if i < half else mark
            touches[i] = False
            for a in range(start[v], start[v + 1]):
                if side[other[a]] == facing:
                    touches[i] = True
                    if i < half:
                        lower += 1
                    else:
                        upper += 1
                    break
        from_low = lower <= upper
        taken = 0
        low_end, high_end = (low, half) if from_low else (half, high)
        kept = low_end
        for i in range(low_end, high_end):
            if touches[i]:
                scratch[taken] = items[i]
                taken += 1
            else:
                items[kept] = items[i]
                kept += 1
        if from_low:
            # The upper half moves down over the separator's places, the separator goes last.
            for i in range(half, high):
                items[i - taken] = items[i]
            split = kept
        else:
            split = half
        for i in range(taken):
            items[high - taken + i] = scratch[i]
            side[scratch[i]] = 0
        if taken > 0:
            begins[count] = high - taken
            count += 1
        todo_low[depth], todo_high[depth] = low, split
        todo_low[depth + 1], todo_high[depth + 1] = split, high - taken
        depth += 2
    return begins[:count]


def _halves(
    start: Ints, other: Ints, points: NDArray[np.float64], items: Ints, free: int, leaf: int
) -> Ints:
    """Orders items[:free] in place; returns where supernodes start, ascending."""
    side = np.zeros(len(points), dtype=np.int64)
    if free < 2000:
        return np.sort(_dissect(start, other, points, items, 0, free, leaf, side, 1))
    # One cut, then both halves at once.
    cut = np.sort(_dissect(start, other, points, items, 0, free, (free + 1) // 2, side, 1))
    ends = np.append(cut, free)
    found: list[Ints] = [cut[2:], cut[2:]]

    def work(i: int) -> None:
        low, high = int(ends[i]), int(ends[i + 1])
        # Far more marks than there are cuts.
        mark = (i + 1) * 4 * len(points)
        begins = _dissect(start, other, points, items, low, high, leaf, side, mark)
        found[i] = np.sort(begins)

    in_two(lambda: work(0), lambda: work(1))
    return np.concatenate([*found, cut[2:]])


def analyse(
    edges: NDArray[np.integer],
    points: NDArray[np.float64],
    *,
    last: NDArray[np.integer] | None = None,
    leaf: int = LEAF,
) -> Pattern:
    """Order and fill of a symmetric matrix with an off-diagonal entry for each edge.

    Parameters
    ----------
    edges : (e, 2) pairs of different unknowns, each pair once
    points : (n, d) a place for every unknown, only used to find separators
    last : unknowns to be eliminated last, together (their Schur complement is then one front)
    """
    edges = np.array(edges, dtype=np.int64, order="C").reshape(-1, 2)
    points = np.array(points, dtype=np.float64, order="C")  # a copy: records are read-only
    n = len(points)
    start, other = _neighbours(n, edges)
    items = np.arange(n, dtype=np.int64)
    free = n
    if last is not None and len(last):
        late = np.zeros(n, dtype=bool)
        late[last] = True
        items = np.concatenate([items[~late], np.asarray(last, dtype=np.int64)])
        free = n - len(last)
    first = _halves(start, other, points, items, free, leaf)
    first = np.concatenate([first, [free] if free < n else [], [n]]).astype(np.int64)
    position = np.empty(n, dtype=np.int64)
    position[items] = np.arange(n)
    row_start, rows, relative, parent = fill_in(start, other, items, position, first)
    width, further = np.diff(first), np.diff(row_start)
    panel_start = np.concatenate([[0], np.cumsum(width * (width + further))])
    has = np.flatnonzero(parent >= 0)
    children = has[np.argsort(parent[has], kind="stable")].astype(np.int64)
    child_start = np.searchsorted(parent[children], np.arange(len(parent) + 1)).astype(np.int64)
    tall = (width + further).astype(np.float64)
    order, ends = work_order(parent, child_start, children, width * tall**2)
    bounds = [0, *ends.tolist()]
    chunks = tuple(pairwise(bounds))
    stack = []
    for low, high in chunks:
        inside = np.zeros(len(parent), dtype=bool)
        inside[order[low:high]] = True
        stack.append(stack_need(order, low, high, inside, child_start, children, further))
    diagonal, edge = places(position, first, row_start, rows, panel_start, edges)
    return Pattern(
        position=position, first=first, row_start=row_start, rows=rows, relative=relative,
        parent=parent, panel_start=panel_start, order=order, chunks=chunks,
        child_start=child_start, children=children, stack=np.array(stack, dtype=np.int64),
        edges=edges, diagonal=diagonal, edge=edge,
    )  # fmt: skip
