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

from flatten.geometry.boxtree import nearest_in_tree
from flatten.geometry.triangles import Array

FREE, LINE, CORNER = 0, 1, 2
_RING = 256  # valences beyond this are left alone


class MeshArrays(NamedTuple):
    """corner, twin (3 cap_f,) int32; crease (3 cap_f,) bool: edges that keep their place;
    X (cap_v, 3); out (cap_v,) int32; kind (cap_v,) uint8: FREE, LINE (on a border or crease, slides
    along it), CORNER (stays); hint, line_hint (cap_v,) int32: last place in the trees, -1 unknown;
    used (2,) int64: vertices and faces in use, dead ones included."""

    corner: NDArray[np.int32]
    twin: NDArray[np.int32]
    crease: NDArray[np.bool_]
    X: Array
    out: NDArray[np.int32]
    kind: NDArray[np.uint8]
    hint: NDArray[np.int32]
    line_hint: NDArray[np.int32]
    used: NDArray[np.int64]


@njit(cache=True)
def _next(h):
    return h - 2 if h % 3 == 2 else h + 1


@njit(cache=True)
def _before(h):
    return h + 2 if h % 3 == 0 else h - 1


@njit(cache=True)
def _ring(M, v, ring):
    """Half edges that leave v, counterclockwise; returns their number, -1 if there are too many."""
    start = M.out[v]
    h = start
    k = 0
    while True:
        if k == _RING:
            return -1
        ring[k] = h
        k += 1
        h = M.twin[_before(h)]
        if h < 0 or h == start:
            return k


@njit(cache=True)
def _squared(X, a, b):
    return (X[a, 0] - X[b, 0]) ** 2 + (X[a, 1] - X[b, 1]) ** 2 + (X[a, 2] - X[b, 2]) ** 2


@njit(cache=True)
def _cross(p, q, r):
    ux, uy, uz = q[0] - p[0], q[1] - p[1], q[2] - p[2]
    vx, vy, vz = r[0] - p[0], r[1] - p[1], r[2] - p[2]
    return uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx


