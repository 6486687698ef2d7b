"""Refines a mesh so that curves drawn across its faces become edges; the surface does not move.

Curve points are added by splitting edges and faces; a segment that is not an edge yet is freed by
flips inside its own, flat, face (Sloan, A fast algorithm for generating constrained Delaunay
triangulations, Computers & Structures 47(3), 1993, section 3).
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import KDTree

from flatten.geometry.editmesh import (
    EditMesh,
    corner,
    edit_mesh,
    faces_around,
    find_edge,
    flip_edge,
    split_edge,
    split_face,
)
from flatten.geometry.space import at, dot, gap, inner, minus, norm, plus, put

# Curve points closer than this to a corner, an edge or one another are taken as one: this share of
# the face's edges, and never more than so many mm.
SNAP_SHARE = 2e-3
SNAP_MM = 5e-3


class SurfaceCurve(NamedTuple):
    """A polyline on the faces of a mesh: point i lies in face[i], segment i in segment_face[i].

    face : (k,), bary : (k, 3), segment_face : (k - 1,) or, where closed, (k,)
    """

    face: NDArray[np.int32]
    bary: NDArray[np.float64]
    segment_face: NDArray[np.int32]
    closed: bool


def embed_curves(
    V: NDArray[np.float64],
    F: NDArray[np.int32],
    curves: Sequence[SurfaceCurve],
    labels: Sequence[int],
    *,
    room: int = 0,
) -> tuple[EditMesh, list[NDArray[np.int64]]]:
    """The mesh with every curve along its edges, and the vertex of every curve point.

    Curves that share a label are stretches of one line. Where curves cross between their points
    (they should not), they get a common vertex. `room` is what later edits may add, in vertices.

    Raises
    ------
    ValueError : consecutive points of a curve do not lie in the face given for their segment
    """
    if not curves:
        return edit_mesh(V, F, room=room), []
    face = np.concatenate([c.face for c in curves]).astype(np.int64)
    bary = np.concatenate([c.bary for c in curves])
    vertex, inner, splits, points = _place(V, F, face, bary)
    ends = np.cumsum([len(c.face) for c in curves])
    ids = np.split(vertex, ends[:-1])
    segments = []
    for curve, label, v in zip(curves, labels, ids, strict=True):
        after = np.roll(v, -1) if curve.closed else v[1:]
        before = v if curve.closed else v[:-1]
        rows = np.column_stack(
            [before, after, curve.segment_face, np.full(len(before), label, dtype=np.int64)]
        )
        segments.append(rows[before != after])
    rows = np.concatenate(segments).astype(np.int64)
    mesh = edit_mesh(V, F, room=len(points) + len(rows) + room)
    mesh.V[len(V) : len(V) + len(points)] = points
    mesh.used[0] += len(points)
    ring = np.empty(max(1024, 8 * int(np.bincount(F.ravel()).max(initial=1))), dtype=np.int64)
    lost = _embed(mesh, V, F.astype(np.int64), inner, splits, rows, ring)
    if lost >= 0:
        raise ValueError(f"curve segment {lost} leaves face {rows[lost, 2]}")
    return mesh, ids


def _place(
    V: NDArray[np.float64],
    F: NDArray[np.int32],
    face: NDArray[np.int64],
    bary: NDArray[np.float64],
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Every point's vertex: an old one, one on an edge or one inside a face, shared where equal.

    Returns (k,) vertices, (i, 2) new vertex and face of the inner ones, (e, 3) edge splits (from,
    to, new vertex) in order along each edge, and the positions of the new vertices.
    """
    corners = V[F[face]]
    size = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).mean(axis=1)
    snap = np.minimum(SNAP_SHARE, SNAP_MM / size)
    bary = np.where(bary < snap[:, None], 0.0, bary)
    bary = bary / bary.sum(axis=1, keepdims=True)
    zeros = (bary == 0.0).sum(axis=1)
    vertex = np.where(zeros == 2, F[face, bary.argmax(axis=1)], -1).astype(np.int64)
    n = len(V)

    on_edge = np.flatnonzero(zeros == 1)
    opposite = bary[on_edge].argmin(axis=1)
    a = F[face[on_edge], (opposite + 1) % 3].astype(np.int64)
    b = F[face[on_edge], (opposite + 2) % 3].astype(np.int64)
    t = bary[on_edge, (opposite + 2) % 3]
    low, high = np.minimum(a, b), np.maximum(a, b)
    t = np.where(a < b, t, 1.0 - t)
    order = np.lexsort((t, high, low))
    same_edge = (low[order][1:] == low[order][:-1]) & (high[order][1:] == high[order][:-1])
    merged = same_edge & (np.diff(t[order]) < snap[on_edge][order][1:])
    new = np.concatenate([[True], ~merged]) if len(order) else np.zeros(0, dtype=bool)
    rank = np.cumsum(new) - 1
    vertex[on_edge[order]] = n + rank
    first = order[new]
    split_at = t[first][:, None]
    edge_points = V[low[first]] * (1 - split_at) + V[high[first]] * split_at
    new_vertex = n + np.arange(len(first))
    follows = np.concatenate([[False], same_edge])[new] if len(order) else new
    start = np.where(follows, new_vertex - 1, low[first])
    splits = np.column_stack([start, high[first], new_vertex]).astype(np.int64)

    inside = np.flatnonzero(zeros == 0)
    spots = np.einsum("ij,ijk->ik", bary[inside], corners[inside])
    group = _close_groups(spots, face[inside], float((snap * size)[inside].max(initial=0.0)))
    _, pick = np.unique(group, return_index=True)
    vertex[inside] = n + len(first) + group
    inner = np.column_stack([n + len(first) + np.arange(len(pick)), face[inside][pick]])
    return vertex, inner.astype(np.int64), splits, np.concatenate([edge_points, spots[pick]])


