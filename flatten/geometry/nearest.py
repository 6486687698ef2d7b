"""Nearest points on a triangle mesh, found by walking from a face that is known to be close."""

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.sparse import coo_array

from flatten.geometry.space import at, dot, gap, inner, minus, mix


class Ground(NamedTuple):
    """A mesh to be projected onto; the faces at vertex v are faces_at[start[v]:start[v + 1]]."""

    V: NDArray[np.float64]
    F: NDArray[np.int64]
    N: NDArray[np.float64]
    start: NDArray[np.int64]
    faces_at: NDArray[np.int64]


def ground(V: NDArray[np.float64], F: NDArray[np.integer], N: NDArray[np.float64]) -> Ground:
    """The mesh V (n, 3), F (m, 3) with unit vertex normals N (n, 3), ready for projection."""
    m, n = len(F), len(V)
    # Converting a sparse matrix by rows is a counting sort of the corners by vertex.
    corners = (np.ravel(F), np.repeat(np.arange(m), 3))
    at_vertex = coo_array((np.ones(3 * m, dtype=np.bool_), corners), shape=(n, m)).tocsr()
    return Ground(
        V=np.ascontiguousarray(V, dtype=np.float64),
        F=np.ascontiguousarray(F, dtype=np.int64),
        N=np.ascontiguousarray(N, dtype=np.float64),
        start=at_vertex.indptr.astype(np.int64),
        faces_at=at_vertex.indices.astype(np.int64),
    )


@inner
def nearest_on_triangle(p, a, b, c):
    """Barycentric place (3,) of the point of triangle a, b, c nearest to p.

    By the region p lies in (Ericson, Real-Time Collision Detection, 2005, section 5.1.5).
    """
    ab, ac, ap = minus(b, a), minus(c, a), minus(p, a)
    d1, d2 = dot(ab, ap), dot(ac, ap)
    if d1 <= 0 and d2 <= 0:
        return 1.0, 0.0, 0.0
    bp = minus(p, b)
    d3, d4 = dot(ab, bp), dot(ac, bp)
    if d3 >= 0 and d4 <= d3:
        return 0.0, 1.0, 0.0
    vc = d1 * d4 - d3 * d2
    if vc <= 0 and d1 >= 0 and d3 <= 0:
        t = d1 / (d1 - d3) if d1 - d3 > 0 else 0.0
        return 1.0 - t, t, 0.0
    cp = minus(p, c)
    d5, d6 = dot(ab, cp), dot(ac, cp)
    if d6 >= 0 and d5 <= d6:
        return 0.0, 0.0, 1.0
    vb = d5 * d2 - d1 * d6
    if vb <= 0 and d2 >= 0 and d6 <= 0:
        t = d2 / (d2 - d6) if d2 - d6 > 0 else 0.0
        return 1.0 - t, 0.0, t
    va = d3 * d6 - d5 * d4
    if va <= 0 and d4 - d3 >= 0 and d5 - d6 >= 0:
        total = (d4 - d3) + (d5 - d6)
        t = (d4 - d3) / total if total > 0 else 0.0
        return 0.0, 1.0 - t, t
    total = va + vb + vc
    if total <= 0:
        return 1.0, 0.0, 0.0
    return va / total, vb / total, vc / total


@inner
def _near(ground, p, f):
    """Place of the nearest point of face f to p, and how far it is."""
    F = ground.F
    a, b, c = at(ground.V, F[f, 0]), at(ground.V, F[f, 1]), at(ground.V, F[f, 2])
    w = nearest_on_triangle(p, a, b, c)
    return w, gap(p, mix(w, a, b, c))


@njit(cache=True)
def walk_to_nearest(ground, p, f):
    """Face and barycentric place of a nearest point to p, walking downhill from face f."""
    best = f
    w, least = _near(ground, p, f)
    for _ in range(100):
        here = best
        for i in range(3):
            v = ground.F[here, i]
            for k in range(ground.start[v], ground.start[v + 1]):
                g = ground.faces_at[k]
                if g == here:
                    continue
                x, distance = _near(ground, p, g)
                if distance < least:
                    best, w, least = g, x, distance
        if best == here:
            break
    return best, w
