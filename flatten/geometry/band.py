"""What may change beside curves in an EditMesh, and how good a change would be.

Vertices are free, held, or slide along a curve. All of them stay on the unedited surface.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.editmesh import EditMesh, corner, faces_around
from flatten.geometry.halfedges import opposites
from flatten.geometry.nearest import Ground, nearest_on_triangle
from flatten.geometry.space import at, cross, dot, gap, inner, minus, mix, norm, plus, put
from flatten.geometry.triangles import face_normals

FREE, HELD = -1, -2
# No face: where none is left out.
NONE = np.int64(-1)

# An edge of the form: its faces differ by more than 40 degrees.
SHARP_EDGE = 0.766
# Upright: the least cosine between a face and the surface normals of its corners.
UPRIGHT = 0.5
TURNED_OVER = 2.0


class Curves(NamedTuple):
    """Polylines that curve vertices slide along; curve k has points start[k]:start[k + 1].

    P : (p, 3) mm; s : (p,) length from the curve's first point; face : (p,) the unedited face that
    the segment from point i to i + 1 lies in
    """

    start: NDArray[np.int64]
    P: NDArray[np.float64]
    s: NDArray[np.float64]
    face: NDArray[np.int64]


class Band(NamedTuple):
    """What is known of each vertex while the mesh is improved.

    tag : FREE, HELD, or the curve that the vertex may slide along; s : where on that curve
    active : whether it may change; firm : on a sharp edge of the form, so that it may not move
    size : wanted edge length; N : (n, 3) surface normal
    """

    tag: NDArray[np.int64]
    s: NDArray[np.float64]
    active: NDArray[np.bool_]
    firm: NDArray[np.bool_]
    size: NDArray[np.float64]
    N: NDArray[np.float64]


@inner
def sharpness(a, b, c):
    """Cosine of a triangle's smallest angle: 0.5 is the best, 1 the worst."""
    u, v, w = minus(b, a), minus(c, b), minus(a, c)
    lu, lv, lw = norm(u), norm(v), norm(w)
    if lu * lv * lw == 0.0:
        return 1.0
    return max(-dot(u, w) / (lu * lw), -dot(u, v) / (lu * lv), -dot(v, w) / (lv * lw))


@inner
def upright(N, i, j, k, a, b, c):
    """Cosine between the triangle at a, b, c and the normals N (n, 3) of vertices i, j, k."""
    n = cross(minus(b, a), minus(c, a))
    m = plus(plus(at(N, i), 1.0, at(N, j)), 1.0, at(N, k))
    length = norm(n) * norm(m)
    return dot(n, m) / length if length > 0 else -1.0


@inner
def star_sharpness(F, V, N, ring, count, v, x, gone1, gone2, w):
    """Worst sharpness of the faces at v if it lay at x and became w; 2 where one would turn over.

    Faces gone1 and gone2 are left out.
    """
    worst = -1.0
    here = at(V, v)
    for r in range(count):
        f = ring[r]
        if f in (gone1, gone2):
            continue
        i = corner(F, f, v)
        p, q = F[f, (i + 1) % 3], F[f, (i + 2) % 3]
        b, c = at(V, p), at(V, q)
        up = upright(N, w, p, q, x, b, c)
        if up < UPRIGHT and up < upright(N, v, p, q, here, b, c) + 1e-9:
            return TURNED_OVER
        worst = max(worst, sharpness(x, b, c))
    return worst


@inner
def star_gap(F, V, ring, count, v, x, gone1, gone2, p):
    """Distance from p to the faces at v if it lay at x; faces gone1 and gone2 are left out."""
    nearest = 1e300
    for r in range(count):
        f = ring[r]
        if f in (gone1, gone2):
            continue
        i = corner(F, f, v)
        b, c = at(V, F[f, (i + 1) % 3]), at(V, F[f, (i + 2) % 3])
        nearest = min(nearest, gap(p, mix(nearest_on_triangle(p, x, b, c), x, b, c)))
    return nearest


@inner
def face_sharpness(F, V, f):
    return sharpness(at(V, F[f, 0]), at(V, F[f, 1]), at(V, F[f, 2]))


@inner
def all_active(F, active, f):
    """Whether face f is still there and all its corners may change."""
    return F[f, 0] >= 0 and active[F[f, 0]] and active[F[f, 1]] and active[F[f, 2]]


