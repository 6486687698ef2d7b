"""Better triangles along curves that were cut into a mesh, the curves and the surface kept.

Works on an EditMesh whose labelled edges are curves. Short edges are collapsed, long ones split,
edges flipped, inner vertices moved along the surface and curve vertices along their curves until
they are evenly spaced (after Botsch & Kobbelt, A remeshing approach to multiresolution modeling,
SGP 2004, restricted to a band and with curves held). Every vertex stays on the unedited surface.
"""

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.geometry.editmesh import (
    can_collapse,
    collapse_edge,
    corner,
    faces_around,
    flip_edge,
    split_edge,
)
from flatten.geometry.nearest import Ground, nearest_on_triangle, walk_to_nearest

FREE, HELD = -1, -2

# A curve or surface may come to lie this share of the local edge length from where it was.
STRAY = 0.04
SHORT, LONG = 0.62, 1.6
COS_GOOD, COS_FAIR, COS_POOR = 0.906, 0.94, 0.985  # smallest angles of 25, 20 and 10 degrees


class Curves(NamedTuple):
    """Polylines that curve vertices slide along; curve k has points start[k]:start[k + 1].

    P : (p, 3) mm; s : (p,) length from the curve's first point; face : (p,) the unedited face that
    the segment from point i to i + 1 lies in
    """

    start: NDArray[np.int64]
    P: NDArray[np.float64]
    s: NDArray[np.float64]
    face: NDArray[np.int32]


class Band(NamedTuple):
    """What is known of each vertex while the mesh is improved.

    tag : FREE, HELD, or the curve that the vertex may slide along; s : where on that curve
    active : whether it may change; size : wanted edge length; N : (n, 3) surface normal
    bary : (n, 3) its place in its home face
    """

    tag: NDArray[np.int32]
    s: NDArray[np.float64]
    active: NDArray[np.bool_]
    size: NDArray[np.float64]
    N: NDArray[np.float64]
    bary: NDArray[np.float64]


@njit(cache=True)
def _cross(u, v):
    return np.array([
        u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]
    ])  # fmt: skip


@njit(cache=True)
def sharpness(a, b, c):
    """Cosine of a triangle's smallest angle: 0.5 is the best, 1 the worst."""
    u, v, w = b - a, c - b, a - c
    lu, lv, lw = np.sqrt(np.dot(u, u)), np.sqrt(np.dot(v, v)), np.sqrt(np.dot(w, w))
    if lu * lv * lw == 0.0:
        return 1.0
    return max(-np.dot(u, w) / (lu * lw), -np.dot(u, v) / (lu * lv), -np.dot(v, w) / (lv * lw))


@njit(cache=True)
def _upright(band, i, j, k, a, b, c):
    """Cosine between the triangle at a, b, c and the surface normals of vertices i, j, k."""
    n = _cross(b - a, c - a)
    m = band.N[i] + band.N[j] + band.N[k]
    length = np.sqrt(np.dot(n, n) * np.dot(m, m))
    return np.dot(n, m) / length if length > 0 else -1.0


@njit(cache=True)
def _distance(p, q):
    d = p - q
    return np.sqrt(np.dot(d, d))


@njit(cache=True)
def _on_curve(curves, k, s):
    """Point and home face at length s of curve k."""
    low, high = curves.start[k], curves.start[k + 1] - 1
    i = np.searchsorted(curves.s[low : high + 1], s) + low
    i = min(max(i, low + 1), high)
    step = curves.s[i] - curves.s[i - 1]
    t = (s - curves.s[i - 1]) / step if step > 0 else 0.0
    return (1 - t) * curves.P[i - 1] + t * curves.P[i], curves.face[i - 1]


@njit(cache=True)
def _stray(curves, k, s0, s1, p, q):
    """How far curve k strays between s0 and s1 from the straight line p, q."""
    low, high = curves.start[k], curves.start[k + 1]
    step = q - p
    reach = np.dot(step, step)
    worst = 0.0
    first = np.searchsorted(curves.s[low:high], s0) + low
    for i in range(first, high):
        if curves.s[i] >= s1:
            break
        t = np.dot(curves.P[i] - p, step) / reach if reach > 0 else 0.0
        t = min(max(t, 0.0), 1.0)
        worst = max(worst, _distance(curves.P[i], p + t * step))
    return worst


