"""A manifold triangle mesh edited in place: edges are split, flipped and collapsed.

Edge i of face f runs from corner i to corner i + 1. A label on an edge marks it as part of a curve
that the edits must keep: it is stored per half edge as 2 * curve + side, side 0 on the half edge
that runs along the curve's direction, 1 on the other; -1 is a plain edge.
"""

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.geometry.halfedges import opposites
from flatten.geometry.space import inner


class EditMesh(NamedTuple):
    """Arrays with room to grow; the first `used[0]` vertices and `used[1]` faces are in use.

    V : (n, 3) mm; F : (m, 3) corners, -1 where a face was removed
    A : (m, 3) face across each edge, -1 at a border; C : (m, 3) half edge labels
    home : (n,) face of the unedited mesh that each vertex lies in; origin : (m,) the same of faces
    star : (n,) a face at each vertex
    used : vertices in use, faces in use
    """

    V: NDArray[np.float64]
    F: NDArray[np.int64]
    A: NDArray[np.int64]
    C: NDArray[np.int64]
    home: NDArray[np.int64]
    origin: NDArray[np.int64]
    star: NDArray[np.int64]
    used: NDArray[np.int64]


def link_faces(F: NDArray[np.integer], n: int) -> NDArray[np.int64]:
    """(m, 3) face across each edge of F (m, 3), vertices 0..n-1; -1 at a border.

    Raises
    ------
    ValueError : the mesh is not an oriented manifold
    """
    return (opposites(F, n) // 3).reshape(-1, 3).astype(np.int64)


def edit_mesh(V: NDArray[np.float64], F: NDArray[np.integer], *, room: int) -> EditMesh:
    """An EditMesh of an oriented manifold, with room for `room` more vertices."""
    n, m = len(V), len(F)
    faces = np.full((m + 2 * room, 3), -1, dtype=np.int64)
    faces[:m] = F
    across = np.full((m + 2 * room, 3), -1, dtype=np.int64)
    across[:m] = link_faces(F, n)
    points = np.zeros((n + room, 3))
    points[:n] = V
    origin = np.full(m + 2 * room, -1, dtype=np.int64)
    origin[:m] = np.arange(m)
    star = np.full(n + room, -1, dtype=np.int64)
    star[faces[:m].ravel()] = np.repeat(np.arange(m, dtype=np.int64), 3)
    return EditMesh(
        V=points,
        F=faces,
        A=across,
        C=np.full((m + 2 * room, 3), -1, dtype=np.int64),
        home=star.copy(),
        origin=origin,
        star=star,
        used=np.array([n, m], dtype=np.int64),
    )


@inner
def corner(F, f, v):
    """Which corner of face f vertex v is; -1 if none."""
    if F[f, 0] == v:
        return 0
    if F[f, 1] == v:
        return 1
    if F[f, 2] == v:
        return 2
    return -1


@njit(cache=True)
def faces_around(mesh, v, out):
    """Fills `out` with the faces at v, counterclockwise; returns how many and whether v is inside.

    At a border vertex the first face holds the border edge that leaves v. Returns -1 as the number
    where `out` is too short.
    """
    F, A = mesh.F, mesh.A
    first = mesh.star[v]
    f = first
    # Clockwise to the border, or once round.
    while True:
        i = corner(F, f, v)
        g = A[f, i]
        if g < 0 or g == first:
            break
        f = g
    closed = A[f, corner(F, f, v)] >= 0
    begin = first if closed else f
    f = begin
    k = 0
    while True:
        if k == len(out):
            return -1, closed
        out[k] = f
        k += 1
        f = A[f, (corner(F, f, v) + 2) % 3]
        if f < 0 or f == begin:
            return k, closed


@inner
def find_edge(mesh, a, b, ring):
    """Face and edge index of the half edge a -> b, or of b -> a at a border; -1, -1 if none."""
    k, _ = faces_around(mesh, a, ring)
    for j in range(k):
        f = ring[j]
        i = corner(mesh.F, f, a)
        if mesh.F[f, (i + 1) % 3] == b:
            return f, i
    for j in range(k):
        f = ring[j]
        i = (corner(mesh.F, f, a) + 2) % 3
        if mesh.F[f, i] == b:
            return f, i
    return np.int64(-1), np.int64(-1)


@inner
def _relink(mesh, f, u, g):
    """Says to face f that across its edge starting at corner vertex u now lies g."""
    if f >= 0:
        mesh.A[f, corner(mesh.F, f, u)] = g


@njit(cache=True)
def split_face(mesh, f, v):
    """Puts vertex v (already in V) inside face f: three faces."""
    F, A, C = mesh.F, mesh.A, mesh.C
    a, b, c = F[f, 0], F[f, 1], F[f, 2]
    g, h = mesh.used[1], mesh.used[1] + 1
    mesh.used[1] += 2
    n1, n2, c1, c2 = A[f, 1], A[f, 2], C[f, 1], C[f, 2]
    F[g, 0], F[g, 1], F[g, 2] = b, c, v
    F[h, 0], F[h, 1], F[h, 2] = c, a, v
    A[g, 0], A[g, 1], A[g, 2] = n1, h, f
    A[h, 0], A[h, 1], A[h, 2] = n2, f, g
    C[g, 0], C[g, 1], C[g, 2] = c1, -1, -1
    C[h, 0], C[h, 1], C[h, 2] = c2, -1, -1
    F[f, 2] = v
    A[f, 1], A[f, 2] = g, h
    C[f, 1], C[f, 2] = -1, -1
    _relink(mesh, n1, c, g)
    _relink(mesh, n2, a, h)
    mesh.origin[g] = mesh.origin[f]
    mesh.origin[h] = mesh.origin[f]
    mesh.star[v], mesh.star[a], mesh.star[b], mesh.star[c] = f, f, f, g


@njit(cache=True)
def split_edge(mesh, f, i, v):
    """Puts vertex v (already in V) on edge i of face f; both halves keep the edge's labels."""
    F, A, C = mesh.F, mesh.A, mesh.C
    i1, i2 = (i + 1) % 3, (i + 2) % 3
    a, b, c = F[f, i], F[f, i1], F[f, i2]
    g = mesh.used[1]
    mesh.used[1] += 1
    across, beyond = A[f, i], A[f, i1]
    F[g, 0], F[g, 1], F[g, 2] = v, b, c
    A[g, 0], A[g, 1], A[g, 2] = -1, beyond, f
    C[g, 0], C[g, 1], C[g, 2] = C[f, i], C[f, i1], -1
    mesh.origin[g] = mesh.origin[f]
    F[f, i1] = v
    A[f, i1], C[f, i1] = g, -1
    _relink(mesh, beyond, c, g)
    mesh.star[v], mesh.star[a], mesh.star[b], mesh.star[c] = f, f, g, f
    if across < 0:
        return
    k = across
    j = corner(F, k, b)
    j1, j2 = (j + 1) % 3, (j + 2) % 3
    d = F[k, j2]
    h = mesh.used[1]
    mesh.used[1] += 1
    beyond = A[k, j1]
    F[h, 0], F[h, 1], F[h, 2] = v, a, d
    A[h, 0], A[h, 1], A[h, 2] = f, beyond, k
    C[h, 0], C[h, 1], C[h, 2] = C[k, j], C[k, j1], -1
    mesh.origin[h] = mesh.origin[k]
    F[k, j1] = v
    A[k, j1], C[k, j1] = h, -1
    _relink(mesh, beyond, d, h)
    A[k, j], A[g, 0], A[f, i] = g, k, h
    mesh.star[d] = k


@njit(cache=True)
def flip_edge(mesh, f, i):
    """Turns the plain inner edge i of face f to the other diagonal of its two faces."""
    F, A, C = mesh.F, mesh.A, mesh.C
    i1, i2 = (i + 1) % 3, (i + 2) % 3
    a, b, c = F[f, i], F[f, i1], F[f, i2]
    k = A[f, i]
    j = corner(F, k, b)
    j1, j2 = (j + 1) % 3, (j + 2) % 3
    d = F[k, j2]
    bc, ca, ad, db = A[f, i1], A[f, i2], A[k, j1], A[k, j2]
    lbc, lca, lad, ldb = C[f, i1], C[f, i2], C[k, j1], C[k, j2]
    F[f, 0], F[f, 1], F[f, 2] = a, d, c
    A[f, 0], A[f, 1], A[f, 2] = ad, k, ca
    C[f, 0], C[f, 1], C[f, 2] = lad, -1, lca
    F[k, 0], F[k, 1], F[k, 2] = d, b, c
    A[k, 0], A[k, 1], A[k, 2] = db, bc, f
    C[k, 0], C[k, 1], C[k, 2] = ldb, lbc, -1
    _relink(mesh, ad, d, f)
    _relink(mesh, bc, c, k)
    mesh.star[a], mesh.star[b], mesh.star[c], mesh.star[d] = f, k, f, f


@njit(cache=True)
def can_collapse(mesh, f, i, ring_a, ring_b):
    """Whether edge i of face f can be collapsed, either way, and leave a manifold.

    The link condition: the ends have no common neighbours but the apexes of the edge's faces
    (Dey, Edelsbrunner, Guha & Nekhayev, Topology preserving edge contraction, 1999).
    """
    F, A, C = mesh.F, mesh.A, mesh.C
    a, b = F[f, i], F[f, (i + 1) % 3]
    c = F[f, (i + 2) % 3]
    k = A[f, i]
    if A[f, (i + 1) % 3] < 0 and A[f, (i + 2) % 3] < 0:
        return False
    if C[f, (i + 1) % 3] >= 0 and C[f, (i + 2) % 3] >= 0:
        return False
    d = -1
    if k >= 0:
        j = corner(F, k, b)
        d = F[k, (j + 2) % 3]
        if A[k, (j + 1) % 3] < 0 and A[k, (j + 2) % 3] < 0:
            return False
        if C[k, (j + 1) % 3] >= 0 and C[k, (j + 2) % 3] >= 0:
            return False
    na, inside_a = faces_around(mesh, a, ring_a)
    nb, inside_b = faces_around(mesh, b, ring_b)
    if na < 0 or nb < 0:
        return False
    if k >= 0 and not inside_a and not inside_b:
        return False
    for x in range(na):
        fa = ring_a[x]
        ia = corner(F, fa, a)
        for step in range(1, 3):
            p = F[fa, (ia + step) % 3]
            if p in (b, c, d):
                continue
            for y in range(nb):
                fb = ring_b[y]
                if F[fb, 0] == p or F[fb, 1] == p or F[fb, 2] == p:
                    return False
    return True


@inner
def _close_face(mesh, f, j, kept):
    """Takes face f out as its edge j shrinks to the vertex `kept`: its other two edges are glued."""
    F, A, C = mesh.F, mesh.A, mesh.C
    j1, j2 = (j + 1) % 3, (j + 2) % 3
    x, z = F[f, j], F[f, j2]
    p, q, lp, lq = A[f, j1], A[f, j2], C[f, j1], C[f, j2]
    if p >= 0:
        e = corner(F, p, z)
        A[p, e] = q
        C[p, e] = max(C[p, e], lq)
        mesh.star[z], mesh.star[kept] = p, p
    if q >= 0:
        e = corner(F, q, x)
        A[q, e] = p
        C[q, e] = max(C[q, e], lp)
        mesh.star[z], mesh.star[kept] = q, q
    F[f, 0], F[f, 1], F[f, 2] = -1, -1, -1


@njit(cache=True)
def collapse_edge(mesh, f, i, gone, ring):
    """Merges the end `gone` of edge i of face f into the other; ask can_collapse first."""
    F = mesh.F
    b = F[f, (i + 1) % 3]
    kept = F[f, i] if gone == b else b
    k = mesh.A[f, i]
    j = corner(F, k, b) if k >= 0 else -1
    count, _ = faces_around(mesh, gone, ring)
    _close_face(mesh, f, i, kept)
    if k >= 0:
        _close_face(mesh, k, j, kept)
    for x in range(count):
        g = ring[x]
        if F[g, 0] >= 0:
            F[g, corner(F, g, gone)] = kept
    mesh.star[gone] = -1