@njit(cache=True)
def _shape(p, q, r):
    """Twice the area over the longest side squared: about the sine of the least angle, 0 to 0.87."""
    x, y, z = _cross(p, q, r)
    a = (p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2 + (p[2] - q[2]) ** 2
    b = (q[0] - r[0]) ** 2 + (q[1] - r[1]) ** 2 + (q[2] - r[2]) ** 2
    c = (r[0] - p[0]) ** 2 + (r[1] - p[1]) ** 2 + (r[2] - p[2]) ** 2
    longest = max(a, b, c)
    return np.sqrt(x * x + y * y + z * z) / longest if longest > 0.0 else 0.0


@njit(cache=True)
def _pair(M, a, b, crease):
    if a >= 0:
        M.twin[a] = b
        M.crease[a] = crease
    if b >= 0:
        M.twin[b] = a
        M.crease[b] = crease


@njit(cache=True)
def _split(M, h):
    """Puts a vertex in the middle of the edge of h."""
    m = M.used[0]
    M.used[0] += 1
    a, b = M.corner[h], M.corner[_next(h)]
    for k in range(3):
        M.X[m, k] = 0.5 * (M.X[a, k] + M.X[b, k])
    on_line = M.crease[h] or M.twin[h] < 0
    M.kind[m] = LINE if on_line else FREE
    M.hint[m] = M.hint[a]
    M.line_hint[m] = M.line_hint[a] if M.line_hint[a] >= 0 else M.line_hint[b]
    g = M.twin[h]
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


@njit(cache=True)
def _halve(M, h, m):
    """Cuts the face of h from m on h to the corner opposite; the new face starts with m -> end."""
    k = 3 * M.used[1]
    M.used[1] += 1
    h1, h2 = _next(h), _before(h)
    b, c = M.corner[h1], M.corner[h2]
    M.corner[k], M.corner[k + 1], M.corner[k + 2] = m, b, c
    _pair(M, k + 1, M.twin[h1], M.crease[h1])
    M.corner[h1] = m
    _pair(M, h1, k + 2, False)
    if M.out[b] == h1:
        M.out[b] = k + 1
    return h1


@njit(cache=True)
def split_long(M, longest):
    """Halves edges until none is longer than `longest`; returns how many, -1 when room ran out.

    Before an edge is halved, longer ones of the faces at it are (Rivara, Algorithms for refining
    triangular grids, Int. J. Numer. Methods Eng. 20, 1984), so that it ends and angles stay.
    """
    limit = longest * longest
    count = 0
    h = 0
    while h < 3 * M.used[1]:
        if M.corner[h] < 0 or _squared(M.X, M.corner[h], M.corner[_next(h)]) <= limit:
            h += 1
            continue
        e = h
        size = _squared(M.X, M.corner[e], M.corner[_next(e)])
        searching = True
        while searching:
            searching = False
            for side in range(2):
                k = e if side == 0 else M.twin[e]
                if k < 0:
                    continue
                for o in (_next(k), _before(k)):
                    other = _squared(M.X, M.corner[o], M.corner[_next(o)])
                    if other > size * (1.0 + 1e-12):
                        e, size = o, other
                        searching = True
        if M.used[0] + 1 > len(M.out) or 3 * (M.used[1] + 2) > len(M.corner):
            return -1
        _split(M, e)
        count += 1
    return count


@njit(cache=True)
def _turns(M, ring, k, skip1, skip2, p, least):
    """Whether a face of the ring (those of skip1, skip2 apart) would turn over with its tip at p."""
    for i in range(k):
        h = ring[i]
        f = h // 3
        if f in (skip1, skip2):
            continue
        q, r = M.X[M.corner[_next(h)]], M.X[M.corner[_before(h)]]
        ox, oy, oz = _cross(M.X[M.corner[h]], q, r)
        nx, ny, nz = _cross(p, q, r)
        dot = ox * nx + oy * ny + oz * nz
        size = np.sqrt((ox * ox + oy * oy + oz * oz) * (nx * nx + ny * ny + nz * nz))
        if dot <= least * size and ox * ox + oy * oy + oz * oz > 0.0:
            return True
    return False


@njit(cache=True)
def _collapse(M, h, limit, least, ring_a, ring_b, p):
    """Takes the edge a -> b of h away, a into b; returns whether it was allowed."""
    a, b = M.corner[h], M.corner[_next(h)]
    g = M.twin[h]
    on_line = M.crease[h] or g < 0
    ka, kb = M.kind[a], M.kind[b]
    if not on_line and ka != FREE and kb != FREE:
        return False
    if ka == CORNER and kb == CORNER:
        return False
    na, nb = _ring(M, a, ring_a), _ring(M, b, ring_b)
    if na < 0 or nb < 0:
        return False
    # The link condition: a and b share the corners opposite the edge and no other neighbour.
    h1, h2 = _next(h), _before(h)
    c = M.corner[h2]
    d, g1, g2 = -1, -1, -1
    if g >= 0:
        g1, g2 = _next(g), _before(g)
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
        u = M.corner[_before(ring_a[na - 1])] if i < 0 else M.corner[_next(ring_a[i])]
        if i < 0 and M.twin[_before(ring_a[na - 1])] >= 0:
            continue
        for j in range(-1, nb):
            w = M.corner[_before(ring_b[nb - 1])] if j < 0 else M.corner[_next(ring_b[j])]
            if j < 0 and M.twin[_before(ring_b[nb - 1])] >= 0:
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
                k = M.twin[_before(k)]
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
    if _turns(M, ring_a, na, f1, f2, p, least) or _turns(M, ring_b, nb, f1, f2, p, least):
        return False

    for i in range(na):
        M.corner[ring_a[i]] = b
    for k in range(3):
        M.X[b, k] = p[k]
    if ka > kb:
        M.kind[b], M.hint[b], M.line_hint[b] = ka, M.hint[a], M.line_hint[a]
    M.out[a] = -1
    t1, t2 = M.twin[h1], M.twin[h2]
    _pair(M, t1, t2, M.crease[h1] or M.crease[h2])
    if M.out[c] == h2:
        M.out[c] = t1
    if g >= 0:
        t3, t4 = M.twin[g1], M.twin[g2]
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


@njit(cache=True)
def _far(M, h, other, p, limit):
    """Whether the neighbours that h leads to lie farther from p than the limit (squared)."""
    for u in (M.corner[_next(h)], M.corner[_before(h)]):
        if u != other:
            x = M.X[u]
            if (x[0] - p[0]) ** 2 + (x[1] - p[1]) ** 2 + (x[2] - p[2]) ** 2 > limit:
                return True
    return False


@njit(cache=True)
def collapse_short(M, shortest, longest, least):
    """Takes edges shorter than `shortest` away where no edge grows beyond `longest`.

    least : cosine of the largest turn that a face may make
    """
    ring_a = np.empty(_RING, np.int32)
    ring_b = np.empty(_RING, np.int32)
    p = np.empty(3)
    count = 0
    for h in range(3 * M.used[1]):
        a = M.corner[h]
        if a < 0 or M.twin[h] > h:
            continue
        b = M.corner[_next(h)]
        if _squared(M.X, a, b) < shortest * shortest and _collapse(
            M, h, longest * longest, least, ring_a, ring_b, p
        ):
            count += 1
    return count


@njit(cache=True)
def _valence(M, v):
    """Faces at v, and how many a regular vertex of its sort has."""
    h = start = M.out[v]
    k = 0
    while True:
        k += 1
        h = M.twin[_before(h)]
        if h < 0:
            return k, 3
        if h == start or k == _RING:
            return k, 6


@njit(cache=True)
def _joined(M, c, d):
    h = start = M.out[c]
    while True:
        if M.corner[_next(h)] == d or M.corner[_before(h)] == d:
            return True
        h = M.twin[_before(h)]
        if h < 0 or h == start:
            return False


@njit(cache=True)
def flip_edges(M, by_valence, least):
    """Turns edges where that evens the valences (by_valence) or betters the worse triangle.

    least : cosine of the largest angle between a new face and the two old ones together
    """
    count = 0
    for h in range(3 * M.used[1]):
        t = M.twin[h]
        if M.corner[h] < 0 or t < h or M.crease[h]:
            continue
        h1, h2, t1, t2 = _next(h), _before(h), _next(t), _before(t)
        a, b, c, d = M.corner[h], M.corner[h1], M.corner[h2], M.corner[t2]
        A, B, C, D = M.X[a], M.X[b], M.X[c], M.X[d]
        before = min(_shape(A, B, C), _shape(B, A, D))
        after = min(_shape(C, A, D), _shape(D, B, C))
        if after <= 1.0001 * before and not (by_valence and after > 0.35):
            continue
        va, ra = _valence(M, a)
        vb, rb = _valence(M, b)
        if va <= (3 if ra == 6 else 1) or vb <= (3 if rb == 6 else 1):
            continue
        if by_valence and before > 0.1:
            vc, rc = _valence(M, c)
            vd, rd = _valence(M, d)
            old = abs(va - ra) + abs(vb - rb) + abs(vc - rc) + abs(vd - rd)
            new = abs(va - 1 - ra) + abs(vb - 1 - rb) + abs(vc + 1 - rc) + abs(vd + 1 - rd)
            if new >= old:
                continue
        x1, y1, z1 = _cross(A, B, C)
        x2, y2, z2 = _cross(B, A, D)
        x, y, z = x1 + x2, y1 + y2, z1 + z2
        size = np.sqrt(x * x + y * y + z * z)
        x1, y1, z1 = _cross(C, A, D)
        x2, y2, z2 = _cross(D, B, C)
        s1 = np.sqrt(x1 * x1 + y1 * y1 + z1 * z1)
        s2 = np.sqrt(x2 * x2 + y2 * y2 + z2 * z2)
        if x * x1 + y * y1 + z * z1 <= least * size * s1:
            continue
        if x * x2 + y * y2 + z * z2 <= least * size * s2:
            continue
        if c == d or _joined(M, c, d):
            continue
        th1, th2, tt1, tt2 = M.twin[h1], M.twin[h2], M.twin[t1], M.twin[t2]
        ch1, ch2, ct1, ct2 = M.crease[h1], M.crease[h2], M.crease[t1], M.crease[t2]
        if M.out[a] == h or M.out[a] == t1:
            M.out[a] = h2
        if M.out[b] == t or M.out[b] == h1:
            M.out[b] = t2
        if M.out[c] == h2:
            M.out[c] = h1
        if M.out[d] == t2:
            M.out[d] = t1
        M.corner[h], M.corner[h1], M.corner[h2] = d, c, a
        M.corner[t], M.corner[t1], M.corner[t2] = c, d, b
        for k, o, crease in ((h1, th2, ch2), (h2, tt1, ct1), (t1, tt2, ct2), (t2, th1, ch1)):
            M.twin[k] = o
            M.crease[k] = crease
            if o >= 0:
                M.twin[o] = k
        count += 1
    return count


@njit(cache=True)
def relax(M, surface, lines, step):
    """Moves vertices along the surface towards the middle of their ring and back onto `surface`.

    surface, lines : trees of the reference surface and of its borders and creases; LINE vertices
    slide along `lines`, CORNER vertices stay. No face is turned over.
    """
    ring = np.empty(_RING, np.int32)
    q = np.empty(3)
    p = np.empty(3)
    n = np.empty(3)
    for v in range(M.used[0]):
        if M.out[v] < 0 or M.kind[v] == CORNER:
            continue
        k = _ring(M, v, ring)
        if k < 0:
            continue
        x = M.X[v]
        n[:] = 0.0
        q[:] = 0.0
        if M.kind[v] == LINE:
            ends = 0
            for i in range(k):
                h = ring[i]
                if M.crease[h] or M.twin[h] < 0:
                    q += M.X[M.corner[_next(h)]]
                    ends += 1
            h = _before(ring[k - 1])
            if M.twin[h] < 0:
                q += M.X[M.corner[h]]
                ends += 1
            if ends != 2:
                continue
            q *= 0.5
            q[:] = x + step * (q - x)
            where = nearest_in_tree(lines, q, n, -np.inf, M.line_hint[v], p)
            if where < 0 or _turns(M, ring, k, -1, -1, p, 0.5):
                continue
            M.line_hint[v] = where
        else:
            total = 0.0
            for i in range(k):
                a, b = M.X[M.corner[_next(ring[i])]], M.X[M.corner[_before(ring[i])]]
                cx, cy, cz = _cross(x, a, b)
                w = np.sqrt(cx * cx + cy * cy + cz * cz)
                n[0] += cx
                n[1] += cy
                n[2] += cz
                for j in range(3):
                    q[j] += w * (x[j] + a[j] + b[j]) / 3.0
                total += w
            size = np.sqrt(n[0] ** 2 + n[1] ** 2 + n[2] ** 2)
            if total <= 0.0 or size <= 0.0:
                continue
            n /= size
            q /= total
            away = 0.0
            for j in range(3):
                away += n[j] * (q[j] - x[j])
            for j in range(3):
                q[j] = x[j] + step * (q[j] - x[j] - away * n[j])
            where = nearest_in_tree(surface, q, n, 0.2, M.hint[v], p)
            if where < 0 or _turns(M, ring, k, -1, -1, p, 0.5):
                continue
            M.hint[v] = where
        x[0], x[1], x[2] = p[0], p[1], p[2]