@njit(cache=True)
def _along(mesh, band, curves, v, ring):
    """The neighbours of a curve vertex on its curve, behind and ahead, and their places."""
    k = band.tag[v]
    F, C = mesh.F, mesh.C
    count, _ = faces_around(mesh, v, ring)
    behind, ahead = -1, -1
    for x in range(count):
        f = ring[x]
        i = corner(F, f, v)
        if C[f, i] == 2 * k:
            ahead = F[f, (i + 1) % 3]
        elif C[f, i] == 2 * k + 1:
            behind = F[f, (i + 1) % 3]
        j = (i + 2) % 3
        if C[f, j] == 2 * k:
            behind = F[f, j]
        elif C[f, j] == 2 * k + 1:
            ahead = F[f, j]
    s0 = band.s[behind] if behind >= 0 and band.tag[behind] == k else 0.0
    s1 = curves.s[curves.start[k + 1] - 1]
    if ahead >= 0 and band.tag[ahead] == k:
        s1 = band.s[ahead]
    return behind, ahead, s0, s1


@njit(cache=True)
def _star_sharpness(mesh, band, ring, count, v, x, gone1, gone2, w):
    """Worst sharpness of the faces at v if v lay at x and became w; 2 where one would turn over.

    Faces gone1 and gone2 are left out.
    """
    worst = -1.0
    for r in range(count):
        f = ring[r]
        if f == gone1 or f == gone2:
            continue
        i = corner(mesh.F, f, v)
        p, q = mesh.F[f, (i + 1) % 3], mesh.F[f, (i + 2) % 3]
        up = _upright(band, w, p, q, x, mesh.V[p], mesh.V[q])
        if up < 0.5 and up < _upright(band, v, p, q, mesh.V[v], mesh.V[p], mesh.V[q]) + 1e-9:
            return 2.0
        worst = max(worst, sharpness(x, mesh.V[p], mesh.V[q]))
    return worst


@njit(cache=True)
def _all_active(mesh, band, f):
    F = mesh.F
    return F[f, 0] >= 0 and band.active[F[f, 0]] and band.active[F[f, 1]] and band.active[F[f, 2]]


@njit(cache=True)
def _try_collapse(mesh, band, curves, f, i, a, limit, ring, ring2):
    """Merges end a of edge i of face f into the other end if curves, surface and shape allow.

    The faces left may be no sharper than `limit`, or than the worst before.
    """
    F, V, C = mesh.F, mesh.V, mesh.C
    b = F[f, (i + 1) % 3] if F[f, i] == a else F[f, i]
    tag = band.tag[a]
    if tag == HELD:
        return False
    size = min(band.size[a], band.size[b])
    if tag >= 0:
        if C[f, i] < 0 or C[f, i] // 2 != tag:
            return False
        behind, ahead, s0, s1 = _along(mesh, band, curves, a, ring)
        if behind < 0 or ahead < 0 or behind == ahead:
            return False
        if _stray(curves, tag, s0, s1, V[behind], V[ahead]) > STRAY * size:
            return False
    if not can_collapse(mesh, f, i, ring, ring2):
        return False
    count, _ = faces_around(mesh, a, ring)
    k = mesh.A[f, i]
    gap = 1e300
    for r in range(count):
        g = ring[r]
        if not _all_active(mesh, band, g):
            return False
        if g == f or g == k:
            continue
        j = corner(F, g, a)
        p, q = V[F[g, (j + 1) % 3]], V[F[g, (j + 2) % 3]]
        if _distance(V[b], p) > 2.0 * size or _distance(V[b], q) > 2.0 * size:
            return False
        w = nearest_on_triangle(V[a], V[b], p, q)
        gap = min(gap, _distance(V[a], w[0] * V[b] + w[1] * p + w[2] * q))
    if tag == FREE and gap > STRAY * size:
        return False
    before = _star_sharpness(mesh, band, ring, count, a, V[a], -1, -1, a)
    after = _star_sharpness(mesh, band, ring, count, a, V[b], f, k, b)
    if after > max(limit, before):
        return False
    collapse_edge(mesh, f, i, a, ring)
    return True


@njit(cache=True)
def _collapse_short(mesh, band, curves, share, limit, ring, ring2):
    """One sweep over the edges shorter than `share` of the wanted length."""
    done = 0
    for f in range(mesh.count[1]):
        for i in range(3):
            if not _all_active(mesh, band, f):
                break
            a, b = mesh.F[f, i], mesh.F[f, (i + 1) % 3]
            if _distance(mesh.V[a], mesh.V[b]) >= share * min(band.size[a], band.size[b]):
                continue
            if _try_collapse(mesh, band, curves, f, i, a, limit, ring, ring2) or _try_collapse(
                mesh, band, curves, f, i, b, limit, ring, ring2
            ):
                done += 1
    return done


