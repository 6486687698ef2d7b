"""Edges, borders, components and Euler characteristic of a triangle mesh, from F alone."""

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

Faces = NDArray[np.integer]
Ints = NDArray[np.int64]


def half_edges(F: Faces) -> Ints:
    """(3m, 2) directed edges; edge 3f + i runs from corner i of face f to the next."""
    return np.stack([F, np.roll(F, -1, axis=1)], axis=2).reshape(-1, 2).astype(np.int64)


def unique_edges(F: Faces) -> tuple[Ints, Ints, Ints]:
    """Undirected edges (e, 2) low index first, (3m,) edge of each half edge, (e,) faces at each."""
    n = max(int(F.max()) + 1 if len(F) else 0, 1)
    a = F.ravel().astype(np.int64)
    b = F[:, [1, 2, 0]].ravel().astype(np.int64)
    key = np.minimum(a, b) * n + np.maximum(a, b)
    # np.unique does the same at twice the time.
    order = np.argsort(key)
    ordered = key[order]
    new = np.diff(ordered, prepend=-1) > 0
    begin = np.flatnonzero(new)
    inverse = np.empty(len(key), dtype=np.int64)
    inverse[order] = np.cumsum(new) - 1
    low = ordered[begin] // n
    count = np.diff(np.append(begin, len(key)))
    return np.column_stack([low, ordered[begin] - low * n]), inverse, count


def border_half_edges(F: Faces) -> Ints:
    """(b, 2) directed edges with no opposite face, running with the surface on their left."""
    _, inverse, count = unique_edges(F)
    return half_edges(F)[count[inverse] == 1]


def border_loops(F: Faces) -> list[Ints]:
    """Border loops in order, surface on the left, longest first.

    Raises
    ------
    ValueError : a vertex joins two loops (a bow tie); split it first
    """
    b = border_half_edges(F)
    after = dict(zip(b[:, 0].tolist(), b[:, 1].tolist(), strict=True))
    if len(after) != len(b):
        raise ValueError("a border vertex belongs to two loops")
    loops: list[Ints] = []
    while after:
        start, at = after.popitem()
        loop = [start]
        while at != start:
            loop.append(at)
            at = after.pop(at)
        loops.append(np.array(loop, dtype=np.int64))
    # A stable start vertex, so that the same mesh always gives the same loops.
    loops = [np.roll(loop, -int(loop.argmin())) for loop in loops]
    return sorted(loops, key=lambda loop: (-len(loop), int(loop[0])))


def face_components(F: Faces) -> Ints:
    """(m,) component label of each face; faces are connected through shared edges."""
    _, inverse, _ = unique_edges(F)
    face = np.repeat(np.arange(len(F)), 3)
    order = np.argsort(inverse, kind="stable")
    e, f = inverse[order], face[order]
    same = e[1:] == e[:-1]
    i, j = f[:-1][same], f[1:][same]
    graph = coo_matrix((np.ones(len(i), dtype=np.int8), (i, j)), shape=(len(F), len(F)))
    return connected_components(graph, directed=False)[1].astype(np.int64)


def euler_characteristic(F: Faces) -> int:
    """Vertices - edges + faces, over the vertices in use."""
    edges, _, _ = unique_edges(F)
    return len(np.unique(F)) - len(edges) + len(F)


def compact(F: Faces) -> tuple[Ints, Ints]:
    """Drops unused vertices: F renumbered, and the (k,) old index of every vertex kept."""
    used, inverse = np.unique(F, return_inverse=True)
    return inverse.reshape(-1, 3).astype(np.int64), used.astype(np.int64)
