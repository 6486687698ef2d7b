"""Local mesh operations on half-edge arrays: split, collapse, flip, relax; compiled.

The arrays (`MeshArrays`) are changed in place. Half edge 3f + i runs from corner i of face f to the
next; `twin` is -1 at a border. `out[v]` is a half edge that leaves v; at a border the one without a
twin, so that turning counterclockwise from it meets every face at v. Dead faces have corner -1,
dead vertices out -1.

Botsch and Kobbelt, A remeshing approach to multiresolution modeling, SGP 2004 (the four operations
and their order); Dey, Edelsbrunner, Guha and Nekhayev, Topology preserving edge contraction, 1999
(the link condition).
"""

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.geometry.space import inner
from flatten.geometry.triangles import Array

FREE, LINE, CORNER = 0, 1, 2
TINY = 0.15**2  # of the longest edge allowed, squared
RING = 256  # valences beyond this are left alone


class MeshArrays(NamedTuple):
    """corner, twin (3 cap_f,) int32; crease (3 cap_f,) bool: edges that keep their place;
    X (cap_v, 3); size (cap_v,) the edge length wanted there; out (cap_v,) int32; kind (cap_v,)
    uint8: FREE, LINE (on a border or crease, slides along it), CORNER (stays); hint, line_hint
    (cap_v,) int32: last place in the trees, -1 unknown; used (2,) int64: vertices and faces in
    use, dead ones included."""

    corner: NDArray[np.int32]
    twin: NDArray[np.int32]
    crease: NDArray[np.bool_]
    X: Array
    size: Array
    out: NDArray[np.int32]
    kind: NDArray[np.uint8]
    hint: NDArray[np.int32]
    line_hint: NDArray[np.int32]
    used: NDArray[np.int64]


@inner
def onward(h):
    return h - 2 if h % 3 == 2 else h + 1


@inner
def before(h):
    return h + 2 if h % 3 == 0 else h - 1


@inner
def ring_of(M, v, ring):
    """Half edges that leave v, counterclockwise; returns their number, -1 if there are too many."""
    start = M.out[v]
    h = start
    k = 0
    while True:
        if k == RING:
            return -1
        ring[k] = h
        k += 1
        h = M.twin[before(h)]
        if h < 0 or h == start:
            return k


@inner
def _squared(X, a, b):
    return (X[a, 0] - X[b, 0]) ** 2 + (X[a, 1] - X[b, 1]) ** 2 + (X[a, 2] - X[b, 2]) ** 2


@inner
def _longer(M, a, b, share):
    """Whether the edge of a and b is longer than that share of the size wanted at its ends."""
    limit = 0.5 * share * (M.size[a] + M.size[b])
    return _squared(M.X, a, b) > limit * limit


@inner
def cross(p, q, r):
    ux, uy, uz = q[0] - p[0], q[1] - p[1], q[2] - p[2]
    vx, vy, vz = r[0] - p[0], r[1] - p[1], r[2] - p[2]
    return uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx


@inner
def _pair(M, a, b, crease):
    if a >= 0:
        M.twin[a] = b
        M.crease[a] = crease
    if b >= 0:
        M.twin[b] = a
        M.crease[b] = crease


@inner
def _split(M, h):
    """Puts a vertex in the middle of the edge of h."""
    m = M.used[0]
    M.used[0] += 1
    a, b = M.corner[h], M.corner[onward(h)]
    for k in range(3):
        M.X[m, k] = 0.5 * (M.X[a, k] + M.X[b, k])
    on_line = M.crease[h] or M.twin[h] < 0
    M.kind[m] = LINE if on_line else FREE
    M.size[m] = 0.5 * (M.size[a] + M.size[b])
    M.hint[m] = M.hint[a]
    M.line_hint[m] = M.line_hint[a] if M.line_hint[a] >= 0 else M.line_hint[b]
    g = np.int64(M.twin[h])
    crease = M.crease[h]
    M.out[m] = _halve(M, h, m)
    far = 3 * (M.used[1] - 1)
    if g < 0:
        M.twin[h] = -1
        M.twin[far] = -1
        M.crease[far] = crease
        M.out[m] = far
        return
    _halve(M, g, m)
    near = 3 * (M.used[1] - 1)
    _pair(M, h, near, crease)
    _pair(M, g, far, crease)