@njit(cache=True)
def _set_place(mesh, band, ground, v, g, w):
    """Puts v at barycentric place w of the unedited face g."""
    V, F, N = ground.V, ground.F, ground.N
    a, b, c = F[g, 0], F[g, 1], F[g, 2]
    mesh.home[v] = g
    band.bary[v, 0], band.bary[v, 1], band.bary[v, 2] = w[0], w[1], w[2]
    mesh.V[v] = w[0] * V[a] + w[1] * V[b] + w[2] * V[c]
    n = w[0] * N[a] + w[1] * N[b] + w[2] * N[c]
    length = np.sqrt(np.dot(n, n))
    if length > 0:
        band.N[v] = n / length


@njit(cache=True)
def place_vertices(mesh, band, ground, first):
    """Fills place and normal of the vertices from `first` on, which lie in their home faces."""
    V, F = ground.V, ground.F
    for v in range(first, mesh.count[0]):
        g = mesh.home[v]
        w = nearest_on_triangle(mesh.V[v], V[F[g, 0]], V[F[g, 1]], V[F[g, 2]])
        _set_place(mesh, band, ground, v, g, w)


@njit(cache=True)
def _halve(mesh, band, ground, curves, f, i, ring):
    """Splits edge i of face f in the middle, on the surface or on its curve; False without room."""
    F, V = mesh.F, mesh.V
    v = mesh.count[0]
    if v == len(V) or mesh.count[1] + 2 > len(F):
        return False
    a, b = F[f, i], F[f, (i + 1) % 3]
    label = mesh.C[f, i]
    middle = 0.5 * (V[a] + V[b])
    band.tag[v] = FREE
    band.active[v] = True
    band.size[v] = 0.5 * (band.size[a] + band.size[b])
    home = mesh.home[a]
    V[v] = middle
    mesh.count[0] += 1
    if label >= 0:
        k = label // 2
        start, end = (a, b) if label % 2 == 0 else (b, a)
        s0 = band.s[start] if band.tag[start] == k else 0.0
        s1 = band.s[end] if band.tag[end] == k else curves.s[curves.start[k + 1] - 1]
        band.tag[v], band.s[v] = k, 0.5 * (s0 + s1)
        middle, home = _on_curve(curves, k, band.s[v])
    split_edge(mesh, f, i, v)
    g, w = walk_to_nearest(ground, middle, home)
    _set_place(mesh, band, ground, v, g, w)
    return True


@njit(cache=True)
def _split_long(mesh, band, ground, curves, ring):
    """One sweep over edges longer than LONG times the wanted length."""
    done = 0
    for f in range(mesh.count[1]):
        for i in range(3):
            if not _all_active(mesh, band, f):
                break
            a, b = mesh.F[f, i], mesh.F[f, (i + 1) % 3]
            length = _distance(mesh.V[a], mesh.V[b])
            if length > LONG * max(band.size[a], band.size[b]):
                done += _halve(mesh, band, ground, curves, f, i, ring)
    return done


@njit(cache=True)
def _line_gap(a, b, c, d):
    """Distance between the middles of the segments a b and c d, along their common normal."""
    n = _cross(b - a, d - c)
    length = np.sqrt(np.dot(n, n))
    return abs(np.dot(n, c - a)) / length if length > 0 else 0.0


@njit(cache=True)
def _flip_sweep(mesh, band, ring):
    """One sweep of flips that raise the smaller angle or take away a chord between curves."""
    F, V, A, C = mesh.F, mesh.V, mesh.A, mesh.C
    done = 0
    for f in range(mesh.count[1]):
        for i in range(3):
            if not _all_active(mesh, band, f) or C[f, i] >= 0 or A[f, i] < 0:
                continue
            k = A[f, i]
            a, b, c = F[f, i], F[f, (i + 1) % 3], F[f, (i + 2) % 3]
            d = F[k, (corner(F, k, b) + 2) % 3]
            if not band.active[d]:
                continue
            pa, pb, pc, pd = V[a], V[b], V[c], V[d]
            now = max(sharpness(pa, pb, pc), sharpness(pb, pa, pd))
            then = max(sharpness(pa, pd, pc), sharpness(pd, pb, pc))
            chord = band.tag[a] != FREE and band.tag[b] != FREE
            new_chord = band.tag[c] != FREE and band.tag[d] != FREE
            if new_chord and not chord:
                better = now > COS_POOR and then < now - 1e-3
            elif chord and not new_chord:
                better = then < COS_FAIR or then < now - 1e-6
            else:
                better = then < now - 1e-6
            if not better:
                continue
            least = min(_upright(band, a, b, c, pa, pb, pc), _upright(band, b, a, d, pb, pa, pd))
            least = min(least, 0.5)
            if (
                _upright(band, a, d, c, pa, pd, pc) < least
                or _upright(band, d, b, c, pd, pb, pc) < least
                or _line_gap(pa, pb, pc, pd) > STRAY * min(band.size[a], band.size[b])
                or _joined(mesh, c, d, ring)
            ):
                continue
            flip_edge(mesh, f, i)
            done += 1
    return done


