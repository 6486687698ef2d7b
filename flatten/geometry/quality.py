"""Better triangles along curves that were cut into a mesh, the curves and the surface kept.

Works on an EditMesh whose labelled edges are curves. Short edges are collapsed, long ones split,
edges flipped, inner vertices moved along the surface and curve vertices along their curves until
they are evenly spaced (after Botsch & Kobbelt, A remeshing approach to multiresolution modeling,
SGP 2004, restricted to a band and with curves held). Every vertex stays on the unedited surface.
"""

from math import cos, pi, sin

from numba import njit

from flatten.geometry.band import (
    FREE,
    HELD,
    NONE,
    all_active,
    along,
    face_sharpness,
    on_curve,
    set_place,
    sharpness,
    star_gap,
    star_sharpness,
    stray,
    upright,
)
from flatten.geometry.editmesh import (
    can_collapse,
    collapse_edge,
    corner,
    faces_around,
    flip_edge,
    split_edge,
)
from flatten.geometry.nearest import walk_to_nearest
from flatten.geometry.space import at, cross, dot, gap, inner, minus, mix, norm, plus, put

# A curve or surface may come to lie this share of the local edge length from where it was.
STRAY = 0.04
# Moves shorter than this share of it are not worth looking at.
STILL = 0.03
SHORT, LONG = 0.62, 1.6
COS_GOOD, COS_FAIR, COS_POOR = 0.906, 0.94, 0.985  # smallest angles of 25, 20 and 10 degrees


@inner
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
        behind, ahead, s0, s1 = along(mesh, band, curves, a, ring)
        if behind < 0 or ahead < 0 or behind == ahead:
            return False
        if stray(curves, tag, s0, s1, at(V, behind), at(V, ahead)) > STRAY * size:
            return False
    if not can_collapse(mesh, f, i, ring, ring2):
        return False
    count, _ = faces_around(mesh, a, ring)
    k = mesh.A[f, i]
    old, new = at(V, a), at(V, b)
    for r in range(count):
        g = ring[r]
        if not all_active(F, band.active, g):
            return False
        for j in range(3):
            if g not in (f, k) and gap(new, at(V, F[g, j])) > 2.0 * size and F[g, j] != a:
                return False
    if star_gap(mesh.F, mesh.V, ring, count, a, new, f, k, old) > STRAY * size:
        return False
    before = star_sharpness(mesh.F, mesh.V, band.N, ring, count, a, old, NONE, NONE, a)
    after = star_sharpness(mesh.F, mesh.V, band.N, ring, count, a, new, f, k, b)
    if after > max(limit, before):
        return False
    collapse_edge(mesh, f, i, a, ring)
    return True


@njit(cache=True)
def _collapse_short(mesh, band, curves, share, limit, ring, ring2):
    """One sweep over the edges shorter than `share` of the wanted length."""
    V, F = mesh.V, mesh.F
    for f in range(mesh.used[1]):
        for i in range(3):
            if not all_active(F, band.active, f):
                break
            a, b = F[f, i], F[f, (i + 1) % 3]
            if gap(at(V, a), at(V, b)) >= share * min(band.size[a], band.size[b]):
                continue
            for way in range(2):
                gone = a if way == 0 else b
                if _try_collapse(mesh, band, curves, f, i, gone, limit, ring, ring2):
                    break


@inner
def _halve(mesh, band, ground, curves, f, i):
    """Splits edge i of face f in the middle, on the surface or on its curve, while room lasts."""
    F, V = mesh.F, mesh.V
    v = mesh.used[0]
    if v == len(V) or mesh.used[1] + 2 > len(F):
        return
    a, b = F[f, i], F[f, (i + 1) % 3]
    label = mesh.C[f, i]
    p = at(V, a)
    middle = plus(p, 0.5, minus(at(V, b), p))
    home = mesh.home[a]
    band.tag[v] = FREE
    band.active[v] = True
    band.size[v] = 0.5 * (band.size[a] + band.size[b])
    put(V, v, middle)
    mesh.used[0] += 1
    if label >= 0:
        k = label // 2
        start = a if label % 2 == 0 else b
        end = b if label % 2 == 0 else a
        s0 = band.s[start] if band.tag[start] == k else 0.0
        s1 = band.s[end] if band.tag[end] == k else curves.s[curves.start[k + 1] - 1]
        band.tag[v], band.s[v] = k, 0.5 * (s0 + s1)
        middle, home = on_curve(curves, k, band.s[v])
    split_edge(mesh, f, i, v)
    g, w = walk_to_nearest(ground, middle, home)
    set_place(mesh, band, ground, v, g, w)


@njit(cache=True)
def _split_long(mesh, band, ground, curves):
    """One sweep over edges longer than LONG times the wanted length."""
    V, F = mesh.V, mesh.F
    for f in range(mesh.used[1]):
        for i in range(3):
            if not all_active(F, band.active, f):
                break
            a, b = F[f, i], F[f, (i + 1) % 3]
            if gap(at(V, a), at(V, b)) > LONG * max(band.size[a], band.size[b]):
                _halve(mesh, band, ground, curves, f, i)


