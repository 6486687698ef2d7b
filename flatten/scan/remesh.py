"""Even triangles of a wanted size on the same surface, rims and sharp creases in their place."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.boxtree import box_tree
from flatten.geometry.halfedges import opposites
from flatten.geometry.meshing import (
    CORNER,
    FREE,
    LINE,
    MeshArrays,
    collapse_short,
    flip_edges,
    relax,
    split_long,
)
from flatten.geometry.ordering import sort_along_curve
from flatten.geometry.triangles import Array, Faces, face_areas, face_normals

# A crease is kept as a line where its faces meet at more than this and it goes on for a while;
# a line turns a corner where it bends by more than CORNER_DEG.
CREASE_DEG = 45.0
CORNER_DEG = 50.0
_ROUNDS = 6


@dataclass(frozen=True, eq=False, kw_only=True)
class Remeshed:
    """V (n, 3), F (m, 3) int32; creases : how many edges were kept as sharp."""

    V: Array
    F: NDArray[np.int32]
    creases: int


def remesh(V: Array, F: Faces, edge_mm: float, *, rounds: int = _ROUNDS) -> Remeshed:
    """Isotropic remeshing of an oriented manifold to edges of about `edge_mm`.

    Botsch and Kobbelt, A remeshing approach to multiresolution modeling, SGP 2004: split above
    4/3, collapse below 4/5 of the length, even the valences, relax along the surface. Vertices
    are put back onto the given surface; those of rims and creases onto their own lines.
    """
    order, F = sort_along_curve(V, F)
    V = V[order]
    surface = box_tree(V, F)
    M, lines = _arrays(V, F, surface.place, edge_mm)
    creases = int(np.count_nonzero(M.crease)) // 2
    for turn in range(rounds):
        M = _split_all(M, 4 / 3 * edge_mm)
        collapse_short(M, 4 / 5 * edge_mm, 4 / 3 * edge_mm, 0.5)
        flip_edges(M, turn < rounds - 1, 0.7)
        relax(M, surface, lines, 1.0)
        if turn >= rounds - 2:
            flip_edges(M, False, 0.7)
            relax(M, surface, lines, 0.7)
    flip_edges(M, False, 0.7)
    return Remeshed(creases=creases, **_compact(M))


def _arrays(V: Array, F: Faces, place: NDArray[np.int32], edge_mm: float):
    """The half-edge arrays with room to grow, and the tree of borders and creases."""
    twin = opposites(F, len(V))
    flat = F.ravel()
    normal = face_normals(V, F)
    h = np.flatnonzero((twin >= 0) & (twin < np.arange(len(twin))))
    sharp = h[_dot(normal[h // 3], normal[twin[h] // 3]) < np.cos(np.radians(CREASE_DEG))]
    crease = np.zeros(len(twin), dtype=bool)
    crease[sharp] = True
    _drop_short_creases(V, F, crease, 4 * edge_mm)
    border = np.flatnonzero(twin < 0)
    lines = np.concatenate([border, np.flatnonzero(crease)])
    after = np.roll(F, -1, axis=1).ravel()
    ends = np.column_stack([flat[lines], after[lines]])
    both = np.concatenate([ends, ends[:, ::-1]])
    degree = np.bincount(both[:, 0], minlength=len(V))
    kind = np.full(len(V), FREE, dtype=np.uint8)
    kind[degree > 0] = CORNER
    # The two directions that leave a vertex of a smooth line point opposite ways.
    heading = V[both[:, 1]] - V[both[:, 0]]
    heading /= np.maximum(np.linalg.norm(heading, axis=1, keepdims=True), 1e-300)
    total = np.column_stack([np.bincount(both[:, 0], heading[:, k], len(V)) for k in range(3)])
    bent = np.linalg.norm(total, axis=1) > 2 * np.sin(np.radians(CORNER_DEG) / 2)
    kind[(degree == 2) & ~bent] = LINE
    crease[twin[crease]] = True
    segments = np.column_stack([ends, ends[:, 1]]) if len(ends) else np.zeros((1, 3), dtype=int)
    tree = box_tree(V, segments)
    out = np.full(len(V), -1, dtype=np.int32)
    out[flat] = np.arange(len(flat), dtype=np.int32)
    out[flat[border]] = border
    hint = np.full(len(V), -1, dtype=np.int32)
    hint[flat] = place[np.arange(len(flat)) // 3]
    line_hint = np.full(len(V), -1, dtype=np.int32)
    line_hint[ends.ravel()] = tree.place[np.repeat(np.arange(len(ends)), 2)] if len(ends) else -1
    arrays = MeshArrays(
        flat.astype(np.int32), twin, crease, V.astype(np.float64), out, kind, hint, line_hint,
        np.array([len(V), len(F)], dtype=np.int64),
    )  # fmt: skip
    wanted = int(face_areas(V, F).sum() / (0.35 * edge_mm**2)) + 1000
    return _grown(arrays, len(F) + wanted), tree


def _drop_short_creases(V: Array, F: Faces, crease: NDArray[np.bool_], least: float) -> None:
    """Clears creases that do not add up to `least` along connected edges: noise, not form."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    h = np.flatnonzero(crease)
    if not len(h):
        return
    a, b = F.ravel()[h], np.roll(F, -1, axis=1).ravel()[h]
    graph = coo_matrix((np.ones(len(h)), (a, b)), shape=(len(V), len(V)))
    label = connected_components(graph, directed=False)[1]
    length = np.bincount(label[a], np.linalg.norm(V[a] - V[b], axis=1), minlength=label.max() + 1)
    crease[h[length[label[a]] < least]] = False


def _split_all(M: MeshArrays, longest: float) -> MeshArrays:
    """Splits until no edge is longer; triangles are evened in between, so that thin ones do not
    multiply."""
    while True:
        count = split_long(M, longest)
        if count < 0:
            M = _grown(M, 2 * int(M.used[1]) + 1000)
        elif count == 0:
            return M
        else:
            flip_edges(M, False, 0.9)


def _grown(M: MeshArrays, faces: int) -> MeshArrays:
    """The same arrays with room for at least that many faces and as many vertices."""

    def room(a: NDArray, size: int, fill: int) -> NDArray:
        new = np.full((size, *a.shape[1:]), fill, dtype=a.dtype)
        new[: min(len(a), size)] = a[:size]
        return new

    h, n = max(3 * faces, len(M.corner)), max(faces, len(M.out))
    return MeshArrays(
        room(M.corner, h, -1), room(M.twin, h, -1), room(M.crease, h, 0), room(M.X, n, 0),
        room(M.out, n, -1), room(M.kind, n, 0), room(M.hint, n, -1), room(M.line_hint, n, -1),
        M.used,
    )  # fmt: skip


def _compact(M: MeshArrays) -> dict[str, NDArray]:
    F = M.corner[: 3 * M.used[1]].reshape(-1, 3)
    F = F[F[:, 0] >= 0]
    alive = M.out[: M.used[0]] >= 0
    place = np.cumsum(alive, dtype=np.int32) - 1
    return {"V": M.X[: M.used[0]][alive], "F": place[F].astype(np.int32)}


def _dot(a: Array, b: Array) -> Array:
    return np.einsum("ij,ij->i", a, b)
