"""Points on a triangle mesh: the nearest one, and one spelling for each place.

A surface point is a face and three barycentric weights. Zeros are exact and carry meaning: none is
a point inside the face, one a point on an edge, two a vertex (the single point type of Sharp and
Crane's geometry-central, 2019).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.boxtree import BoxTree, box_tree, nearest_points
from flatten.records.arrays import still

Array = NDArray[np.float64]
Faces = NDArray[np.int32]
Ints = NDArray[np.int32]

# A weight below this is rounding: the point lies on an edge.
_ON_EDGE = 1e-8


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
    faces = still(np.ascontiguousarray(F, dtype=np.int32))
    twin = twin_half_edges(faces)
    vertex_face = np.full(len(V), -1, dtype=np.int32)
    vertex_face[faces[::-1].ravel()] = np.repeat(np.arange(len(F), dtype=np.int32)[::-1], 3)
    border = np.flatnonzero(twin < 0)
    on_border = np.zeros(len(V), dtype=bool)
    on_border[faces.ravel()[border]] = True
    on_border[np.roll(faces, -1, axis=1).ravel()[border]] = True
    return Surface(
        V=still(np.ascontiguousarray(V, dtype=np.float64)),
        F=faces,
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
    """A tree over the faces of a mesh, for nearest surface points."""

    tree: BoxTree

    def nearest(self, points: Array) -> tuple[Ints, Array, Array]:
        """The nearest surface point of each of `points` (k, 3).

        Returns
        -------
        face (k,) int32; bary (k, 3), exact zeros on edges and vertices; distance (k,)
        """
        found, face = nearest_points(self.tree, points)
        a, b, c = self.tree.corners[self.tree.place[face]].transpose(1, 0, 2)
        bary = np.stack(
            [_double_area(found, b, c), _double_area(a, found, c), _double_area(a, b, found)],
            axis=1,
        )
        total = bary.sum(axis=1)
        flat = np.flatnonzero(total <= 0.0)
        bary[
            flat, np.argmin([np.linalg.norm(x - found, axis=1)[flat] for x in (a, b, c)], axis=0)
        ] = 1
        bary /= np.where(total > 0.0, total, 1.0)[:, None]
        return face, snap_to_corners(bary, _ON_EDGE), np.linalg.norm(found - points, axis=1)


def face_tree(V: Array, F: NDArray[np.integer]) -> FaceTree:
    """Builds the tree for a mesh with at least one face, V (n, 3), F (m, 3)."""
    return FaceTree(tree=box_tree(np.asarray(V, dtype=np.float64), F.astype(np.int32, copy=False)))


def _double_area(a: Array, b: Array, c: Array) -> Array:
    return np.linalg.norm(np.cross(b - a, c - a), axis=1)
