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

from flatten.geometry.surface_points import Surface, canonical

Array = NDArray[np.float64]
Ints = NDArray[np.int32]

# How far along an edge from a rim vertex a path that bends round it keeps off the rim.
_RIM_CLEARANCE = 0.15


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
    got_face, got_bary, got_segment, at, length = _trace(
        surface.V, surface.F, surface.twin, surface.on_border, face, bary, joined
    )
    got_face, got_bary = canonical(surface, got_face, got_bary)
    return Trace(face=got_face, bary=got_bary, segment_face=got_segment, at=at, length=length)


def walk(
    surface: Surface, face: int, bary: Array, direction: Array, length: float
) -> tuple[Ints, Array, float]:
    """The straightest path from a point inside `face` along `direction` (3,), `length` mm long.

    Returns
    -------
    face (k,), bary (k, 3) : its points, the first one the start; left : what was left of `length`
    when it met a rim (0 where it met none)
    """
    return _walk(
        surface.V,
        surface.F,
        surface.twin,
        np.int32(face),
        np.ascontiguousarray(bary, dtype=np.float64),
        np.ascontiguousarray(direction, dtype=np.float64),
        float(length),
    )


@njit(cache=True)
def _corner_of(F, f, v):  # pragma: no cover
    for c in range(3):
        if F[f, c] == v:
            return c
    return -1


@njit(cache=True)
def _push(heap_key, heap_item, size, key, item):  # pragma: no cover
    i = size
    while i > 0:
        parent = (i - 1) >> 1
        if heap_key[parent] <= key:
            break
        heap_key[i] = heap_key[parent]
        heap_item[i] = heap_item[parent]
        i = parent
    heap_key[i] = key
    heap_item[i] = item


@njit(cache=True)
def _pop(heap_key, heap_item, size):  # pragma: no cover
    item = heap_item[0]
    size -= 1
    key, last = heap_key[size], heap_item[size]
    i = 0
    while 2 * i + 1 < size:
        child = 2 * i + 1
        if child + 1 < size and heap_key[child + 1] < heap_key[child]:
            child += 1
        if heap_key[child] >= key:
            break
        heap_key[i] = heap_key[child]
        heap_item[i] = heap_item[child]
        i = child
    heap_key[i] = key
    heap_item[i] = last
    return item