def _close_groups(
    P: NDArray[np.float64], face: NDArray[np.int64], reach: float
) -> NDArray[np.int64]:
    """Group number of every point; points of one face within `reach` share one."""
    if len(P) == 0:
        return np.zeros(0, dtype=np.int64)
    pairs = KDTree(P).query_pairs(reach, output_type="ndarray")
    pairs = pairs[face[pairs[:, 0]] == face[pairs[:, 1]]]
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(P), len(P)))
    return connected_components(graph, directed=False)[1].astype(np.int64)


@inner
def _frame(V, F, f):
    """Two unit axes of face f's plane."""
    o = at(V, F[f, 0])
    x = minus(at(V, F[f, 1]), o)
    x = plus((0.0, 0.0, 0.0), 1.0 / norm(x), x)
    y = minus(at(V, F[f, 2]), o)
    y = plus(y, -dot(x, y), x)
    return x, plus((0.0, 0.0, 0.0), 1.0 / norm(y), y)


@inner
def _turn(V, frame, a, b, c):
    """Twice the signed area of the triangle a, b, c seen in a face's plane."""
    x, y = frame
    o = at(V, a)
    u, w = minus(at(V, b), o), minus(at(V, c), o)
    return dot(u, x) * dot(w, y) - dot(u, y) * dot(w, x)


@njit(cache=True)
def _embed(mesh, V, F, inner, splits, segments, ring):
    """Adds all points, then all segments; returns the first segment that could not be, or -1."""
    for k in range(len(inner)):
        _add_inside(mesh, V, F, inner[k, 0], inner[k, 1])
    for k in range(len(splits)):
        f, i = find_edge(mesh, splits[k, 0], splits[k, 1], ring)
        split_edge(mesh, f, i, splits[k, 2])
        mesh.home[splits[k, 2]] = mesh.origin[f]
    for k in range(len(segments)):
        a, b, f, label = segments[k, 0], segments[k, 1], segments[k, 2], segments[k, 3]
        if not _add_segment(mesh, V, F, a, b, f, label, ring):
            return k
    return -1


