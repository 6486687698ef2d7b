"""What an elimination order fills in: rows of every supernode, their tree, places of entries.

Liu, The Role of Elimination Trees in Sparse Factorization, SIAM J. Matrix Anal. Appl. 11, 1990.
Plain loops over integer arrays; the arrays are those of `flatten.geometry.dissection.Pattern`.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.geometry.space import inner

Ints = NDArray[np.int64]
Int = int | np.integer


@inner
def _longer(rows: Ints) -> Ints:
    longer = np.empty(2 * len(rows), np.int64)
    for i in range(len(rows)):
        longer[i] = rows[i]
    return longer


@inner
def _sort(rows: Ints, begin: Int, end: Int) -> None:
    """Shell sort in place; compiles many times faster than numpy's."""
    gap = 1
    while gap < (end - begin) // 3:
        gap = 3 * gap + 1
    while gap > 0:
        for i in range(begin + gap, end):
            value = rows[i]
            j = i
            while j >= begin + gap and rows[j - gap] > value:
                rows[j] = rows[j - gap]
                j -= gap
            rows[j] = value
        gap //= 3


@inner
def _reverse(order: Ints, begin: Int, end: Int) -> None:
    while end - begin > 1:
        end -= 1
        order[begin], order[end] = order[end], order[begin]
        begin += 1


@njit(cache=True)
def fill_in(start: Ints, other: Ints, items: Ints, position: Ints, first: Ints):
    """Further rows of every supernode, its parent, and the rows' places in the parent's front."""
    n, s = len(items), len(first) - 1
    owner = np.empty(n, np.int64)
    for t in range(s):
        for p in range(first[t], first[t + 1]):
            owner[p] = t
    parent = np.full(s, -1, np.int64)
    head, following = np.full(s, -1, np.int64), np.full(s, -1, np.int64)
    row_start = np.zeros(s + 1, np.int64)
    rows = np.empty(16 * n + 64, np.int64)
    stamp = np.full(n, -1, np.int64)
    size = np.int64(0)  # a bare 0 would be compiled for itself as well
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
                        rows = _longer(rows)
                    rows[size] = q
                    size += 1
        _sort(rows, begin, size)
        c = head[t]
        while c >= 0:
            # The child's rows are sorted too: merged from the end, in place.
            low, high = row_start[c], row_start[c + 1]
            while low < high and rows[low] < end:
                low += 1
            more = 0
            for a in range(low, high):
                if stamp[rows[a]] != t:
                    stamp[rows[a]] = t
                    more += 1
            while size + more > len(rows):
                rows = _longer(rows)
            i, j, to = size - 1, high - 1, size + more - 1
            while j >= low and to > i:
                if i >= begin and rows[i] > rows[j]:
                    rows[to] = rows[i]
                    i -= 1
                else:
                    if i >= begin and rows[i] == rows[j]:
                        i -= 1
                    rows[to] = rows[j]
                    j -= 1
                to -= 1
            size += more
            c = following[c]
        row_start[t + 1] = size
        if size > begin:
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
def work_order(parent: Ints, child_start: Ints, children: Ints, work: NDArray[np.float64]):
    """A postorder whose first two chunks are independent and about equal, the rest last.

    Returns the order and the three chunks' ends.
    """
    s = len(parent)
    below = np.empty(s)
    for t in range(s):
        below[t] = work[t]
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
    for i in range(count):
        which[i] = -1
    for _ in range(count):
        heavy = -1
        for i in range(count):
            if which[i] < 0 and (heavy < 0 or below[roots[i]] > below[roots[heavy]]):
                heavy = i
        b = 0 if bins[0] <= bins[1] else 1
        which[heavy] = b
        bins[b] += below[roots[heavy]]
    order = np.empty(s, np.int64)
    ends = np.zeros(3, np.int64)
    at = np.int64(0)
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
            _reverse(order, begin, at)
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
        _reverse(order, mine, at)
    ends[2] = at
    return order, ends


@njit(cache=True)
def stack_need(
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
def places(
    position: Ints, first: Ints, row_start: Ints, rows: Ints, panel_start: Ints, edges: Ints
):
    """Where each diagonal and edge block lies: column, row, height and start of its panel."""
    n, s, m = len(position), len(first) - 1, len(edges)
    owner = np.empty(n, np.int64)
    for t in range(s):
        for p in range(first[t], first[t + 1]):
            owner[p] = t
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
            low, high = row_start[t], row_start[t + 1]
            while low < high:
                middle = (low + high) // 2
                if rows[middle] < q:
                    low = middle + 1
                else:
                    high = middle
            edge[e, 1] = width + low - row_start[t]
        edge[e, 2] = width + row_start[t + 1] - row_start[t]
        edge[e, 3] = panel_start[t]
    return diagonal, edge
