"""Nearest points on a triangle mesh or on polylines, from anywhere: a tree of boxes.

The leaves lie along a space-filling curve, so the tree is complete and needs no pointers.
"""

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.geometry.ordering import curve_keys
from flatten.geometry.space import inner
from flatten.geometry.triangles import Array, Faces, face_normals

_LEAF = 4


class BoxTree(NamedTuple):
    """A complete binary tree of boxes; leaf j of P holds triangles j*m//P up to (j+1)*m//P.

    corners : (m, 3, 3), normals : (m, 3), face : (m,) index in the caller's F
    low, high : (2P - 1, 3) boxes, children of node i at 2i + 1 and 2i + 2
    place : (m,) where each of the caller's faces lies in `corners`
    """

    corners: Array
    normals: Array
    face: NDArray[np.int32]
    low: Array
    high: Array
    place: NDArray[np.int32]


def box_tree(V: Array, F: Faces) -> BoxTree:
    """Tree over the triangles of V (n, 3), F (m, 3), m at least 1; a segment is a face (a, b, b)."""
    order = np.argsort(curve_keys(V[F].mean(axis=1)), kind="stable").astype(np.int32)
    m = len(F)
    corners = np.ascontiguousarray(V[F[order]], dtype=np.float64)
    leaves = 1
    while leaves * _LEAF < m:
        leaves *= 2
    starts = np.arange(leaves) * m // leaves
    low = np.empty((2 * leaves - 1, 3))
    high = np.empty((2 * leaves - 1, 3))
    low[leaves - 1 :] = np.minimum.reduceat(corners.min(axis=1), starts)
    high[leaves - 1 :] = np.maximum.reduceat(corners.max(axis=1), starts)
    level = leaves
    while level > 1:
        child = slice(level - 1, 2 * level - 1)
        level //= 2
        low[level - 1 : 2 * level - 1] = low[child].reshape(-1, 2, 3).min(axis=1)
        high[level - 1 : 2 * level - 1] = high[child].reshape(-1, 2, 3).max(axis=1)
    place = np.empty(m, dtype=np.int32)
    place[order] = np.arange(m, dtype=np.int32)
    return BoxTree(corners, face_normals(V, F)[order], order, low, high, place)


@inner
def _nearest_in_triangle(p, tri, out):
    """Writes the point of triangle `tri` (3, 3) nearest to p to `out`; the squared distance.

    Ericson, Real-Time Collision Detection, 2005, section 5.1.5 (Voronoi regions of a triangle).
    """
    ax, ay, az = tri[0, 0], tri[0, 1], tri[0, 2]
    ux, uy, uz = tri[1, 0] - ax, tri[1, 1] - ay, tri[1, 2] - az
    vx, vy, vz = tri[2, 0] - ax, tri[2, 1] - ay, tri[2, 2] - az
    px, py, pz = p[0] - ax, p[1] - ay, p[2] - az
    d1 = ux * px + uy * py + uz * pz
    d2 = vx * px + vy * py + vz * pz
    uu = ux * ux + uy * uy + uz * uz
    uv = ux * vx + uy * vy + uz * vz
    vv = vx * vx + vy * vy + vz * vz
    s, t = 0.0, 0.0
    va = (d1 - uu) * (d2 - vv) - (d2 - uv) * (d1 - uv)
    vb = (d1 - uv) * d2 - d1 * (d2 - vv)
    vc = d1 * (d2 - uv) - (d1 - uu) * d2
    if d1 <= 0.0 and d2 <= 0.0:
        pass
    elif d1 - uu >= 0.0 and d2 - uv <= d1 - uu:
        s = 1.0
    elif d2 - vv >= 0.0 and d1 - uv <= d2 - vv:
        t = 1.0
    elif vc <= 0.0 and d1 >= 0.0 and d1 - uu <= 0.0:
        s = d1 / uu
    elif vb <= 0.0 and d2 >= 0.0 and d2 - vv <= 0.0:
        t = d2 / vv
    elif va <= 0.0 and (d2 - uv) - (d1 - uu) >= 0.0 and (d1 - uv) - (d2 - vv) >= 0.0:
        t = ((d2 - uv) - (d1 - uu)) / (((d2 - uv) - (d1 - uu)) + ((d1 - uv) - (d2 - vv)))
        s = 1.0 - t
    else:
        whole = va + vb + vc
        if whole > 0.0:
            s, t = vb / whole, vc / whole
    out[0] = ax + s * ux + t * vx
    out[1] = ay + s * uy + t * vy
    out[2] = az + s * uz + t * vz
    dx, dy, dz = p[0] - out[0], p[1] - out[1], p[2] - out[2]
    return dx * dx + dy * dy + dz * dz