@njit(cache=True)
def _gap(V, F, h, p):  # pragma: no cover
    """Distance from a point to the middle of half edge h."""
    a, b = F[h // 3, h % 3], F[h // 3, (h % 3 + 1) % 3]
    total = 0.0
    for k in range(3):
        d = 0.5 * (V[a, k] + V[b, k]) - p[k]
        total += d * d
    return np.sqrt(total)


@njit(cache=True)
def _strip(V, F, twin, fa, pa, fb, pb, cost, before, stamp, turn):  # pragma: no cover
    """Half edges crossed from face fa to face fb, by A* over edge middles; -1 first if none."""
    size = 0
    heap_key = np.empty(256)
    heap_item = np.empty(256, dtype=np.int32)
    for c in range(3):
        h = 3 * fa + c
        t = twin[h]
        if t >= 0:
            cost[t] = _gap(V, F, h, pa)
            before[t] = -1
            stamp[t] = turn
            _push(heap_key, heap_item, size, cost[t] + _gap(V, F, h, pb), t)
            size += 1
    mid = np.empty(3)
    found = -1
    while size > 0:
        h = _pop(heap_key, heap_item, size)
        size -= 1
        if stamp[h] == -turn:
            continue
        stamp[h] = -turn
        f = h // 3
        if f == fb:
            found = h
            break
        a, b = F[f, h % 3], F[f, (h % 3 + 1) % 3]
        for k in range(3):
            mid[k] = 0.5 * (V[a, k] + V[b, k])
        for step in range(1, 3):
            out = 3 * f + (h % 3 + step) % 3
            t = twin[out]
            if t < 0 or stamp[t] == -turn:
                continue
            new = cost[h] + _gap(V, F, out, mid)
            if stamp[t] == turn and cost[t] <= new:
                continue
            stamp[t] = turn
            cost[t] = new
            before[t] = h
            if size == len(heap_key):
                heap_key = np.concatenate((heap_key, np.empty(size)))
                heap_item = np.concatenate((heap_item, np.empty(size, dtype=np.int32)))
            _push(heap_key, heap_item, size, new + _gap(V, F, out, pb), t)
            size += 1
    if found < 0:
        return np.full(1, -1, dtype=np.int32)
    n = 0
    h = found
    while h >= 0:
        n += 1
        h = before[h]
    out = np.empty(n, dtype=np.int32)
    h = found
    while h >= 0:
        n -= 1
        out[n] = twin[h]
        h = before[h]
    return out


@njit(cache=True)
def _weights_across(F, h, t, w):  # pragma: no cover
    """Weights of a point on half edge h, said in the face of its twin t."""
    out = np.zeros(3)
    out[t % 3] = w[(h % 3 + 1) % 3]
    out[(t % 3 + 1) % 3] = w[h % 3]
    return out


@njit(cache=True)
def _tidy(F, twin, strip, fa, wa, fb, wb):  # pragma: no cover
    """Drops what a strip need not hold: loops through one face, and ends that only pivot.

    Returns the strip, and the two end points said in its first and last face.
    """
    n = len(strip)
    keep = np.empty(n, dtype=np.int32)
    size = 0
    for i in range(n):
        into = twin[strip[i]] // 3
        keep[size] = strip[i]
        size += 1
        for j in range(size):
            if keep[j] // 3 == into:
                size = j
                break
    first = 0
    while first < size:
        h = keep[first]
        if wa[(h % 3 + 2) % 3] != 0.0:
            break
        wa = _weights_across(F, h, twin[h], wa)
        fa = twin[h] // 3
        first += 1
    while size > first:
        t = twin[keep[size - 1]]
        if wb[(t % 3 + 2) % 3] != 0.0:
            break
        wb = _weights_across(F, t, twin[t], wb)
        fb = twin[t] // 3
        size -= 1
    return keep[first:size].copy(), fa, wa, fb, wb


@njit(cache=True)
def _unfold(V, F, twin, strip, fa, wa, wb):  # pragma: no cover
    """The strip in the plane: left and right end of every crossed edge, and the two end points.

    Seen in the walking direction the end of a half edge is on the left, its start on the right.
    """
    n = len(strip)
    left = np.empty((n, 2))
    right = np.empty((n, 2))
    corner = np.empty((3, 2))
    a, b, c = V[F[fa, 0]], V[F[fa, 1]], V[F[fa, 2]]
    ab = np.sqrt(np.sum((b - a) ** 2))
    x = np.dot(b - a, c - a) / ab
    corner[0, 0] = corner[0, 1] = 0.0
    corner[1, 0], corner[1, 1] = ab, 0.0
    corner[2, 0], corner[2, 1] = x, np.sqrt(max(np.sum((c - a) ** 2) - x * x, 0.0))
    start = wa[0] * corner[0] + wa[1] * corner[1] + wa[2] * corner[2]
    for i in range(n):
        h = strip[i]
        right[i] = corner[h % 3]
        left[i] = corner[(h % 3 + 1) % 3]
        t = twin[h]
        f, s = t // 3, t % 3
        p, q, r = V[F[f, s]], V[F[f, (s + 1) % 3]], V[F[f, (s + 2) % 3]]
        pq = np.sqrt(np.sum((q - p) ** 2))
        x = np.dot(q - p, r - p) / pq
        y = np.sqrt(max(np.sum((r - p) ** 2) - x * x, 0.0))
        u0 = (right[i, 0] - left[i, 0]) / pq
        u1 = (right[i, 1] - left[i, 1]) / pq
        corner[s] = left[i]
        corner[(s + 1) % 3] = right[i]
        corner[(s + 2) % 3, 0] = left[i, 0] + x * u0 - y * u1
        corner[(s + 2) % 3, 1] = left[i, 1] + x * u1 + y * u0
    end = wb[0] * corner[0] + wb[1] * corner[1] + wb[2] * corner[2]
    return left, right, start, end


@njit(cache=True)
def _side(o, p, q):  # pragma: no cover
    """Positive where q lies left of the ray from o through p."""
    return (p[0] - o[0]) * (q[1] - o[1]) - (p[1] - o[1]) * (q[0] - o[0])


@njit(cache=True)
def _funnel(left, right, left_id, right_id, start, end):  # pragma: no cover
    """Bends of the shortest path through the unfolded strip: portal index and side (1 left)."""
    n = len(left)
    bend = np.empty(n + 1, dtype=np.int32)
    bend_side = np.empty(n + 1, dtype=np.int32)
    count = 0
    if n == 0:
        return bend[:0], bend_side[:0]
    apex = start.copy()
    l, r = left[0].copy(), right[0].copy()
    l_at = r_at = 0
    l_id, r_id = left_id[0], right_id[0]
    i = 1
    while i <= n:
        turned = False
        if i == n:
            if _side(apex, l, end) > 0.0:
                bend[count], bend_side[count] = l_at, 1
                turned = True
            elif _side(apex, r, end) < 0.0:
                bend[count], bend_side[count] = r_at, 0
                turned = True
        else:
            if r_id == right_id[i] or _side(apex, r, right[i]) >= 0.0:
                if r_id == right_id[i] or _side(apex, l, right[i]) < 0.0:
                    r[:] = right[i]
                    r_at, r_id = i, right_id[i]
                else:
                    bend[count], bend_side[count] = l_at, 1
                    turned = True
            if not turned and (l_id == left_id[i] or _side(apex, l, left[i]) <= 0.0):
                if l_id == left_id[i] or _side(apex, r, left[i]) > 0.0:
                    l[:] = left[i]
                    l_at, l_id = i, left_id[i]
                else:
                    bend[count], bend_side[count] = r_at, 0
                    turned = True
        if turned:
            at = bend[count]
            if bend_side[count] == 1:
                apex[:] = left[at]
                apex_id = left_id[at]
            else:
                apex[:] = right[at]
                apex_id = right_id[at]
            # Edges that end in the apex only pivot about it: the funnel opens at the next one.
            while at + 1 < n and (left_id[at + 1] == apex_id or right_id[at + 1] == apex_id):
                at += 1
            bend[count] = at
            count += 1
            if at + 1 >= n:
                break
            at += 1
            l[:], r[:] = left[at], right[at]
            l_at = r_at = at
            l_id, r_id = left_id[at], right_id[at]
            i = at
        i += 1
    return bend[:count], bend_side[:count]


@njit(cache=True)
def _angle(u0, u1, v0, v1):  # pragma: no cover
    return np.arctan2(abs(u0 * v1 - u1 * v0), u0 * v0 + u1 * v1)


@njit(cache=True)
def _ring_angle(V, F, twin, h):  # pragma: no cover
    """Sum of the face angles at the start of half edge h, a vertex inside the mesh."""
    total = 0.0
    at = h
    while True:
        f, c = at // 3, at % 3
        o, p, q = V[F[f, c]], V[F[f, (c + 1) % 3]], V[F[f, (c + 2) % 3]]
        u, v = p - o, q - o
        dot = np.dot(u, v)
        total += np.arctan2(np.sqrt(max(np.dot(u, u) * np.dot(v, v) - dot * dot, 0.0)), dot)
        at = twin[3 * f + (c + 2) % 3]
        if at == h:
            return total


@njit(cache=True)
def _other_way(F, twin, h, goal, v):  # pragma: no cover
    """Half edges crossed from the face of h to face `goal`, about v but not over h."""
    out = np.empty(256, dtype=np.int32)
    size = 0
    f, at = h // 3, h
    while f != goal:
        c = _corner_of(F, f, v)
        ahead, behind = 3 * f + c, 3 * f + (c + 2) % 3
        at = behind if at == ahead else ahead
        if size == len(out):
            out = np.concatenate((out, np.empty(size, dtype=np.int32)))
        out[size] = at
        size += 1
        at = twin[at]
        f = at // 3
    return out[:size]


@njit(cache=True)
def _shortest(V, F, twin, on_border, strip, fa, wa, fb, wb):  # pragma: no cover
    """The geodesic near a strip: leads the strip past vertices until no bend can be cut."""
    rounds = 4 * len(strip) + 100
    while True:
        strip, fa, wa, fb, wb = _tidy(F, twin, strip, fa, wa, fb, wb)
        n = len(strip)
        left_id = np.empty(n, dtype=np.int32)
        right_id = np.empty(n, dtype=np.int32)
        for i in range(n):
            right_id[i] = F[strip[i] // 3, strip[i] % 3]
            left_id[i] = F[strip[i] // 3, (strip[i] % 3 + 1) % 3]
        left, right, start, end = _unfold(V, F, twin, strip, fa, wa, wb)
        bend, side = _funnel(left, right, left_id, right_id, start, end)
        count = len(bend)
        spot = np.empty((count + 2, 2))
        vertex = np.empty(count, dtype=np.int32)
        first = np.empty(count, dtype=np.int32)
        last = np.empty(count, dtype=np.int32)
        spot[0], spot[count + 1] = start, end
        for k in range(count):
            at = bend[k]
            spot[k + 1] = left[at] if side[k] == 1 else right[at]
            vertex[k] = left_id[at] if side[k] == 1 else right_id[at]
            first[k] = last[k] = at
            while first[k] > 0 and (
                left_id[first[k] - 1] == vertex[k] or right_id[first[k] - 1] == vertex[k]
            ):
                first[k] -= 1
            while last[k] + 1 < n and (
                left_id[last[k] + 1] == vertex[k] or right_id[last[k] + 1] == vertex[k]
            ):
                last[k] += 1
        changed = False
        limit = n
        rounds -= 1
        for k in range(count - 1, -1, -1):
            v = vertex[k]
            if rounds < 0 or on_border[v] or last[k] >= limit:
                continue
            o = spot[k + 1]
            u0, u1 = spot[k, 0] - o[0], spot[k, 1] - o[1]
            inner = 0.0
            for i in range(first[k], last[k] + 1):
                far = right[i] if left_id[i] == v else left[i]
                w0, w1 = far[0] - o[0], far[1] - o[1]
                inner += _angle(u0, u1, w0, w1)
                u0, u1 = w0, w1
            inner += _angle(u0, u1, spot[k + 2, 0] - o[0], spot[k + 2, 1] - o[1])
            f = strip[first[k]] // 3
            whole = _ring_angle(V, F, twin, 3 * f + _corner_of(F, f, v))
            if whole - inner >= np.pi - 1e-7:
                continue
            goal = twin[strip[last[k]]] // 3
            detour = _other_way(F, twin, strip[first[k]], goal, v)
            strip = np.concatenate((strip[: first[k]], detour, strip[last[k] + 1 :]))
            limit = first[k]
            changed = True
        if not changed:
            break
    length = 0.0
    for k in range(count + 1):
        length += np.sqrt(np.sum((spot[k + 1] - spot[k]) ** 2))
    face = np.empty(n + count, dtype=np.int32)
    bary = np.zeros((n + count, 3))
    size = 0
    done = -1
    for k in range(count + 1):
        until = first[k] if k < count else n
        a, b = spot[k], spot[k + 1]
        for i in range(done + 1, until):
            r, l = _side(a, b, right[i]), _side(a, b, left[i])
            t = 0.5 if r == l else min(max(r / (r - l), 0.0), 1.0)
            face[size] = strip[i] // 3
            bary[size, strip[i] % 3] = 1.0 - t
            bary[size, (strip[i] % 3 + 1) % 3] = t
            size += 1
            done = i
        if k == count:
            break
        if on_border[vertex[k]]:
            stop = last[k]
            if k + 1 < count and not on_border[vertex[k + 1]]:
                stop = min(stop, first[k + 1] - 1)
            for i in range(max(done + 1, first[k]), stop + 1):
                t = 1.0 - _RIM_CLEARANCE if left_id[i] == vertex[k] else _RIM_CLEARANCE
                face[size] = strip[i] // 3
                bary[size, strip[i] % 3] = 1.0 - t
                bary[size, (strip[i] % 3 + 1) % 3] = t
                size += 1
                done = i
        else:
            f = strip[first[k]] // 3
            face[size] = f
            bary[size, _corner_of(F, f, vertex[k])] = 1.0
            size += 1
            done = last[k]
    return face[:size], bary[:size], fb, length


@njit(cache=True)
def _trace(V, F, twin, on_border, face, bary, joined):  # pragma: no cover
    count = len(face)
    m3 = len(twin)
    cost = np.empty(m3)
    before = np.empty(m3, dtype=np.int32)
    stamp = np.zeros(m3, dtype=np.int32)
    out_face = np.empty(max(4 * count, 64), dtype=np.int32)
    out_bary = np.empty((len(out_face), 3))
    out_segment = np.empty(len(out_face), dtype=np.int32)
    at = np.empty(count, dtype=np.int32)
    length = np.full(max(count - 1, 0), np.inf)
    size = 0
    for i in range(count):
        if i > 0:
            fa, fb = face[i - 1], face[i]
            pa = bary[i - 1, 0] * V[F[fa, 0]]
            pb = bary[i, 0] * V[F[fb, 0]]
            for c in range(1, 3):
                pa += bary[i - 1, c] * V[F[fa, c]]
                pb += bary[i, c] * V[F[fb, c]]
            last = np.int32(-1)
            if joined[i]:
                strip = np.empty(0, dtype=np.int32)
                if fa != fb:
                    strip = _strip(V, F, twin, fa, pa, fb, pb, cost, before, stamp, np.int32(i))
                if len(strip) == 0 or strip[0] >= 0:
                    pf, pw, last, length[i - 1] = _shortest(
                        V, F, twin, on_border, strip, fa, bary[i - 1], fb, bary[i]
                    )
                    if size + len(pf) >= len(out_face):
                        room = len(out_face) + len(pf)
                        out_face = np.concatenate((out_face, np.empty(room, dtype=np.int32)))
                        out_bary = np.concatenate((out_bary, np.empty((room, 3))))
                        out_segment = np.concatenate((out_segment, np.empty(room, dtype=np.int32)))
                    for k in range(len(pf)):
                        out_segment[size - 1] = pf[k]
                        out_face[size] = pf[k]
                        out_bary[size] = pw[k]
                        size += 1
            out_segment[size - 1] = last
        if size == len(out_face):
            out_face = np.concatenate((out_face, np.empty(size, dtype=np.int32)))
            out_bary = np.concatenate((out_bary, np.empty((size, 3))))
            out_segment = np.concatenate((out_segment, np.empty(size, dtype=np.int32)))
        out_face[size] = face[i]
        out_bary[size] = bary[i]
        at[i] = size
        size += 1
    return out_face[:size], out_bary[:size], out_segment[: max(size - 1, 0)], at, length


@njit(cache=True)
def _walk(V, F, twin, face, bary, direction, length):  # pragma: no cover
    out_face = np.empty(64, dtype=np.int32)
    out_bary = np.empty((64, 3))
    out_face[0], out_bary[0] = face, bary
    size = 1
    f, w = face, bary.copy()
    came = -1
    slope = np.empty(3)
    while length > 0.0 and size < 100000:
        o = V[F[f, 0]]
        e1, e2 = V[F[f, 1]] - o, V[F[f, 2]] - o
        normal = np.cross(e1, e2)
        area = np.dot(normal, normal)
        if area == 0.0:
            break
        if came >= 0:
            # Turn the direction about the crossed edge into this face's plane.
            g = twin[came] // 3
            go = V[F[g, 0]]
            back = np.cross(V[F[g, 1]] - go, V[F[g, 2]] - go)
            edge = V[F[f, (came % 3 + 1) % 3]] - V[F[f, came % 3]]
            edge /= np.sqrt(np.dot(edge, edge))
            along = np.dot(direction, edge)
            across = np.dot(direction, np.cross(edge, back))
            across /= np.sqrt(np.dot(back, back))
            inward = np.cross(normal, edge) / np.sqrt(area)
            direction = along * edge - across * inward
        flat = direction - np.dot(direction, normal) / area * normal
        norm = np.sqrt(np.dot(flat, flat))
        if norm == 0.0:
            break
        direction = flat / norm
        slope[1] = np.dot(np.cross(direction, e2), normal) / area
        slope[2] = np.dot(np.cross(e1, direction), normal) / area
        slope[0] = -slope[1] - slope[2]
        reach, exit_corner = np.inf, -1
        for c in range(3):
            if slope[c] < 0.0 and not (came >= 0 and c == (came % 3 + 2) % 3):
                s = max(w[c], 0.0) / -slope[c]
                if s < reach:
                    reach, exit_corner = s, c
        if exit_corner < 0:
            break
        if size == len(out_face):
            out_face = np.concatenate((out_face, np.empty(size, dtype=np.int32)))
            out_bary = np.concatenate((out_bary, np.empty((size, 3))))
        step = min(reach, length)
        w = w + step * slope
        length -= step
        if reach > step:
            exit_corner = -1
        else:
            w[exit_corner] = 0.0
        for c in range(3):
            w[c] = max(w[c], 0.0)
        w /= np.sum(w)
        out_face[size], out_bary[size] = f, w
        size += 1
        if exit_corner < 0:
            return out_face[:size], out_bary[:size], 0.0
        h = 3 * f + (exit_corner + 1) % 3
        t = twin[h]
        if t < 0:
            return out_face[:size], out_bary[:size], length
        w = _weights_across(F, h, t, w)
        f, came = t // 3, t
    return out_face[:size], out_bary[:size], 0.0