@inner
def _halve(M, h, m):
    """Cuts the face of h from m on h to the corner opposite; the new face starts with m -> end."""
    k = 3 * M.used[1]
    M.used[1] += 1
    h1, h2 = onward(h), before(h)
    b, c = M.corner[h1], M.corner[h2]
    M.corner[k], M.corner[k + 1], M.corner[k + 2] = m, b, c
    _pair(M, k + 1, np.int64(M.twin[h1]), M.crease[h1])
    M.corner[h1] = m
    _pair(M, h1, k + 2, np.bool_(False))
    if M.out[b] == h1:
        M.out[b] = k + 1
    return h1


@njit(cache=True)
def split_long(M, longest):
    """Halves edges until none is longer than `longest` times the size wanted at its ends; returns
    how many, -1 when room ran out.

    Before an edge is halved, longer ones of the faces at it are (Rivara, Algorithms for refining
    triangular grids, Int. J. Numer. Methods Eng. 20, 1984), so that it ends and angles stay.
    """
    count = 0
    h = np.int64(0)  # a bare 0 would be compiled for itself as well
    while h < 3 * M.used[1]:
        if M.corner[h] < 0 or not _longer(M, M.corner[h], M.corner[onward(h)], longest):
            h += 1
            continue
        e = h
        size = _squared(M.X, M.corner[e], M.corner[onward(e)])
        searching = True
        while searching:
            searching = False
            for side in range(2):
                k = e if side == 0 else M.twin[e]
                if k < 0:
                    continue
                for o in (onward(k), before(k)):
                    other = _squared(M.X, M.corner[o], M.corner[onward(o)])
                    if other > size * (1.0 + 1e-12):
                        e, size = o, other
                        searching = True
        if M.used[0] + 1 > len(M.out) or 3 * (M.used[1] + 2) > len(M.corner):
            return -1
        _split(M, e)
        count += 1
    return count


@inner
def turns(M, ring, k, skip1, skip2, p, least):
    """Whether a face of the ring (those of skip1, skip2 apart) would turn over with its tip at p."""
    for i in range(k):
        h = ring[i]
        f = h // 3
        if f in (skip1, skip2):
            continue
        q, r = M.X[M.corner[onward(h)]], M.X[M.corner[before(h)]]
        ox, oy, oz = cross(M.X[M.corner[h]], q, r)
        nx, ny, nz = cross(p, q, r)
        dot = ox * nx + oy * ny + oz * nz
        size = np.sqrt((ox * ox + oy * oy + oz * oz) * (nx * nx + ny * ny + nz * nz))
        if dot <= least * size and ox * ox + oy * oy + oz * oz > 0.0:
            return True
    return False