@njit(cache=True)
def _split_chords(mesh, band, ground, curves):
    """Halves the plain edges that join two curve vertices, unless that leaves slivers."""
    F, V, C, A = mesh.F, mesh.V, mesh.C, mesh.A
    for f in range(mesh.used[1]):
        for i in range(3):
            if not all_active(F, band.active, f) or C[f, i] >= 0 or A[f, i] < 0:
                continue
            k = A[f, i]
            a, b, c = F[f, i], F[f, (i + 1) % 3], F[f, (i + 2) % 3]
            if band.tag[a] == FREE or band.tag[b] == FREE:
                continue
            d = F[k, (corner(F, k, b) + 2) % 3]
            pa, pb, pc, pd = at(V, a), at(V, b), at(V, c), at(V, d)
            middle = plus(pa, 0.5, minus(pb, pa))
            worst = max(sharpness(pa, middle, pc), sharpness(middle, pb, pc))
            worst = max(worst, sharpness(pb, middle, pd), sharpness(middle, pa, pd))
            if worst < COS_POOR:
                _halve(mesh, band, ground, curves, f, i)


@inner
def _line_gap(a, b, c, d):
    """Distance between the lines a b and c d, along their common normal."""
    n = cross(minus(b, a), minus(d, c))
    length = norm(n)
    return abs(dot(n, minus(c, a))) / length if length > 0 else 0.0


@inner
def _joined(mesh, c, d, ring):
    """Whether c and d share an edge already."""
    count, _ = faces_around(mesh, c, ring)
    found = count < 0
    for x in range(count):
        found = found or corner(mesh.F, ring[x], d) >= 0
    return found


@njit(cache=True)
def _flip_sweep(mesh, band, ring):
    """One sweep of flips that raise the smaller angle or take away a chord between curves."""
    F, V, A, C = mesh.F, mesh.V, mesh.A, mesh.C
    done = 0
    for f in range(mesh.used[1]):
        for i in range(3):
            if not all_active(F, band.active, f) or C[f, i] >= 0 or A[f, i] < 0:
                continue
            k = A[f, i]
            a, b, c = F[f, i], F[f, (i + 1) % 3], F[f, (i + 2) % 3]
            d = F[k, (corner(F, k, b) + 2) % 3]
            if not band.active[d]:
                continue
            pa, pb, pc, pd = at(V, a), at(V, b), at(V, c), at(V, d)
            now = max(sharpness(pa, pb, pc), sharpness(pb, pa, pd))
            then = max(sharpness(pa, pd, pc), sharpness(pd, pb, pc))
            chord = band.tag[a] != FREE and band.tag[b] != FREE
            new_chord = band.tag[c] != FREE and band.tag[d] != FREE
            better = then < now - 1e-6
            if new_chord and not chord:
                better = better and now > COS_POOR
            elif chord and not new_chord:
                better = better or then < COS_FAIR
            if not better:
                continue
            least = min(upright(band.N, a, b, c, pa, pb, pc), upright(band.N, b, a, d, pb, pa, pd))
            least = min(least, 0.5)
            if (
                upright(band.N, a, d, c, pa, pd, pc) < least
                or upright(band.N, d, b, c, pd, pb, pc) < least
                or _line_gap(pa, pb, pc, pd) > STRAY * min(band.size[a], band.size[b])
                or _joined(mesh, c, d, ring)
            ):
                continue
            flip_edge(mesh, f, i)
            done += 1
    return done


@inner
def _try_curve_place(mesh, band, ground, curves, v, s, limit, ring):
    """Moves v to s on its curve unless a face gets sharper than `limit` and than before."""
    V, k = mesh.V, band.tag[v]
    behind, ahead, s0, s1 = along(mesh, band, curves, v, ring)
    if behind < 0 or ahead < 0:
        return
    old, before, after = at(V, v), at(V, behind), at(V, ahead)
    x, home = on_curve(curves, k, s)
    now = max(
        stray(curves, k, s0, band.s[v], before, old), stray(curves, k, band.s[v], s1, old, after)
    )
    then = max(stray(curves, k, s0, s, before, x), stray(curves, k, s, s1, x, after))
    if then > max(STRAY * band.size[v], now):
        return
    count, _ = faces_around(mesh, v, ring)
    sharp = star_sharpness(mesh.F, mesh.V, band.N, ring, count, v, old, NONE, NONE, v)
    if star_sharpness(mesh.F, mesh.V, band.N, ring, count, v, x, NONE, NONE, v) > max(
        limit, sharp - 1e-9
    ):
        return
    band.s[v] = s
    g, w = walk_to_nearest(ground, x, home)
    set_place(mesh, band, ground, v, g, w)


