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

Ints = NDArray[np.int64]
LEAF = 10


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


@njit(cache=True)
def _select(key: NDArray[np.float64], items: Ints, low: int, high: int, k: int) -> None:
    """Reorders items[low:high] so that the k-th by key is in place, smaller before, larger after."""
    high -= 1
    while high > low:
        middle = key[items[(low + high) // 2]]
        i, j = low, high
        while i <= j:
            while key[items[i]] < middle:
                i += 1
            while key[items[j]] > middle:
                j -= 1
            if i <= j:
                items[i], items[j] = items[j], items[i]
                i += 1
                j -= 1
        if k <= j:
            high = j
        elif k >= i:
            low = i
        else:
            return


@njit(cache=True)
def _dissect(
    start: Ints, other: Ints, points: NDArray[np.float64], items: Ints, free: int, leaf: int
) -> Ints:
    """Orders items[:free] in place by nested dissection; returns where supernodes start.

    items[free:] are kept last, as one supernode.
    """
    n, dim = points.shape
    side = np.zeros(n, np.int64)
    key = np.empty(n, np.float64)
    scratch = np.empty(n, np.int64)
    begins = np.zeros(n + 2, np.int64)
    count = 0
    todo_low, todo_high = np.empty(256, np.int64), np.empty(256, np.int64)
    todo_low[0], todo_high[0] = 0, free
    depth = 1
    mark = 0
    while depth > 0:
        depth -= 1
        low, high = todo_low[depth], todo_high[depth]
        if high <= low:
            continue
        if high - low <= leaf:
            begins[count] = low
            count += 1
            continue
        best, axis = -1.0, 0
        for d in range(dim):
            least, most = np.inf, -np.inf
            for i in range(low, high):
                x = points[items[i], d]
                least, most = min(least, x), max(most, x)
            if most - least > best:
                best, axis = most - least, d
        for i in range(low, high):
            key[items[i]] = points[items[i], axis]
        half = (low + high) // 2
        _select(key, items, low, high, half)
        mark += 2
        for i in range(low, high):
            side[items[i]] = mark if i < half else mark + 1
        lower, upper = 0, 0
        for i in range(low, high):
            v = items[i]
            facing = (mark + 1) if i < half else mark
            for a in range(start[v], start[v + 1]):
                if side[other[a]] == facing:
                    if i < half:
                        lower += 1
                    else:
                        upper += 1
                    break
        from_low = lower <= upper
        taken, kept = 0, low
        begin, end = (low, half) if from_low else (half, high)
        facing = mark + 1 if from_low else mark
        kept = begin
        for i in range(begin, end):
            v = items[i]
            touches = False
            for a in range(start[v], start[v + 1]):
                if side[other[a]] == facing:
                    touches = True
                    break
            if touches:
                scratch[taken] = v
                taken += 1
            else:
                items[kept] = v
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
    if free < n:
        begins[count] = free
        count += 1
    found = np.sort(begins[:count])
    return np.append(found, n)


@njit(cache=True)
def _fill_in(start: Ints, other: Ints, items: Ints, position: Ints, first: Ints):
    """Further rows of every supernode, its parent, and the rows' places in the parent's front."""
    n, s = len(items), len(first) - 1
    owner = np.empty(n, np.int64)
    for t in range(s):
        owner[first[t] : first[t + 1]] = t
    parent = np.full(s, -1, np.int64)
    head, following = np.full(s, -1, np.int64), np.full(s, -1, np.int64)
    row_start = np.zeros(s + 1, np.int64)
    rows = np.empty(16 * n + 64, np.int64)
    stamp = np.full(n, -1, np.int64)
    size = 0
    for t in range(s):
        begin = size
        end = first[t + 1]
        for p in range(first[t], end):
            v = items[p]
            for a in range(start[v], start[v + 1]):
                q = position[other[a]]
                if q >= end and stamp[q] != t:
                    stamp[q] = t
                    if size == len(rows):
                        rows = np.concatenate((rows, np.empty_like(rows)))
                    rows[size] = q
                    size += 1
        c = head[t]
        while c >= 0:
            for a in range(row_start[c], row_start[c + 1]):
                q = rows[a]
                if q >= end and stamp[q] != t:
                    stamp[q] = t
                    if size == len(rows):
                        rows = np.concatenate((rows, np.empty_like(rows)))
                    rows[size] = q
                    size += 1
            c = following[c]
        row_start[t + 1] = size
        if size > begin:
            rows[begin:size] = np.sort(rows[begin:size])
            p = owner[rows[begin]]
            parent[t] = p
            following[t] = head[p]
            head[p] = t
    rows = rows[:size].copy()
    relative = np.empty(size, np.int64)
    for t in range(s):
        p = parent[t]
        if p < 0:
            continue
        at = row_start[p]
        for a in range(row_start[t], row_start[t + 1]):
            q = rows[a]
            if q < first[p + 1]:
                relative[a] = q - first[p]
            else:
                while rows[at] != q:
                    at += 1
                relative[a] = first[p + 1] - first[p] + at - row_start[p]
    return row_start, rows, relative, parent


@njit(cache=True)
def _work_order(parent: Ints, child_start: Ints, children: Ints, work: NDArray[np.float64]):
    """A postorder whose first two chunks are independent and about equal, the rest last.

    Returns the order and the three chunks' ends.
    """
    s = len(parent)
    below = work.copy()
    for t in range(s):
        if parent[t] >= 0:
            below[parent[t]] += below[t]
    total = 0.0
    roots = np.empty(s, np.int64)
    count = 0
    for t in range(s):
        if parent[t] < 0:
            total += below[t]
            roots[count] = t
            count += 1
    # The heaviest subtree is opened until none outweighs a sixteenth of the whole.
    top = np.zeros(s, np.bool_)
    while count > 0:
        heavy = 0
        for i in range(1, count):
            if below[roots[i]] > below[roots[heavy]]:
                heavy = i
        t = roots[heavy]
        if below[t] * 16 <= total or child_start[t] == child_start[t + 1]:
            break
        top[t] = True
        count -= 1
        roots[heavy] = roots[count]
        for a in range(child_start[t], child_start[t + 1]):
            roots[count] = children[a]
            count += 1
    bins = np.zeros(2)
    which = np.zeros(count, np.int64)
    sequence = np.argsort(-below[roots[:count]])
    for i in sequence:
        b = 0 if bins[0] <= bins[1] else 1
        which[i] = b
        bins[b] += below[roots[i]]
    order = np.empty(s, np.int64)
    ends = np.zeros(3, np.int64)
    at = 0
    stack = np.empty(s + 1, np.int64)
    for b in range(2):
        for i in range(count):
            if which[i] != b:
                continue
            # Children before parents: a preorder written backwards.
            depth, begin = 1, at
            stack[0] = roots[i]
            while depth > 0:
                depth -= 1
                t = stack[depth]
                order[at] = t
                at += 1
                for a in range(child_start[t], child_start[t + 1]):
                    stack[depth] = children[a]
                    depth += 1
            order[begin:at] = order[begin:at][::-1].copy()
        ends[b] = at
    begin = at
    for root in range(s):
        if parent[root] >= 0 or not top[root]:
            continue
        mine = at
        depth = 1
        stack[0] = root
        while depth > 0:
            depth -= 1
            t = stack[depth]
            order[at] = t
            at += 1
            for a in range(child_start[t], child_start[t + 1]):
                if top[children[a]]:
                    stack[depth] = children[a]
                    depth += 1
        order[mine:at] = order[mine:at][::-1].copy()
    ends[2] = at
    return order, ends


@njit(cache=True)
def _stack_need(
    order: Ints, low: int, high: int, inside: NDArray[np.bool_], child_start: Ints, children: Ints,
    height: Ints,
):  # fmt: skip
    """Entries the update matrices of order[low:high] need at most, worked off as a stack."""
    top, most = 0, 0
    for i in range(low, high):
        t = order[i]
        own = height[t] * height[t]
        most = max(most, top + own)
        for a in range(child_start[t], child_start[t + 1]):
            if inside[children[a]]:
                top -= height[children[a]] * height[children[a]]
        top += own
    return most


@njit(cache=True)
def _places(
    position: Ints, first: Ints, row_start: Ints, rows: Ints, panel_start: Ints, edges: Ints
):
    """Where each diagonal and edge block lies: column, row, height and start of its panel."""
    n, s, m = len(position), len(first) - 1, len(edges)
    owner = np.empty(n, np.int64)
    for t in range(s):
        owner[first[t] : first[t + 1]] = t
    diagonal = np.empty((n, 4), np.int64)
    for v in range(n):
        t = owner[position[v]]
        width = first[t + 1] - first[t]
        c = position[v] - first[t]
        diagonal[v, 0] = c
        diagonal[v, 1] = c
        diagonal[v, 2] = width + row_start[t + 1] - row_start[t]
        diagonal[v, 3] = panel_start[t]
    edge = np.empty((m, 5), np.int64)
    for e in range(m):
        p, q = position[edges[e, 0]], position[edges[e, 1]]
        edge[e, 4] = 0 if p < q else 1
        p, q = min(p, q), max(p, q)
        t = owner[p]
        width = first[t + 1] - first[t]
        edge[e, 0] = p - first[t]
        if q < first[t + 1]:
            edge[e, 1] = q - first[t]
        else:
            mine = rows[row_start[t] : row_start[t + 1]]
            edge[e, 1] = width + np.searchsorted(mine, q)
        edge[e, 2] = width + row_start[t + 1] - row_start[t]
        edge[e, 3] = panel_start[t]
    return diagonal, edge


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
    edges = np.ascontiguousarray(edges, dtype=np.int64).reshape(-1, 2)
    points = np.ascontiguousarray(points, dtype=np.float64)
    n = len(points)
    start, other = _neighbours(n, edges)
    items = np.arange(n, dtype=np.int64)
    free = n
    if last is not None and len(last):
        late = np.zeros(n, dtype=bool)
        late[last] = True
        items = np.concatenate([items[~late], np.asarray(last, dtype=np.int64)])
        free = n - len(last)
    first = _dissect(start, other, points, items, free, leaf)
    position = np.empty(n, dtype=np.int64)
    position[items] = np.arange(n)
    row_start, rows, relative, parent = _fill_in(start, other, items, position, first)
    width, further = np.diff(first), np.diff(row_start)
    panel_start = np.concatenate([[0], np.cumsum(width * (width + further))])
    has = np.flatnonzero(parent >= 0)
    children = has[np.argsort(parent[has], kind="stable")].astype(np.int64)
    child_start = np.searchsorted(parent[children], np.arange(len(parent) + 1)).astype(np.int64)
    tall = (width + further).astype(np.float64)
    order, ends = _work_order(parent, child_start, children, width * tall**2)
    bounds = [0, *ends.tolist()]
    chunks = tuple(pairwise(bounds))
    stack = []
    for low, high in chunks:
        inside = np.zeros(len(parent), dtype=bool)
        inside[order[low:high]] = True
        stack.append(_stack_need(order, low, high, inside, child_start, children, further))
    diagonal, edge = _places(position, first, row_start, rows, panel_start, edges)
    return Pattern(
        position=position, first=first, row_start=row_start, rows=rows, relative=relative,
        parent=parent, panel_start=panel_start, order=order, chunks=chunks,
        child_start=child_start, children=children, stack=np.array(stack, dtype=np.int64),
        edges=edges, diagonal=diagonal, edge=edge,
    )  # fmt: skip
