"""Even triangles of a wanted size on the same surface, rims and sharp creases in their place."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import count

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from flatten.geometry.boxtree import BoxTree, box_tree
from flatten.geometry.evening import flip_edges, relax
from flatten.geometry.halfedges import border_cycles, opposites
from flatten.geometry.meshing import (
    CORNER,
    FREE,
    LINE,
    MeshArrays,
    collapse_short,
    split_long,
)
from flatten.geometry.ordering import sort_along_curve
from flatten.geometry.triangles import Array, Faces, face_areas, face_normals
from flatten.scan.loops import bends

# A crease is kept as a line where its faces meet at more than this and it goes on for a while;
# a line turns a corner where it bends by more than CORNER_DEG.
CREASE_DEG = 45.0
CORNER_DEG = 50.0
FOLD_DEG = 150.0  # faces that meet at more than this lie on each other
_ROUNDS = 6
_FINER_ROUNDS = 4
_EVENED = 12


@dataclass(frozen=True, eq=False, kw_only=True)
class Remeshed:
    """V (n, 3), F (m, 3) int32; face (n,) the input face that each vertex lies on;
    creases : how many edges of the input were kept as sharp."""

    V: Array
    F: NDArray[np.int32]
    face: NDArray[np.int32]
    creases: int


Finer = Callable[[Remeshed], Array]


@dataclass(frozen=True, eq=False, kw_only=True)
class Guide:
    """Where a border is to go: vertices (k,) of the loop, curve (c, 3) the closed line it takes."""

    vertices: NDArray[np.integer]
    curve: Array


def remesh(
    V: Array,
    F: Faces,
    edge_mm: float,
    *,
    guides: Sequence[Guide] = (),
    rounds: int = _ROUNDS,
    finer: Finer | None = None,
) -> Remeshed:
    """Isotropic remeshing of an oriented manifold to edges of about `edge_mm`.

    Botsch and Kobbelt, A remeshing approach to multiresolution modeling, SGP 2004: split above
    4/3, collapse below 4/5 of the length, even the valences, relax along the surface. Vertices
    are put back onto the given surface; those of creases and borders onto their own lines, a
    border with a guide onto that.

    finer : given the even mesh, says the (n,) edge lengths wanted at its vertices, none longer than
        `edge_mm`; the mesh is then brought to those
    """
    surface = box_tree(V, F)
    M, lines, creases = _arrays(V, F, surface, edge_mm, guides)
    M = _evened(M, surface, lines, rounds)
    V, F, hint = _compact(M)
    even = Remeshed(V=V, F=F, face=surface.face[hint], creases=creases)
    size = finer(even) if finer else None
    if size is None or (size >= edge_mm).all():
        return even
    M.size[: M.used[0]][M.out[: M.used[0]] >= 0] = size
    V, F, hint = _compact(_evened(M, surface, lines, _FINER_ROUNDS))
    return Remeshed(V=V, F=F, face=surface.face[hint], creases=creases)


def _evened(M: MeshArrays, surface: BoxTree, lines: BoxTree, rounds: int) -> MeshArrays:
    for turn in range(rounds):
        M = _split_all(M, 4 / 3)
        collapse_short(M, 4 / 5, 4 / 3, 0.5)
        flip_edges(M, turn < rounds - 1, 0.7)
        relax(M, surface, lines, 1.0)
        if turn >= rounds - 2:
            flip_edges(M, False, 0.7)
            relax(M, surface, lines, 0.7)
    flip_edges(M, False, 0.7)
    return M


def coarsen(V: Array, F: Faces, edge_mm: float) -> tuple[Array, NDArray[np.int32]]:
    """Takes away edges shorter than `edge_mm`; borders keep their course, nothing else is moved
    farther than to the middle of an edge. V, F of what is left, along a space-filling curve."""
    order, F, _ = sort_along_curve(V, F)
    M = _half_edge_arrays(
        V[order], F, opposites(F, len(V)), np.zeros(3 * len(F), dtype=bool), edge_mm
    )
    for _ in range(3):
        collapse_short(M, 1.0, 1.6, 0.3)
        flip_edges(M, False, 0.9)
    V, F, _ = _compact(M)
    return V, F


def _arrays(
    V: Array, F: Faces, surface: BoxTree, edge_mm: float, guides: Sequence[Guide]
) -> tuple[MeshArrays, BoxTree, int]:
    """The half-edge arrays with room to grow, the tree of borders and creases, and their number."""
    order, faces, old = sort_along_curve(V, F)
    back = np.argsort(order)
    twin = opposites(faces, len(V))
    V = V[order]
    crease = _sharp_edges(V, faces, twin, 4 * edge_mm)
    M = _half_edge_arrays(V, faces, twin, crease, edge_mm)
    flat, after = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    guided = np.zeros(len(V), dtype=bool)
    points, segments = [V], []
    count = len(V)
    for guide in guides:
        guided[back[guide.vertices]] = True
        k = len(guide.curve)
        at = count + np.arange(k)
        points.append(guide.curve)
        segments.append(np.column_stack([at, np.roll(at, -1), np.roll(at, -1)]))
        count += k
    M.kind[guided] = LINE
    for cycle in border_cycles(faces, twin):
        if not guided[cycle].any():
            M.kind[cycle[bends(V[cycle], edge_mm)]] = CORNER
    h = np.flatnonzero(crease | ((twin < 0) & ~guided[flat]))
    segments.append(np.column_stack([flat[h], after[h], after[h]]))
    lines = np.concatenate(segments)
    tree = box_tree(np.concatenate(points), lines if len(lines) else np.zeros((1, 3), dtype=int))
    M.hint[flat] = np.repeat(surface.place[old], 3)
    wanted = int(face_areas(V, faces).sum() / (0.35 * edge_mm**2)) + 1000
    return _grown(M, len(F) + wanted), tree, int(np.count_nonzero(crease)) // 2


def _half_edge_arrays(
    V: Array, F: Faces, twin: NDArray[np.int32], crease: NDArray[np.bool_], edge_mm: float
) -> MeshArrays:
    """Arrays of exactly the given mesh; borders and creases make lines, their bends corners."""
    flat, after = F.ravel(), np.roll(F, -1, axis=1).ravel()
    border = np.flatnonzero(twin < 0)
    h = np.concatenate([border, np.flatnonzero(crease & (twin < np.arange(len(twin))))])
    ends = np.column_stack([flat[h], after[h]])
    both = np.concatenate([ends, ends[:, ::-1]])
    degree = np.bincount(both[:, 0], minlength=len(V))
    # The two directions that leave a vertex of a smooth line point opposite ways.
    heading = V[both[:, 1]] - V[both[:, 0]]
    heading /= np.maximum(np.linalg.norm(heading, axis=1, keepdims=True), 1e-300)
    total = np.column_stack([np.bincount(both[:, 0], heading[:, k], len(V)) for k in range(3)])
    bent = np.linalg.norm(total, axis=1) > 2 * np.sin(np.radians(CORNER_DEG) / 2)
    kind = np.full(len(V), FREE, dtype=np.uint8)
    kind[degree > 0] = CORNER
    kind[(degree == 2) & ~bent] = LINE
    out = np.full(len(V), -1, dtype=np.int32)
    out[flat] = np.arange(len(flat), dtype=np.int32)
    out[flat[border]] = border
    none = np.full(len(V), -1, dtype=np.int32)
    return MeshArrays(
        corner=flat.astype(np.int32),
        twin=twin,
        crease=crease,
        X=V.astype(np.float64),
        size=np.full(len(V), edge_mm),
        out=out,
        kind=kind,
        hint=none,
        line_hint=none.copy(),
        used=np.array([len(V), len(F)], dtype=np.int64),
    )


def _sharp_edges(V: Array, F: Faces, twin: NDArray[np.int32], least: float) -> NDArray[np.bool_]:
    """(3m,) half edges of creases that run on for `least` between their ends and branches.

    Short ones, and faces folded onto each other, are faults and noise, not form.
    """
    normal = face_normals(V, F)
    h = np.flatnonzero(twin > np.arange(len(twin)))
    turn = np.einsum("ij,ij->i", normal[h // 3], normal[twin[h] // 3])
    h = h[(turn < np.cos(np.radians(CREASE_DEG))) & (turn > np.cos(np.radians(FOLD_DEG)))]
    crease = np.zeros(len(twin), dtype=bool)
    flat, after = F.ravel(), np.roll(F, -1, axis=1).ravel()
    while len(h):
        a, b = flat[h], after[h]
        degree = np.bincount(np.concatenate([a, b]), minlength=len(V))
        # Edges that meet at a vertex of no other crease belong to one stretch.
        ends = np.concatenate([a, b])
        edge = np.tile(np.arange(len(h)), 2)
        through = degree[ends] == 2
        meet = coo_matrix(
            (np.ones(through.sum()), (edge[through], ends[through])), shape=(len(h), len(V))
        ).tocsr()
        stretch = connected_components(meet @ meet.T, directed=False)[1]
        length = np.bincount(stretch, np.linalg.norm(V[a] - V[b], axis=1))
        long = length[stretch] >= least
        if long.all():
            break
        h = h[long]
    crease[h] = crease[twin[h]] = True
    return crease


def _split_all(M: MeshArrays, longest: float) -> MeshArrays:
    """Splits until no edge is longer than that share of what is wanted; triangles are evened in
    between, so that thin ones do not multiply, as long as that goes on to help."""
    for turn in count():
        split = split_long(M, longest)
        if split == 0:
            break
        if split < 0:
            M = _grown(M, 2 * int(M.used[1]) + 1000)
        if turn < _EVENED:
            flip_edges(M, False, 0.9)
    return M


def _grown(M: MeshArrays, faces: int) -> MeshArrays:
    """The same arrays with room for at least that many faces and as many vertices."""

    def room(a: NDArray, size: int, fill: int) -> NDArray:
        new = np.full((size, *a.shape[1:]), fill, dtype=a.dtype)
        new[: len(a)] = a
        return new

    h, n = max(3 * faces, len(M.corner)), max(faces, len(M.out))
    return MeshArrays(
        corner=room(M.corner, h, -1),
        twin=room(M.twin, h, -1),
        crease=room(M.crease, h, 0),
        X=room(M.X, n, 0),
        size=room(M.size, n, 0),
        out=room(M.out, n, -1),
        kind=room(M.kind, n, 0),
        hint=room(M.hint, n, -1),
        line_hint=room(M.line_hint, n, -1),
        used=M.used,
    )


def _compact(M: MeshArrays) -> tuple[Array, NDArray[np.int32], NDArray[np.int32]]:
    """V, F without the dead, and each vertex's hint."""
    F = M.corner[: 3 * M.used[1]].reshape(-1, 3)
    F = F[F[:, 0] >= 0]
    alive = M.out[: M.used[0]] >= 0
    place = np.cumsum(alive, dtype=np.int32) - 1
    return M.X[: M.used[0]][alive], place[F].astype(np.int32), M.hint[: M.used[0]][alive]