@inner
def _add_inside(mesh, V, F, v, f):
    """Puts vertex v into whichever part of face f holds it."""
    frame = _frame(V, F, f)
    mesh.home[v] = f
    g = f
    for _ in range(1000):
        moved = False
        for i in range(3):
            a, b = mesh.F[g, i], mesh.F[g, (i + 1) % 3]
            side = _turn(mesh.V, frame, a, b, v)
            length = gap(at(mesh.V, a), at(mesh.V, b))
            across = mesh.A[g, i]
            inside = across >= 0 and mesh.origin[across] == f
            off = minus(at(mesh.V, v), at(mesh.V, a))
            along = dot(off, minus(at(mesh.V, b), at(mesh.V, a)))
            # In line with an edge is not yet on it: the point may lie beyond the edge's end.
            on = abs(side) <= 1e-7 * length * length and 0.0 < along < length * length
            if inside and on:
                split_edge(mesh, g, i, v)
                return
            if side < 0 and inside:
                g = across
                moved = True
                break
        if not moved:
            break
    split_face(mesh, g, v)


@inner
def _mark(mesh, f, i, label):
    """Labels the half edge i of face f, and the one across by its other side; labelled ones stay."""
    if mesh.C[f, i] >= 0:
        return
    mesh.C[f, i] = label
    k = mesh.A[f, i]
    if k >= 0:
        mesh.C[k, corner(mesh.F, k, mesh.F[f, (i + 1) % 3])] = label ^ 1


@inner
def _add_segment(mesh, V, F, a, b, f, label, ring):
    """Makes the straight segment a -> b inside face f an edge and labels it."""
    frame = _frame(V, F, f)
    for _ in range(10000):
        if a == b:
            return True
        begin = at(mesh.V, a)
        step = minus(at(mesh.V, b), begin)
        reach = dot(step, step)
        count, _inside = faces_around(mesh, a, ring)
        first, edge = np.int64(-1), np.int64(-1)
        onward = np.int64(-1)
        for k in range(count):
            g = ring[k]
            i = corner(mesh.F, g, a)
            p, q = mesh.F[g, (i + 1) % 3], mesh.F[g, (i + 2) % 3]
            if p == b:
                _mark(mesh, g, i, 2 * label)
                return True
            if q == b:
                _mark(mesh, g, (i + 2) % 3, 2 * label + 1)
                return True
            if mesh.origin[g] != f:
                continue
            tp, tq = _turn(mesh.V, frame, a, b, p), _turn(mesh.V, frame, a, b, q)
            ahead = dot(minus(at(mesh.V, p), begin), step)
            if abs(tp) <= 1e-9 * reach and 0 < ahead < reach:
                _mark(mesh, g, i, 2 * label)
                onward = p
                break
            ahead = dot(minus(at(mesh.V, q), begin), step)
            if abs(tq) <= 1e-9 * reach and 0 < ahead < reach:
                _mark(mesh, g, (i + 2) % 3, 2 * label + 1)
                onward = q
                break
            if tp < 0 < tq:
                first, edge = g, (i + 1) % 3
        if onward >= 0:
            a = onward
            continue
        if first < 0:
            return False
        if not _free_first(mesh, frame, a, b, first, edge, f):
            return False
    return False


@inner
def _free_first(mesh, frame, a, b, g, i, f):
    """Flips the first edge across a -> b that can be; one of another curve gets a vertex there."""
    for _ in range(10000):
        p, q = mesh.F[g, i], mesh.F[g, (i + 1) % 3]
        k = mesh.A[g, i]
        if k < 0 or mesh.origin[k] != f:
            return False
        if mesh.C[g, i] >= 0:
            tp, tq = _turn(mesh.V, frame, a, b, p), _turn(mesh.V, frame, a, b, q)
            t = tp / (tp - tq)
            v = mesh.used[0]
            mesh.used[0] += 1
            start = at(mesh.V, p)
            put(mesh.V, v, plus(start, t, minus(at(mesh.V, q), start)))
            mesh.home[v] = f
            split_edge(mesh, g, i, v)
            return True
        c = mesh.F[g, (i + 2) % 3]
        j = corner(mesh.F, k, q)
        d = mesh.F[k, (j + 2) % 3]
        if _turn(mesh.V, frame, c, p, d) > 0 and _turn(mesh.V, frame, d, q, c) > 0:
            flip_edge(mesh, g, i)
            return True
        # Not convex: on to the next edge that the segment crosses.
        side = _turn(mesh.V, frame, a, b, d)
        g = k
        i = (j + 1) % 3 if side > 0 else (j + 2) % 3
    return False
