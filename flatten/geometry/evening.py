"""Evens the triangles of a half-edge mesh (`flatten.geometry.meshing`): turns edges, relaxes points.

Botsch and Kobbelt, A remeshing approach to multiresolution modeling, SGP 2004.
"""

import numpy as np
from numba import njit

from flatten.geometry.boxtree import nearest_in_tree
from flatten.geometry.meshing import CORNER, LINE, RING, before, cross, onward, ring_of, turns
from flatten.geometry.space import inner


@inner
def _shape(p, q, r):
    """Twice the area over the longest side squared: about the sine of the least angle, 0 to 0.87."""
    x, y, z = cross(p, q, r)
    a = (p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2 + (p[2] - q[2]) ** 2
    b = (q[0] - r[0]) ** 2 + (q[1] - r[1]) ** 2 + (q[2] - r[2]) ** 2
    c = (r[0] - p[0]) ** 2 + (r[1] - p[1]) ** 2 + (r[2] - p[2]) ** 2
    longest = max(a, b, c)
    return np.sqrt(x * x + y * y + z * z) / longest if longest > 0.0 else 0.0


@inner
def _valence(M, v):
    """Faces at v, and how many a regular vertex of its sort has."""
    h = start = M.out[v]
    k = 0
    while True:
        k += 1
        h = M.twin[before(h)]
        if h < 0:
            return k, 3
        if h == start or k == RING:
            return k, 6


@inner
def _joined(M, c, d):
    h = start = M.out[c]
    while True:
        if M.corner[onward(h)] == d or M.corner[before(h)] == d:
            return True
        h = M.twin[before(h)]
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
        h1, h2, t1, t2 = onward(h), before(h), onward(t), before(t)
        a, b, c, d = M.corner[h], M.corner[h1], M.corner[h2], M.corner[t2]
        A, B, C, D = M.X[a], M.X[b], M.X[c], M.X[d]
        old_shape = min(_shape(A, B, C), _shape(B, A, D))
        new_shape = min(_shape(C, A, D), _shape(D, B, C))
        if new_shape <= 1.0001 * old_shape and not (by_valence and new_shape > 0.35):
            continue
        va, ra = _valence(M, a)
        vb, rb = _valence(M, b)
        if va <= (3 if ra == 6 else 1) or vb <= (3 if rb == 6 else 1):
            continue
        if by_valence and old_shape > 0.1:
            vc, rc = _valence(M, c)
            vd, rd = _valence(M, d)
            old = abs(va - ra) + abs(vb - rb) + abs(vc - rc) + abs(vd - rd)
            new = abs(va - 1 - ra) + abs(vb - 1 - rb) + abs(vc + 1 - rc) + abs(vd + 1 - rd)
            if new >= old:
                continue
        x1, y1, z1 = cross(A, B, C)
        x2, y2, z2 = cross(B, A, D)
        x, y, z = x1 + x2, y1 + y2, z1 + z2
        size = np.sqrt(x * x + y * y + z * z)
        x1, y1, z1 = cross(C, A, D)
        x2, y2, z2 = cross(D, B, C)
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


@inner
def _add(total, X, v):
    for j in range(3):
        total[j] += X[v, j]


@njit(cache=True)
def relax(M, surface, lines, step):
    """Moves vertices along the surface towards the middle of their ring and back onto `surface`.

    surface, lines : trees of the reference surface and of its borders and creases; LINE vertices
    slide along `lines`, CORNER vertices stay. No face is turned over.
    """
    none = np.int64(-1)  # a bare -1 would be compiled for itself as well
    ring = np.empty(RING, np.int32)
    q = np.empty(3)
    p = np.empty(3)
    n = np.empty(3)
    for v in range(M.used[0]):
        if M.out[v] < 0 or M.kind[v] == CORNER:
            continue
        k = ring_of(M, np.int32(v), ring)
        if k < 0:
            continue
        x = M.X[v]
        for j in range(3):
            n[j] = q[j] = 0.0
        if M.kind[v] == LINE:
            ends = 0
            for i in range(k):
                h = ring[i]
                if M.crease[h] or M.twin[h] < 0:
                    _add(q, M.X, M.corner[onward(h)])
                    ends += 1
            h = before(ring[k - 1])
            if M.twin[h] < 0:
                _add(q, M.X, M.corner[h])
                ends += 1
            if ends != 2:
                continue
            for j in range(3):
                q[j] = x[j] + step * (0.5 * q[j] - x[j])
            where = nearest_in_tree(lines, q, n, -np.inf, M.line_hint[v], p)
            if where < 0 or turns(M, ring, k, none, none, p, 0.5):
                continue
            M.line_hint[v] = where
        else:
            total = 0.0
            for i in range(k):
                a, b = M.X[M.corner[onward(ring[i])]], M.X[M.corner[before(ring[i])]]
                cx, cy, cz = cross(x, a, b)
                w = np.sqrt(cx * cx + cy * cy + cz * cz)
                n[0] += cx
                n[1] += cy
                n[2] += cz
                # Centres of dense parts weigh more, so that short edges do not spread.
                s = (
                    M.size[v]
                    + M.size[M.corner[onward(ring[i])]]
                    + M.size[M.corner[before(ring[i])]]
                )
                w /= s * s
                for j in range(3):
                    q[j] += w * (x[j] + a[j] + b[j]) / 3.0
                total += w
            size = np.sqrt(n[0] ** 2 + n[1] ** 2 + n[2] ** 2)
            if total <= 0.0 or size <= 0.0:
                continue
            away = 0.0
            for j in range(3):
                n[j] /= size
                q[j] /= total
                away += n[j] * (q[j] - x[j])
            for j in range(3):
                q[j] = x[j] + step * (q[j] - x[j] - away * n[j])
            where = nearest_in_tree(surface, q, n, 0.2, M.hint[v], p)
            if where < 0 or turns(M, ring, k, none, none, p, 0.5):
                continue
            M.hint[v] = where
        x[0], x[1], x[2] = p[0], p[1], p[2]
