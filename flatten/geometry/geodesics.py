"""Shortest paths over a triangle mesh, straight inside every face, between any surface points.

A strip of faces between the two points is found first, the shortest path inside it is read off its
unfolding (the funnel of Lee and Preparata, Euclidean shortest paths in the presence of rectilinear
barriers, Networks 14(3), 1984), and where that path bends round a vertex the strip is led past the
vertex's other side if that is shorter, until no vertex gives way (Xin and Wang, Efficiently
determining a locally exact shortest path on polyhedral surfaces, CAD 39(12), 2007). The result is
a geodesic: it bends only at vertices with at least 180 degrees on either side, and at rims.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.geometry.space import inner
from flatten.geometry.strips import find_strip, move_across, tidy
from flatten.geometry.surface_points import Surface, canonical
from flatten.geometry.unfolding import funnel, shorten, side_lengths, unfold, write_path

Array = NDArray[np.float64]
Ints = NDArray[np.int32]


@dataclass(frozen=True, eq=False, kw_only=True)
class Trace:
    """A path over the surface.

    face (k,), bary (k, 3) : canonical surface points
    segment_face : (k - 1,) the face between points i and i + 1, -1 where nothing joins them
    at : (c,) which of the points are the given ones
    length : (c - 1,) mm between the given ones, inf where nothing joins them
    """

    face: Ints
    bary: Array
    segment_face: Ints
    at: Ints
    length: Array


def trace(
    surface: Surface, face: Ints, bary: Array, begins: NDArray[np.integer] | None = None
) -> Trace:
    """Joins surface points in order by geodesics: face (c,), bary (c, 3), c >= 1.

    `begins` names points that begin a new path, not joined to the one before: many short paths
    are traced at once far faster than one by one.

    Raises
    ------
    ValueError : a face out of range, or weights that are not those of a point in a face
    """
    face = np.ascontiguousarray(face, dtype=np.int32)
    bary = np.ascontiguousarray(bary, dtype=np.float64)
    if len(face) and (face.min() < 0 or face.max() >= len(surface.F)):
        raise ValueError("a face index is out of range")
    if not np.all(np.isfinite(bary)) or np.any(bary < 0) or np.any(abs(bary.sum(1) - 1) > 1e-9):
        raise ValueError("barycentric weights must be at least 0 and sum to 1")
    joined = np.ones(len(face), dtype=np.bool_)
    if begins is not None:
        joined[begins] = False
    scale = 4
    while True:
        room, points = 512 * scale, (len(face) + 128) * scale
        out = np.empty(points, np.int32), np.empty((points, 3)), np.empty(points, np.int32)
        size, at, length = _trace(
            surface.V, surface.F, surface.twin, surface.on_border, face, bary, joined, room, room,
            *out,
        )  # fmt: skip
        if size >= 0:
            break
        scale *= 4
    got_face, got_bary = canonical(surface, out[0][:size], out[1][:size])
    return Trace(
        face=got_face,
        bary=got_bary,
        segment_face=out[2][: max(size - 1, 0)],
        at=at,
        length=length,
    )


def walk(
    surface: Surface, face: int, bary: Array, direction: Array, length: float
) -> tuple[Ints, Array, float]:
    """The straightest path from a point inside `face` along `direction` (3,), `length` mm long.

    Returns
    -------
    face (k,), bary (k, 3) : its points, the first one the start; left : what was left of `length`
    when it met a rim (0 where it met none)
    """
    room = 64
    while True:
        out = np.empty(room, np.int32), np.empty((room, 3))
        w = np.array(bary, dtype=np.float64)
        dx, dy, dz = (float(d) for d in direction)
        size, left = _walk(
            surface.V, surface.F, surface.twin, int(face), w, dx, dy, dz, float(length), *out
        )
        if size < room:
            return out[0][:size], out[1][:size], left
        room *= 4


@inner
def _trace_one(V, F, twin, on_border, strip, n, fa, wa, wb, out, w):
    """The geodesic near a strip of n crossings: points between its ends to `out` and `w`.

    Returns how many points, the last face, and the length.
    """
    rounds = 4 * n + 100
    while True:
        n, fa = tidy(twin, strip, n, np.int64(fa), wa, wb)
        fb = twin[strip[n - 1]] // 3 if n > 0 else fa
        left, right = np.empty((n + 2, 2)), np.empty((n + 2, 2))
        left_id, right_id = np.empty(n + 2, np.int32), np.empty(n + 2, np.int32)
        bend, bend_left = np.empty(n + 3, np.int64), np.empty(n + 3, np.bool_)
        unfold(V, F, twin, strip, n, fa, wa, wb, left, right, left_id, right_id)
        count = funnel(left, right, left_id, right_id, n, bend, bend_left)
        rounds -= 1
        more = -1
        if rounds > 0:
            more = shorten(
                V, F, twin, on_border, strip, n, left, right, left_id, right_id, bend, bend_left,
                count,
            )  # fmt: skip
        if more < 0:
            break
        n = more
    size = write_path(
        F, on_border, strip, n, left, right, left_id, right_id, bend, bend_left, count, out, w
    )
    length = 0.0
    for k in range(count):
        i, j = bend[k], bend[k + 1]
        dx = (left[j, 0] if bend_left[k + 1] else right[j, 0]) - (
            left[i, 0] if bend_left[k] else right[i, 0]
        )
        dy = (left[j, 1] if bend_left[k + 1] else right[j, 1]) - (
            left[i, 1] if bend_left[k] else right[i, 1]
        )
        length += np.sqrt(dx * dx + dy * dy)
    return size, fb, length


@njit(cache=True)
def _trace(V, F, twin, on_border, face, bary, joined, room, heap, out_face, out_bary, out_segment):
    """Fills the output arrays; returns how many points there are, -1 where some array is short."""
    count = len(face)
    cost, before = np.empty(len(twin)), np.empty(len(twin), np.int32)
    stamp = np.zeros(len(twin), np.int32)
    keys, items = np.empty(heap), np.empty(heap, np.int32)
    strip, pf, pw = np.empty(room, np.int32), np.empty(room, np.int32), np.empty((room, 3))
    wa, wb = np.empty(3), np.empty(3)
    at, length = np.empty(count, np.int32), np.empty(max(count - 1, 0))
    size = 0
    for i in range(count):
        if i > 0:
            length[i - 1] = np.inf
            last = np.int32(-1)
            if joined[i]:
                for c in range(3):
                    wa[c], wb[c] = bary[i - 1, c], bary[i, c]
                n = 0
                if face[i - 1] != face[i]:
                    n = find_strip(
                        V, F, twin, face[i - 1], wa, face[i], wb, cost, before, stamp, np.int32(i),
                        keys, items, strip,
                    )  # fmt: skip
                if n == -2:
                    return -1, at, length
                if n >= 0:
                    got, last, length[i - 1] = _trace_one(
                        V, F, twin, on_border, strip, n, face[i - 1], wa, wb, pf, pw
                    )
                    if size + got + 1 > len(out_face):
                        return -1, at, length
                    for k in range(got):
                        out_segment[size - 1] = out_face[size] = pf[k]
                        for c in range(3):
                            out_bary[size, c] = pw[k, c]
                        size += 1
            out_segment[size - 1] = last
        if size == len(out_face):
            return -1, at, length
        out_face[size] = face[i]
        for c in range(3):
            out_bary[size, c] = bary[i, c]
        at[i] = size
        size += 1
    return size, at, length


@njit(cache=True)
def _walk(V, F, twin, f, w, dx, dy, dz, length, out_face, out_bary):
    """Fills the output arrays with the points of a straight walk; how many, and what was left.

    The direction is carried from face to face as slopes of the weights: that of the corner across
    the crossed edge, and of the place along it, by the faces' own shapes.
    """
    out_face[0] = f
    for k in range(3):
        out_bary[0, k] = w[k]
    a, b, c = F[f, 0], F[f, 1], F[f, 2]
    length_ab, x, y = side_lengths(V, F, f, np.int64(0))
    ux, uy, uz = V[b, 0] - V[a, 0], V[b, 1] - V[a, 1], V[b, 2] - V[a, 2]
    vx, vy, vz = V[c, 0] - V[a, 0], V[c, 1] - V[a, 1], V[c, 2] - V[a, 2]
    du = (dx * ux + dy * uy + dz * uz) / length_ab
    dv = 0.0
    if y > 0.0:
        dv = (dx * vx + dy * vy + dz * vz - x * du) / y
    size, s = 1, 0
    # (du, dv): the direction in the frame of edge s of face f, dv into the face.
    while size < len(out_face):
        norm = np.sqrt(du * du + dv * dv)
        if norm == 0.0 or y <= 0.0:
            break
        du, dv = du / norm, dv / norm
        far = dv / y
        near = (du - far * x) / length_ab
        reach, leaves = length, -1
        for k in range(3):
            slope = -near - far if k == 0 else near if k == 1 else far
            if slope < 0.0 and not (size > 1 and k == 2):
                d = w[(s + k) % 3] / -slope
                if d < reach:
                    reach, leaves = d, k
        w[s] = max(w[s] + reach * (-near - far), 0.0)
        w[(s + 1) % 3] = max(w[(s + 1) % 3] + reach * near, 0.0)
        w[(s + 2) % 3] = max(w[(s + 2) % 3] + reach * far, 0.0)
        if leaves >= 0:
            w[(s + leaves) % 3] = 0.0
        total = w[0] + w[1] + w[2]
        for k in range(3):
            w[k] /= total
            out_bary[size, k] = w[k]
        length -= reach
        out_face[size] = f
        size += 1
        if leaves < 0:
            return size, 0.0
        # The edge across from the corner whose weight ran out, in its own direction.
        h = 3 * f + (s + leaves + 1) % 3
        t = twin[h]
        if t < 0:
            return size, length
        if leaves == 0:
            ex, ey = x - length_ab, y
        elif leaves == 1:
            ex, ey = -x, -y
        else:
            ex, ey = length_ab, 0.0
        norm = np.sqrt(ex * ex + ey * ey)
        along, out = (du * ex + dv * ey) / norm, (du * ey - dv * ex) / norm
        move_across(h, t, w)
        f, s = t // 3, t % 3
        length_ab, x, y = side_lengths(V, F, f, s)
        du, dv = -along, out
    return size, 0.0