@njit(cache=True)
def _joined(mesh, c, d, ring):
    """Whether c and d share an edge already."""
    count, _ = faces_around(mesh, c, ring)
    if count < 0:
        return True
    for x in range(count):
        if corner(mesh.F, ring[x], d) >= 0:
            return True
    return False


@njit(cache=True)
def _slide(mesh, band, ground, curves, v, ring):
    """Moves a curve vertex half way to the middle between its neighbours on the curve."""
    V = mesh.V
    k = band.tag[v]
    behind, ahead, s0, s1 = _along(mesh, band, curves, v, ring)
    if behind < 0 or ahead < 0:
        return
    s = 0.5 * (band.s[v] + 0.5 * (s0 + s1))
    _try_curve_place(mesh, band, ground, curves, v, k, s, behind, ahead, s0, s1, COS_FAIR, ring)


@njit(cache=True)
def _try_curve_place(mesh, band, ground, curves, v, k, s, behind, ahead, s0, s1, limit, ring):
    """Moves v to s on its curve unless a face gets sharper than `limit` and than before."""
    V = mesh.V
    x, home = _on_curve(curves, k, s)
    allowed = STRAY * band.size[v]
    now = max(
        _stray(curves, k, s0, band.s[v], V[behind], V[v]),
        _stray(curves, k, band.s[v], s1, V[v], V[ahead]),
    )
    then = max(_stray(curves, k, s0, s, V[behind], x), _stray(curves, k, s, s1, x, V[ahead]))
    if then > max(allowed, now):
        return False
    count, _ = faces_around(mesh, v, ring)
    before = _star_sharpness(mesh, band, ring, count, v, V[v], -1, -1, v)
    after = _star_sharpness(mesh, band, ring, count, v, x, -1, -1, v)
    if after > max(limit, before - 1e-9):
        return False
    band.s[v] = s
    g, w = walk_to_nearest(ground, x, home)
    _set_place(mesh, band, ground, v, g, w)
    return True


@njit(cache=True)
def _try_place(mesh, band, ground, v, x, limit, ring, count):
    """Moves a free vertex to the surface near x unless a face gets sharper than `limit`."""
    g, w = walk_to_nearest(ground, x, mesh.home[v])
    F = ground.F
    y = w[0] * ground.V[F[g, 0]] + w[1] * ground.V[F[g, 1]] + w[2] * ground.V[F[g, 2]]
    before = _star_sharpness(mesh, band, ring, count, v, mesh.V[v], -1, -1, v)
    after = _star_sharpness(mesh, band, ring, count, v, y, -1, -1, v)
    if after > max(limit, before - 1e-9):
        return False
    _set_place(mesh, band, ground, v, g, w)
    return True


@njit(cache=True)
def _relax(mesh, band, ground, curves, ring):
    """One sweep: free vertices towards the middle of their faces, curve vertices evenly spaced."""
    V = mesh.V
    for v in range(mesh.count[0]):
        if not band.active[v] or mesh.star[v] < 0 or band.tag[v] == HELD:
            continue
        count, inside = faces_around(mesh, v, ring)
        whole = count > 0
        for r in range(count):
            whole = whole and _all_active(mesh, band, ring[r])
        if not whole:
            continue
        if band.tag[v] >= 0:
            _slide(mesh, band, ground, curves, v, ring)
            continue
        if not inside:
            continue
        total, middle = 0.0, np.zeros(3)
        for r in range(count):
            f = ring[r]
            a, b, c = mesh.F[f, 0], mesh.F[f, 1], mesh.F[f, 2]
            n = _cross(V[b] - V[a], V[c] - V[a])
            area = np.sqrt(np.dot(n, n))
            total += area
            middle += area * (V[a] + V[b] + V[c]) / 3.0
        if total == 0.0:
            continue
        move = middle / total - V[v]
        move -= np.dot(move, band.N[v]) * band.N[v]
        _try_place(mesh, band, ground, v, V[v] + move, COS_GOOD, ring, count)