@inner
def _try_place(mesh, band, ground, v, x, limit, ring, count):
    """Moves a free vertex to the surface near x unless a face gets sharper than `limit`."""
    g, w = walk_to_nearest(ground, x, mesh.home[v])
    F = ground.F
    y = mix(w, at(ground.V, F[g, 0]), at(ground.V, F[g, 1]), at(ground.V, F[g, 2]))
    old = at(mesh.V, v)
    sharp = star_sharpness(mesh.F, mesh.V, band.N, ring, count, v, old, NONE, NONE, v)
    if (
        star_sharpness(mesh.F, mesh.V, band.N, ring, count, v, y, NONE, NONE, v)
        <= max(limit, sharp - 1e-9)
        and star_gap(mesh.F, mesh.V, ring, count, v, y, NONE, NONE, old) <= STRAY * band.size[v]
    ):
        set_place(mesh, band, ground, v, g, w)


@inner
def _movable(mesh, band, v, ring):
    """How many faces lie at v, 0 where it may not move."""
    if not band.active[v] or band.firm[v] or mesh.star[v] < 0 or band.tag[v] == HELD:
        return 0
    count, inside = faces_around(mesh, v, ring)
    if count < 0 or (band.tag[v] == FREE and not inside):
        return 0
    for r in range(count):
        if not all_active(mesh.F, band.active, ring[r]):
            return 0
    return count


@njit(cache=True)
def _relax(mesh, band, ground, curves, ring):
    """One sweep: free vertices towards the middle of their faces, curve vertices evenly spaced."""
    V, F = mesh.V, mesh.F
    for v in range(mesh.used[0]):
        count = _movable(mesh, band, v, ring)
        if count == 0:
            continue
        if band.tag[v] >= 0:
            _, _, s0, s1 = along(mesh, band, curves, v, ring)
            s = 0.5 * band.s[v] + 0.25 * (s0 + s1)
            _try_curve_place(mesh, band, ground, curves, v, s, COS_FAIR, ring)
            continue
        total, middle, here = 0.0, (0.0, 0.0, 0.0), at(V, v)
        for r in range(count):
            f = ring[r]
            a, b, c = at(V, F[f, 0]), at(V, F[f, 1]), at(V, F[f, 2])
            area = norm(cross(minus(b, a), minus(c, a)))
            total += area
            middle = plus(middle, area / 3.0, minus(plus(plus(a, 1.0, b), 1.0, c), here))
            middle = plus(middle, -2.0 * area / 3.0, here)
        if total == 0.0:
            continue
        move = plus((0.0, 0.0, 0.0), 1.0 / total, middle)
        normal = at(band.N, v)
        move = plus(move, -dot(move, normal), normal)
        if norm(move) > STILL * band.size[v]:
            _try_place(mesh, band, ground, v, plus(here, 1.0, move), COS_GOOD, ring, count)


@njit(cache=True)
def _polish(mesh, band, ground, curves, ring):
    """Moves vertices of faces with small angles wherever that makes the worst face at them better.

    A pattern search on the smallest angle (Freitag & Ollivier-Gooch, Tetrahedral mesh improvement
    using swapping and smoothing, 1997, by search instead of their linear programme).
    """
    V, F = mesh.V, mesh.F
    for f in range(mesh.used[1]):
        if not all_active(F, band.active, f) or face_sharpness(F, V, f) < COS_GOOD:
            continue
        for i in range(3):
            v = F[f, i]
            count = _movable(mesh, band, v, ring)
            if count == 0:
                continue
            if band.tag[v] >= 0:
                _, _, s0, s1 = along(mesh, band, curves, v, ring)
                for step in (0.2, -0.2, 0.07, -0.07):
                    s = band.s[v] + step * (s1 - s0)
                    if 0.75 * s0 + 0.25 * s1 < s < 0.25 * s0 + 0.75 * s1:
                        _try_curve_place(mesh, band, ground, curves, v, s, 0.0, ring)
                continue
            normal = at(band.N, v)
            u = minus(at(V, F[f, (i + 1) % 3]), at(V, v))
            u = plus(u, -dot(u, normal), normal)
            length = norm(u)
            if length == 0.0:
                continue
            side = cross(normal, u)
            for step in (0.3, 0.1, 0.03):
                reach = step * band.size[v] / length
                for turn in range(8):
                    x = plus(at(V, v), reach * cos(turn * pi / 4), u)
                    x = plus(x, reach * sin(turn * pi / 4), side)
                    _try_place(mesh, band, ground, v, x, 0.0, ring, count)


def improve(mesh, band, ground, curves, ring, ring2):
    """Improves the active part of the mesh in place; the rings are room for (k,) face numbers."""
    for share in (0.25, 0.45, SHORT):
        _collapse_short(mesh, band, curves, share, COS_POOR, ring, ring2)
    for sweep in range(5):
        _split_long(mesh, band, ground, curves)
        for _ in range(3):
            if _flip_sweep(mesh, band, ring) == 0:
                break
        for _ in range(2):
            _relax(mesh, band, ground, curves, ring)
        if sweep < 4:
            _collapse_short(mesh, band, curves, SHORT, COS_FAIR, ring, ring2)
        if sweep == 2:
            _split_chords(mesh, band, ground, curves)
    for _ in range(3):
        _split_chords(mesh, band, ground, curves)
        _flip_sweep(mesh, band, ring)
        _polish(mesh, band, ground, curves, ring)