@inner
def _box_distance(p, low, high):
    total = 0.0
    for k in range(3):
        if p[k] < low[k]:
            total += (low[k] - p[k]) ** 2
        elif p[k] > high[k]:
            total += (p[k] - high[k]) ** 2
    return total


@inner
def nearest_in_tree(tree, p, n, least, hint, out):
    """Nearest triangle of `tree` to p among those whose normal has n · normal >= least.

    hint : place in the tree to try first, or -1. `out` (3,) takes the point.
    Returns the triangle's place in the tree, -1 where none qualifies.
    """
    corners, normals, low, high = tree.corners, tree.normals, tree.low, tree.high
    m = len(corners)
    leaves = (len(low) + 1) // 2
    best, where = np.inf, -1
    q = np.empty(3)
    if hint >= 0:
        t = normals[hint]
        if n[0] * t[0] + n[1] * t[1] + n[2] * t[2] >= least:
            best, where = _nearest_in_triangle(p, corners[hint], out), hint
    stack = np.empty(64, np.int64)
    stack[0] = 0
    top = 1
    while top > 0:
        top -= 1
        node = stack[top]
        if _box_distance(p, low[node], high[node]) >= best:
            continue
        if node >= leaves - 1:
            j = node - leaves + 1
            for k in range(j * m // leaves, (j + 1) * m // leaves):
                t = normals[k]
                if n[0] * t[0] + n[1] * t[1] + n[2] * t[2] < least:
                    continue
                d = _nearest_in_triangle(p, corners[k], q)
                if d < best:
                    best, where = d, k
                    out[0], out[1], out[2] = q[0], q[1], q[2]
            continue
        left = 2 * node + 1
        a = _box_distance(p, low[left], high[left])
        b = _box_distance(p, low[left + 1], high[left + 1])
        if a < b:
            stack[top], stack[top + 1] = left + 1, left
        else:
            stack[top], stack[top + 1] = left, left + 1
        top += 2
    return where


@njit(cache=True)
def _query(tree, P, N, least, points, place):
    last = np.int32(-1)
    for i in range(len(P)):
        last = np.int32(nearest_in_tree(tree, P[i], N[i], least, last, points[i]))
        place[i] = last


def nearest_points(
    tree: BoxTree, P: Array, N: Array | None = None, least: float = 0.0
) -> tuple[Array, NDArray[np.int32]]:
    """Nearest points of the surface to P (k, 3).

    N, least : where given, only triangles whose normal has N[i] · normal >= least are looked at

    Returns
    -------
    points : (k, 3); P itself where nothing qualifies
    face : (k,) the face each lies on, -1 where nothing qualifies
    """
    P = np.ascontiguousarray(P, dtype=np.float64)
    points = P.copy()
    place = np.empty(len(P), dtype=np.int32)
    normals = np.zeros_like(P) if N is None else np.ascontiguousarray(N, dtype=np.float64)
    _query(tree, P, normals, -np.inf if N is None else float(least), points, place)
    return points, np.where(place >= 0, tree.face[place], -1).astype(np.int32)
