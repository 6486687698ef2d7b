"""Half edges grouped by the undirected edge they run along: the base of all mesh repair.

Half edge 3f + i runs from corner i of face f to the next corner.
"""

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.records.arrays import still

Faces = NDArray[np.int32]
Ints = NDArray[np.int32]


class EdgeGroups(NamedTuple):
    """The half edges of every undirected edge.

    order : (3m,) half edges, those of one edge next to each other
    start : (e + 1,) edge k holds order[start[k]:start[k + 1]]
    """

    order: Ints
    start: Ints

    @property
    def sizes(self) -> Ints:
        """(e,) faces at each edge."""
        return np.diff(self.start)


@njit(cache=True)
def _group(F, n):
    # Two stable counting sorts, by the high and then by the low end: linear in the number of
    # faces whatever the valence.
    m3 = F.size
    flat = F.ravel()
    tail = np.empty(m3, np.int32)
    low = np.empty(m3, np.int32)
    high = np.empty(m3, np.int32)
    for h in range(m3):
        a = flat[h]
        b = flat[h - 2 if h % 3 == 2 else h + 1]
        low[h], high[h] = min(a, b), max(a, b)
    order = np.arange(m3).astype(np.int32)
    for key in (high, low):
        place = np.zeros(n + 1, np.int64)
        for h in range(m3):
            place[key[h] + 1] += 1
        for v in range(n):
            place[v + 1] += place[v]
        for k in range(m3):
            h = order[k]
            tail[place[key[h]]] = h
            place[key[h]] += 1
        order, tail = tail, order
    start = np.empty(m3 + 1, np.int32)
    e = 0
    for k in range(m3):
        h, g = order[k], order[k - 1]
        if k == 0 or low[h] != low[g] or high[h] != high[g]:
            start[e] = k
            e += 1
    start[e] = m3
    return order, start[: e + 1].copy()


def group_half_edges(F: NDArray[np.integer], n: int) -> EdgeGroups:
    """Groups the half edges of F (m, 3), vertices 0..n-1, by edge; any mesh, manifold or not."""
    return EdgeGroups(*_group(still(np.ascontiguousarray(F, dtype=np.int32)), n))


def opposites(F: NDArray[np.integer], n: int) -> Ints:
    """(3m,) the half edge on the other side of each half edge; -1 at a border.

    Raises
    ------
    ValueError : an edge with more than two faces, or two faces that run along it the same way
    """
    F = np.ascontiguousarray(F, dtype=np.int32)
    order, start = groups = group_half_edges(F, n)
    sizes = groups.sizes
    if len(sizes) and sizes.max() > 2:
        raise ValueError("an edge has more than two faces")
    first = start[:-1][sizes == 2]
    a, b = order[first], order[first + 1]
    flat = F.ravel()
    if np.any(flat[a] == flat[b]):
        raise ValueError("two faces run along an edge the same way")
    twin = np.full(F.size, -1, dtype=np.int32)
    twin[a], twin[b] = b, a
    return twin


def border_cycles(F: NDArray[np.integer], twin: Ints) -> list[Ints]:
    """Border loops as vertices in order, the surface on the left; longest first.

    F (m, 3) has one fan of faces at every vertex, `twin` as from `opposites`.
    """
    flat = np.ascontiguousarray(F).ravel()
    h = np.flatnonzero(twin < 0)
    start, end = flat[h], flat[np.where(h % 3 == 2, h - 2, h + 1)]
    after = dict(zip(start.tolist(), end.tolist(), strict=True))
    loops: list[Ints] = []
    for first in start.tolist():
        if first not in after:
            continue
        loop = []
        at = first
        while at in after:
            loop.append(at)
            at = after.pop(at)
        loops.append(np.array(loop, dtype=np.int32))
    loops = [np.roll(loop, -int(loop.argmin())) for loop in loops]
    return sorted(loops, key=lambda loop: (-len(loop), int(loop[0])))