@inner
def _collapse(M, h, longest, least, ring_a, ring_b, p):
    """Takes the edge a -> b of h away, a into b; returns whether it was allowed."""
    a, b = M.corner[h], M.corner[onward(h)]
    size = 0.5 * (M.size[a] + M.size[b])
    limit = (longest * size) ** 2
    g = M.twin[h]
    on_line = M.crease[h] or g < 0
    ka, kb = M.kind[a], M.kind[b]
    # Next to nothing may go whatever it joins: two corners that nearly meet are one.
    tiny = _squared(M.X, a, b) < TINY * limit
    if not on_line and ka != FREE and kb != FREE and not tiny:
        return False
    if ka == CORNER and kb == CORNER and not tiny:
        return False
    na, nb = ring_of(M, a, ring_a), ring_of(M, b, ring_b)
    if na < 0 or nb < 0:
        return False
    # The link condition: a and b share the corners opposite the edge and no other neighbour.
    h1, h2 = onward(h), before(h)
    c = M.corner[h2]
    d, g1, g2 = -1, -1, -1
    if g >= 0:
        g1, g2 = onward(g), before(g)
        d = M.corner[g2]
        border_a = M.twin[M.out[a]] < 0
        if c == d or (border_a and M.twin[M.out[b]] < 0):
            return False
        if M.twin[g1] < 0 and M.twin[g2] < 0:
            return False
    if M.twin[h1] < 0 and M.twin[h2] < 0:
        return False
    common = 0
    for i in range(-1, na):
        # The last neighbour of a border vertex is only seen from the far side of its last face.
        u = M.corner[before(ring_a[na - 1])] if i < 0 else M.corner[onward(ring_a[i])]
        if i < 0 and M.twin[before(ring_a[na - 1])] >= 0:
            continue
        for j in range(-1, nb):
            w = M.corner[before(ring_b[nb - 1])] if j < 0 else M.corner[onward(ring_b[j])]
            if j < 0 and M.twin[before(ring_b[nb - 1])] >= 0:
                continue
            if u == w:
                common += 1
    if common != (1 if g < 0 else 2):
        return False
    inside = M.twin[M.out[a]] >= 0 and M.twin[M.out[b]] >= 0
    if na + nb - (4 if g >= 0 else 2) < (3 if inside else 1):
        return False
    for side in range(2):
        o = c if side == 0 else d
        if o >= 0 and M.twin[M.out[o]] >= 0:
            k, valence = M.out[o], 0
            while True:
                valence += 1
                k = M.twin[before(k)]
                if k == M.out[o] or valence > 3:
                    break
            if valence <= 3:
                return False
    for k in range(3):
        if ka == kb:
            p[k] = 0.5 * (M.X[a, k] + M.X[b, k])
        else:
            p[k] = M.X[a, k] if ka > kb else M.X[b, k]
    f1, f2 = h // 3, (g // 3 if g >= 0 else -1)
    for i in range(na):
        if _far(M, ring_a[i], b, p, limit):
            return False
    for i in range(nb):
        if _far(M, ring_b[i], a, p, limit):
            return False
    if turns(M, ring_a, na, f1, f2, p, least) or turns(M, ring_b, nb, f1, f2, p, least):
        return False

    for i in range(na):
        M.corner[ring_a[i]] = b
    for k in range(3):
        M.X[b, k] = p[k]
    if ka > kb:
        M.kind[b], M.hint[b], M.line_hint[b] = ka, M.hint[a], M.line_hint[a]
    M.size[b] = size
    M.out[a] = -1
    t1, t2 = np.int64(M.twin[h1]), np.int64(M.twin[h2])
    _pair(M, t1, t2, M.crease[h1] or M.crease[h2])
    if M.out[c] == h2:
        M.out[c] = t1
    if g >= 0:
        t3, t4 = np.int64(M.twin[g1]), np.int64(M.twin[g2])
        _pair(M, t3, t4, M.crease[g1] or M.crease[g2])
        if M.out[d] == g2:
            M.out[d] = t3
    keep = -1
    for i in range(na + nb):
        k = ring_a[i] if i < na else ring_b[i - na]
        if k // 3 == f1 or k // 3 == f2:
            continue
        if keep < 0 or M.twin[k] < 0:
            keep = k
    M.out[b] = keep
    for k in range(3):
        M.corner[3 * f1 + k] = -1
        if f2 >= 0:
            M.corner[3 * f2 + k] = -1
    return True


@inner
def _far(M, h, other, p, limit):
    """Whether the neighbours that h leads to lie farther from p than the limit (squared)."""
    for u in (M.corner[onward(h)], M.corner[before(h)]):
        if u != other:
            x = M.X[u]
            if (x[0] - p[0]) ** 2 + (x[1] - p[1]) ** 2 + (x[2] - p[2]) ** 2 > limit:
                return True
    return False


@njit(cache=True)
def collapse_short(M, shortest, longest, least):
    """Takes edges shorter than `shortest` away where no edge grows beyond `longest`, both in shares
    of the size wanted there.

    least : cosine of the largest turn that a face may make
    """
    ring_a = np.empty(RING, np.int32)
    ring_b = np.empty(RING, np.int32)
    p = np.empty(3)
    count = 0
    for h in range(3 * M.used[1]):
        a = M.corner[h]
        if a < 0 or M.twin[h] > h:
            continue
        b = M.corner[onward(h)]
        if not _longer(M, a, b, shortest) and _collapse(M, h, longest, least, ring_a, ring_b, p):
            count += 1
    return count