@inner
def on_curve(curves, k, s):
    """Point and home face at length s of curve k."""
    low, high = curves.start[k], curves.start[k + 1] - 1
    i = low + 1
    while i < high and curves.s[i] < s:
        i += 1
    step = curves.s[i] - curves.s[i - 1]
    t = (s - curves.s[i - 1]) / step if step > 0 else 0.0
    p = at(curves.P, i - 1)
    return plus(p, t, minus(at(curves.P, i), p)), curves.face[i - 1]


@inner
def stray(curves, k, s0, s1, p, q):
    """How far curve k strays between s0 and s1 from the straight line p, q."""
    step = minus(q, p)
    reach = dot(step, step)
    worst = 0.0
    for i in range(curves.start[k], curves.start[k + 1]):
        if curves.s[i] <= s0:
            continue
        if curves.s[i] >= s1:
            break
        x = at(curves.P, i)
        t = dot(minus(x, p), step) / reach if reach > 0 else 0.0
        worst = max(worst, gap(x, plus(p, min(max(t, 0.0), 1.0), step)))
    return worst


@inner
def along(mesh, band, curves, v, ring):
    """The neighbours of a curve vertex on its curve, behind and ahead, and their places."""
    k = band.tag[v]
    F, C = mesh.F, mesh.C
    count, _ = faces_around(mesh, v, ring)
    behind, ahead = -1, -1
    for x in range(count):
        f = ring[x]
        i = corner(F, f, v)
        j = (i + 2) % 3
        if C[f, i] == 2 * k:
            ahead = F[f, (i + 1) % 3]
        elif C[f, i] == 2 * k + 1:
            behind = F[f, (i + 1) % 3]
        if C[f, j] == 2 * k:
            behind = F[f, j]
        elif C[f, j] == 2 * k + 1:
            ahead = F[f, j]
    s0 = band.s[behind] if behind >= 0 and band.tag[behind] == k else 0.0
    s1 = curves.s[curves.start[k + 1] - 1]
    if ahead >= 0 and band.tag[ahead] == k:
        s1 = band.s[ahead]
    return behind, ahead, s0, s1


@inner
def set_place(mesh, band, ground, v, g, w):
    """Puts v at barycentric place w of the unedited face g."""
    F = ground.F
    a, b, c = F[g, 0], F[g, 1], F[g, 2]
    mesh.home[v] = g
    put(mesh.V, v, mix(w, at(ground.V, a), at(ground.V, b), at(ground.V, c)))
    n = mix(w, at(ground.N, a), at(ground.N, b), at(ground.N, c))
    length = norm(n)
    if length > 0:
        put(band.N, v, plus((0.0, 0.0, 0.0), 1.0 / length, n))


def place_vertices(mesh: EditMesh, band: Band, ground: Ground, first: int) -> None:
    """Fills the normals of the vertices from `first` on, which lie in their home faces."""
    new = slice(first, int(mesh.used[0]))
    corners = ground.F[mesh.home[new]]
    P, N = ground.V[corners], ground.N[corners]
    e, f, d = P[:, 1] - P[:, 0], P[:, 2] - P[:, 0], mesh.V[new] - P[:, 0]
    a, b, c = (np.einsum("ij,ij->i", x, y) for x, y in ((e, e), (e, f), (f, f)))
    p, q = np.einsum("ij,ij->i", d, e), np.einsum("ij,ij->i", d, f)
    det = a * c - b * b
    u, w = (c * p - b * q) / det, (a * q - b * p) / det
    n = N[:, 0] + u[:, None] * (N[:, 1] - N[:, 0]) + w[:, None] * (N[:, 2] - N[:, 0])
    band.N[new] = n / np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-300)


def mark_firm(band: Band, ground: Ground) -> None:
    """Marks the active vertices that lie on a sharp edge of the unedited surface."""
    V, F, n = ground.V, ground.F, len(ground.V)
    F = F[band.active[:n][F].any(axis=1)]
    normal = face_normals(V, F)
    twin = opposites(F, n)
    h = np.flatnonzero(twin >= 0)
    bent = np.einsum("ij,ij->i", normal[h // 3], normal[twin[h] // 3]) < SHARP_EDGE
    band.firm[F.ravel()[h[bent]]] = True