@njit(cache=True)
def _polish(mesh, band, ground, curves, ring):
    """Moves vertices of faces with small angles wherever that makes the worst face at them better.

    A pattern search on the smallest angle (Freitag & Ollivier-Gooch, Tetrahedral mesh improvement
    using swapping and smoothing, 1997, by search instead of their linear programme).
    """
    V, F = mesh.V, mesh.F
    done = 0
    for f in range(mesh.count[1]):
        if not _all_active(mesh, band, f):
            continue
        if sharpness(V[F[f, 0]], V[F[f, 1]], V[F[f, 2]]) < COS_GOOD:
            continue
        for i in range(3):
            v = F[f, i]
            if band.tag[v] == HELD:
                continue
            count, inside = faces_around(mesh, v, ring)
            whole = count > 0
            for r in range(count):
                whole = whole and _all_active(mesh, band, ring[r])
            if not whole:
                continue
            if band.tag[v] >= 0:
                k = band.tag[v]
                behind, ahead, s0, s1 = _along(mesh, band, curves, v, ring)
                if behind < 0 or ahead < 0:
                    continue
                for step in (0.2, -0.2, 0.07, -0.07):
                    s = band.s[v] + step * (s1 - s0)
                    if s0 + 0.25 * (s1 - s0) < s < s1 - 0.25 * (s1 - s0):
                        done += _try_curve_place(
                            mesh, band, ground, curves, v, k, s, behind, ahead, s0, s1, 0.0, ring
                        )
            elif inside:
                u = V[F[f, (i + 1) % 3]] - V[v]
                u -= np.dot(u, band.N[v]) * band.N[v]
                length = np.sqrt(np.dot(u, u))
                if length == 0.0:
                    continue
                u /= length
                w = _cross(band.N[v], u)
                for step in (0.3, 0.1, 0.03):
                    for turn in range(8):
                        angle = turn * np.pi / 4
                        x = V[v] + step * band.size[v] * (np.cos(angle) * u + np.sin(angle) * w)
                        done += _try_place(mesh, band, ground, v, x, 0.0, ring, count)
    return done


@njit(cache=True)
def _split_chords(mesh, band, ground, curves, ring):
    """Halves the plain edges that join two curve vertices, unless that leaves slivers."""
    F, V, C, A = mesh.F, mesh.V, mesh.C, mesh.A
    done = 0
    for f in range(mesh.count[1]):
        for i in range(3):
            if not _all_active(mesh, band, f) or C[f, i] >= 0 or A[f, i] < 0:
                continue
            k = A[f, i]
            a, b, c = F[f, i], F[f, (i + 1) % 3], F[f, (i + 2) % 3]
            if band.tag[a] == FREE or band.tag[b] == FREE:
                continue
            d = F[k, (corner(F, k, b) + 2) % 3]
            middle = 0.5 * (V[a] + V[b])
            worst = max(sharpness(V[a], middle, V[c]), sharpness(middle, V[b], V[c]))
            worst = max(worst, sharpness(V[b], middle, V[d]), sharpness(middle, V[a], V[d]))
            if worst < COS_POOR:
                done += _halve(mesh, band, ground, curves, f, i, ring)
    return done


@njit(cache=True)
def improve(mesh, band, ground, curves, ring, ring2):
    """Improves the active part of the mesh in place."""
    for share in (0.25, 0.45, SHORT):
        _collapse_short(mesh, band, curves, share, COS_POOR, ring, ring2)
    for sweep in range(5):
        _split_long(mesh, band, ground, curves, ring)
        for _ in range(3):
            if _flip_sweep(mesh, band, ring) == 0:
                break
        for _ in range(2):
            _relax(mesh, band, ground, curves, ring)
        if sweep < 4:
            _collapse_short(mesh, band, curves, SHORT, COS_FAIR, ring, ring2)
        if sweep == 2:
            _split_chords(mesh, band, ground, curves, ring)
    for _ in range(3):
        _split_chords(mesh, band, ground, curves, ring)
        _flip_sweep(mesh, band, ring)
        _polish(mesh, band, ground, curves, ring)
