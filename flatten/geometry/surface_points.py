"""Points on a triangle mesh: the nearest one, and one spelling for each place.

A surface point is a face and three barycentric weights. Zeros are exact and carry meaning: none is
a point inside the face, one a point on an edge, two a vertex (the single point type of Sharp and
Crane's geometry-central, 2019).
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Faces = NDArray[np.int32]
Ints = NDArray[np.int32]

_LEAF = 4
_STACK = 64


def twin_half_edges(F: Faces) -> Ints:
    """(3m,) the opposite of half edge 3f + i (corner i of face f to the next), -1 at a border.

    Raises
    ------
    ValueError : an edge has more than two faces, or two that run the same way
    """
    start = F.astype(np.int64).ravel()
    end = np.roll(F, -1, axis=1).astype(np.int64).ravel()
    n = int(start.max()) + 1 if len(start) else 1
    key = np.minimum(start, end) * n + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    same = key[order[1:]] == key[order[:-1]]
    a, b = order[:-1][same], order[1:][same]
    if np.any(same[1:] & same[:-1]) or np.any(start[a] != end[b]):
        raise ValueError("the mesh is not an oriented manifold")
    twin = np.full(len(start), -1, dtype=np.int32)
    twin[a], twin[b] = b, a
    return twin


@dataclass(frozen=True, eq=False, kw_only=True)
class Surface:
    """A mesh with what walking over it needs.

    twin : (3m,) opposite half edges, -1 at a border
    vertex_face : (n,) the lowest face at each vertex, -1 where none
    on_border : (n,) True for vertices on a border
    """

    V: Array
    F: Faces
    twin: Ints
    vertex_face: Ints
    on_border: NDArray[np.bool_]


def surface_of(V: Array, F: NDArray[np.integer]) -> Surface:
    """Indexes an oriented manifold mesh, V (n, 3), F (m, 3).

    Raises
    ------
    ValueError : the mesh is not an oriented manifold
    """
    F = np.ascontiguousarray(F, dtype=np.int32)
    twin = twin_half_edges(F)
    vertex_face = np.full(len(V), -1, dtype=np.int32)
    vertex_face[F[::-1].ravel()] = np.repeat(np.arange(len(F), dtype=np.int32)[::-1], 3)
    border = np.flatnonzero(twin < 0)
    on_border = np.zeros(len(V), dtype=bool)
    on_border[F.ravel()[border]] = True
    on_border[np.roll(F, -1, axis=1).ravel()[border]] = True
    return Surface(
        V=np.ascontiguousarray(V, dtype=np.float64),
        F=F,
        twin=twin,
        vertex_face=vertex_face,
        on_border=on_border,
    )


def positions(V: Array, F: Faces, face: Ints, bary: Array) -> Array:
    """(k, 3) places of surface points; a vertex is met exactly."""
    return np.einsum("ki,kij->kj", bary, V[F[face]])


def snap_to_corners(bary: Array, tol: float) -> Array:
    """(k, 3) weights with those below `tol` set to exactly 0 and the rest summing to 1."""
    b = np.where(bary < tol, 0.0, bary)
    b /= b.sum(axis=1, keepdims=True)
    b[(b > 0).sum(axis=1) == 1] = np.round(b[(b > 0).sum(axis=1) == 1])
    return b


def canonical(surface: Surface, face: Ints, bary: Array) -> tuple[Ints, Array]:
    """The same points, each place spelt in one way only.

    A vertex is given in its lowest face and an edge point in the face of the edge's lower half
    edge, so that equal places have equal bits.
    """
    face = np.array(face, dtype=np.int32)
    bary = np.array(bary, dtype=np.float64)
    zero = bary == 0.0
    count = zero.sum(axis=1)
    rows = np.flatnonzero(count == 2)
    if len(rows):
        v = surface.F[face[rows], np.argmax(bary[rows], axis=1)]
        face[rows] = surface.vertex_face[v]
        bary[rows] = (surface.F[face[rows]] == v[:, None]).astype(np.float64)
    rows = np.flatnonzero(count == 1)
    if len(rows):
        corner = (np.argmax(zero[rows], axis=1) + 1) % 3
        half = 3 * face[rows] + corner
        twin = surface.twin[half]
        move = (twin >= 0) & (twin < half)
        rows, corner, twin = rows[move], corner[move], twin[move]
        start, end = bary[rows, corner], bary[rows, (corner + 1) % 3]
        face[rows] = twin // 3
        bary[rows] = 0.0
        bary[rows, twin % 3] = end
        bary[rows, (twin % 3 + 1) % 3] = start
    return face, bary


def place_keys(surface: Surface, face: Ints, bary: Array) -> NDArray[np.int64]:
    """(k, 3) integers, equal where (and only where) canonical points are the same place.

    Column 0 says what the point lies on: a vertex v as v, an edge as n + half edge, a face as
    n + 3m + face. Columns 1 and 2 are the bits of the place on it.
    """
    n, m = len(surface.V), len(surface.F)
    keys = np.zeros((len(face), 3), dtype=np.int64)
    zero = bary == 0.0
    count = zero.sum(axis=1)
    corner = np.argmax(bary, axis=1)
    edge = (np.argmax(zero, axis=1) + 1) % 3
    along = np.take_along_axis(bary, ((edge + 1) % 3)[:, None], axis=1)[:, 0]
    keys[:, 0] = n + 3 * m + face
    keys[:, 1] = np.ascontiguousarray(bary[:, 0]).view(np.int64)
    keys[:, 2] = np.ascontiguousarray(bary[:, 1]).view(np.int64)
    on_edge = count == 1
    keys[on_edge, 0] = n + 3 * face[on_edge].astype(np.int64) + edge[on_edge]
    keys[on_edge, 1] = np.ascontiguousarray(along[on_edge]).view(np.int64)
    keys[on_edge, 2] = 0
    at_vertex = count == 2
    keys[at_vertex, 0] = surface.F[face[at_vertex], corner[at_vertex]]
    keys[at_vertex, 1:] = 0
    return keys


def on_rim(surface: Surface, face: Ints, bary: Array) -> NDArray[np.bool_]:
    """(k,) True where a point lies on a border edge or border vertex."""
    zero = bary == 0.0
    count = zero.sum(axis=1)
    at_vertex = (count == 2) & surface.on_border[surface.F[face, np.argmax(bary, axis=1)]]
    half = 3 * face + (np.argmax(zero, axis=1) + 1) % 3
    return at_vertex | ((count == 1) & (surface.twin[half] < 0))


@dataclass(frozen=True, eq=False, kw_only=True)
class FaceTree:
    """A tree of boxes over the faces of a mesh, for nearest-point questions.

    corners : (m, 3, 3) triangles in tree order; order : (m,) their faces
    low, high : (nodes, 3) boxes of a complete binary tree, the root first; `leaves` of them last
    """

    corners: Array
    order: Ints
    low: Array
    high: Array
    leaves: int

    def nearest(self, points: Array, within: float = np.inf) -> tuple[Ints, Array, Array]:
        """The nearest surface point of each of `points` (k, 3).

        Returns
        -------
        face (k,) int32, -1 where nothing lies `within`; bary (k, 3), exact zeros on edges and
        vertices; distance (k,), inf where nothing was found
        """
        points = np.ascontiguousarray(points, dtype=np.float64)
        return _nearest(
            points, self.corners, self.order, self.low, self.high, self.leaves, float(within)
        )


def face_tree(V: Array, F: NDArray[np.integer]) -> FaceTree:
    """Builds the tree for a mesh with at least one face, V (n, 3), F (m, 3)."""
    corners = V[F]
    centre = corners.mean(axis=1)
    low, extent = centre.min(axis=0), np.ptp(centre, axis=0)
    cell = ((centre - low) / max(float(extent.max()), 1e-300) * 1023.0).astype(np.int64)
    order = np.argsort(_interleave(cell), kind="stable").astype(np.int32)
    corners = np.ascontiguousarray(corners[order])
    used = -(-len(F) // _LEAF)
    leaves = 1 << max(int(used - 1).bit_length(), 0)
    box_low = np.full((2 * leaves - 1, 3), np.inf)
    box_high = np.full((2 * leaves - 1, 3), -np.inf)
    starts = np.arange(0, len(F), _LEAF)
    first = leaves - 1
    box_low[first : first + used] = np.minimum.reduceat(corners.min(axis=1), starts, axis=0)
    box_high[first : first + used] = np.maximum.reduceat(corners.max(axis=1), starts, axis=0)
    while first:
        parent = (first - 1) // 2
        below = slice(first, 2 * first + 1)
        box_low[parent:first] = box_low[below].reshape(-1, 2, 3).min(axis=1)
        box_high[parent:first] = box_high[below].reshape(-1, 2, 3).max(axis=1)
        first = parent
    return FaceTree(corners=corners, order=order, low=box_low, high=box_high, leaves=leaves)


def _interleave(cell: NDArray[np.int64]) -> NDArray[np.int64]:
    """Morton codes: the bits of three 10-bit numbers interleaved."""
    code = np.zeros(len(cell), dtype=np.int64)
    for bit in range(10):
        for axis in range(3):
            code |= ((cell[:, axis] >> bit) & 1) << (3 * bit + axis)
    return code


@njit(cache=True)
def _nearest(points, corners, order, low, high, leaves, within):  # pragma: no cover
    k = len(points)
    m = len(corners)
    face = np.full(k, -1, dtype=np.int32)
    bary = np.zeros((k, 3))
    distance = np.full(k, np.inf)
    stack = np.empty(_STACK, dtype=np.int64)
    best_w = np.empty(3)
    w = np.empty(3)
    for i in range(k):
        best = within * within
        p = points[i]
        top = 0
        stack[0] = 0
        while top >= 0:
            node = stack[top]
            top -= 1
            if _box_gap(p, low, high, node) >= best and face[i] >= 0:
                continue
            if node < leaves - 1:
                left = 2 * node + 1
                near, far = left, left + 1
                if _box_gap(p, low, high, far) < _box_gap(p, low, high, near):
                    near, far = far, near
                if _box_gap(p, low, high, far) <= best:
                    top += 1
                    stack[top] = far
                if _box_gap(p, low, high, near) <= best:
                    top += 1
                    stack[top] = near
                continue
            begin = (node - leaves + 1) * _LEAF
            for f in range(begin, min(begin + _LEAF, m)):
                d = _nearest_in_triangle(p, corners[f], w)
                if d < best or (d == best and face[i] < 0):
                    best = d
                    face[i] = order[f]
                    best_w[:] = w
        if face[i] >= 0:
            bary[i] = best_w
            distance[i] = np.sqrt(best)
    return face, bary, distance


@njit(cache=True)
def _box_gap(p, low, high, node):  # pragma: no cover
    """Squared distance from a point to a box; inf for an empty one."""
    total = 0.0
    for axis in range(3):
        d = max(low[node, axis] - p[axis], p[axis] - high[node, axis])
        if d > 0.0:
            total += d * d
    return total


@njit(cache=True)
def _nearest_in_triangle(p, t, w):  # pragma: no cover
    """Squared distance from a point to a triangle; the nearest point's weights go to `w`.

    Regions of the plane by Ericson, Real-Time Collision Detection, 2005, section 5.1.5.
    """
    d1 = d2 = d3 = d4 = d5 = d6 = 0.0
    for a in range(3):
        ab = t[1, a] - t[0, a]
        ac = t[2, a] - t[0, a]
        d1 += ab * (p[a] - t[0, a])
        d2 += ac * (p[a] - t[0, a])
        d3 += ab * (p[a] - t[1, a])
        d4 += ac * (p[a] - t[1, a])
        d5 += ab * (p[a] - t[2, a])
        d6 += ac * (p[a] - t[2, a])
    va = d3 * d6 - d5 * d4
    vb = d5 * d2 - d1 * d6
    vc = d1 * d4 - d3 * d2
    w[:] = 0.0
    if d1 <= 0.0 and d2 <= 0.0:
        w[0] = 1.0
    elif d3 >= 0.0 and d4 <= d3:
        w[1] = 1.0
    elif d6 >= 0.0 and d5 <= d6:
        w[2] = 1.0
    elif vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0:
        w[1] = d1 / (d1 - d3)
        w[0] = 1.0 - w[1]
    elif vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0:
        w[2] = d2 / (d2 - d6)
        w[0] = 1.0 - w[2]
    elif va <= 0.0 and d4 - d3 >= 0.0 and d5 - d6 >= 0.0:
        w[2] = (d4 - d3) / ((d4 - d3) + (d5 - d6))
        w[1] = 1.0 - w[2]
    else:
        scale = 1.0 / (va + vb + vc)
        w[1] = vb * scale
        w[2] = vc * scale
        w[0] = 1.0 - w[1] - w[2]
    total = 0.0
    for a in range(3):
        d = p[a] - (w[0] * t[0, a] + w[1] * t[1, a] + w[2] * t[2, a])
        total += d * d
    return total
