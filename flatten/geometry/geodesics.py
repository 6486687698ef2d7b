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
# The same for a path that passes one straight on.
_RIM_GRAZE = 0.02
# Spare room for a strip that is led past vertices.
_ROOM = 256


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


@njit(cache=True)
def _corner_of(F, f, v):
    for c in range(3):
        if F[f, c] == v:
            return c
    return -1


@njit(cache=True)
def _push(keys, items, size, key, item):
    i = size
    while i > 0:
        parent = (i - 1) >> 1
        if keys[parent] <= key:
            break
        keys[i] = keys[parent]
        items[i] = items[parent]
        i = parent
    keys[i] = key
    items[i] = item


@njit(cache=True)
def _pop(keys, items, size):
    """Takes the least of `size` items off; the heap holds one fewer afterwards."""
    item = items[0]
    size -= 1
    key, last = keys[size], items[size]
    i = 0
    while 2 * i + 1 < size:
        child = 2 * i + 1
        if child + 1 < size and keys[child + 1] < keys[child]:
            child += 1
        if keys[child] >= key:
            break
        keys[i] = keys[child]
        items[i] = items[child]
        i = child
    keys[i] = key
    items[i] = last
    return item


@njit(cache=True)
def _gap(V, F, h, x, y, z):
    """Distance from a point to the middle of half edge h."""
    a, b = F[h // 3, h % 3], F[h // 3, (h % 3 + 1) % 3]
    dx = 0.5 * (V[a, 0] + V[b, 0]) - x
    dy = 0.5 * (V[a, 1] + V[b, 1]) - y
    dz = 0.5 * (V[a, 2] + V[b, 2]) - z
    return np.sqrt(dx * dx + dy * dy + dz * dz)


@njit(cache=True)
def _find_strip(V, F, twin, fa, wa, fb, wb, cost, before, stamp, turn, keys, items, strip):
    """Half edges crossed from face fa to face fb, by A* over edge middles.

    They are written to the front of `strip`; returns how many, -1 where there is no way and -2
    where `strip` or the heap is too short.
    """
    ax = ay = az = bx = by = bz = 0.0
    for c in range(3):
        i, j = F[fa, c], F[fb, c]
        ax += wa[c] * V[i, 0]
        ay += wa[c] * V[i, 1]
        az += wa[c] * V[i, 2]
        bx += wb[c] * V[j, 0]
        by += wb[c] * V[j, 1]
        bz += wb[c] * V[j, 2]
    size = 0
    for c in range(3):
        h = 3 * fa + c
        t = twin[h]
        if t >= 0:
            cost[t] = _gap(V, F, h, ax, ay, az)
            before[t] = -1
            stamp[t] = turn
            _push(keys, items, size, cost[t] + _gap(V, F, h, bx, by, bz), t)
            size += 1
    found = -1
    while size > 0:
        h = _pop(keys, items, size)
        size -= 1
        if stamp[h] == -turn:
            continue
        stamp[h] = -turn
        f = h // 3
        if f == fb:
            found = h
            break
        a, b = F[f, h % 3], F[f, (h % 3 + 1) % 3]
        x = 0.5 * (V[a, 0] + V[b, 0])
        y = 0.5 * (V[a, 1] + V[b, 1])
        z = 0.5 * (V[a, 2] + V[b, 2])
        for step in range(1, 3):
            out = 3 * f + (h % 3 + step) % 3
            t = twin[out]
            if t < 0 or stamp[t] == -turn:
                continue
            new = cost[h] + _gap(V, F, out, x, y, z)
            if stamp[t] == turn and cost[t] <= new:
                continue
            stamp[t] = turn
            cost[t] = new
            before[t] = h
            if size == len(keys):
                return -2
            _push(keys, items, size, new + _gap(V, F, out, bx, by, bz), t)
            size += 1
    if found < 0:
        return -1
    n = 0
    h = found
    while h >= 0:
        n += 1
        h = before[h]
    if 4 * n + _ROOM > len(strip):
        return -2
    h = found
    for i in range(n - 1, -1, -1):
        strip[i] = twin[h]
        h = before[h]
    return n


@njit(cache=True)
def _move_across(h, t, w):
    """Says the weights of a point on half edge h in the face of its twin t instead."""
    start, end = w[h % 3], w[(h % 3 + 1) % 3]
    w[t % 3] = end
    w[(t % 3 + 1) % 3] = start
    w[(t % 3 + 2) % 3] = 0.0


@njit(cache=True)
def _tidy(twin, strip, n, fa, wa, wb):
    """Drops what a strip need not hold: loops through one face, and ends that only pivot.

    Writes the strip to its own front and the end points' weights for its first and last face;
    returns its new length and its first face.
    """
    size = 0
    for i in range(n):
        into = twin[strip[i]] // 3
        strip[size] = strip[i]
        size += 1
        for j in range(size):
            if strip[j] // 3 == into:
                size = j
                break
    first = 0
    while first < size and wa[(strip[first] % 3 + 2) % 3] == 0.0:
        _move_across(strip[first], twin[strip[first]], wa)
        fa = twin[strip[first]] // 3
        first += 1
    while size > first and wb[(twin[strip[size - 1]] % 3 + 2) % 3] == 0.0:
        size -= 1
        _move_across(twin[strip[size]], strip[size], wb)
    for i in range(first, size):
        strip[i - first] = strip[i]
    return size - first, fa


@njit(cache=True)
def _side_lengths(V, F, f, s):
    """Of the edge from corner s of face f to the next: its length, and the third corner's place
    along it and off it."""
    p, q, r = F[f, s], F[f, (s + 1) % 3], F[f, (s + 2) % 3]
    ux, uy, uz = V[q, 0] - V[p, 0], V[q, 1] - V[p, 1], V[q, 2] - V[p, 2]
    vx, vy, vz = V[r, 0] - V[p, 0], V[r, 1] - V[p, 1], V[r, 2] - V[p, 2]
    length = np.sqrt(ux * ux + uy * uy + uz * uz)
    x = (ux * vx + uy * vy + uz * vz) / length
    return length, x, np.sqrt(max(vx * vx + vy * vy + vz * vz - x * x, 0.0))


@njit(cache=True)
def _unfold(V, F, twin, strip, n, fa, wa, wb, left, right, left_id, right_id):
    """Lays the strip in the plane: left and right end of every crossed edge, with their vertices.

    Row 0 of `left` is the start and row n + 1 the end (in `right` as well), row i + 1 belongs to
    strip[i]. Seen in the walking direction the end of a half edge is on the left.
    """
    cx, cy = np.zeros(3), np.zeros(3)
    cx[1], cx[2], cy[2] = _side_lengths(V, F, fa, 0)
    x = wa[1] * cx[1] + wa[2] * cx[2]
    left[0, 0] = right[0, 0] = x
    left[0, 1] = right[0, 1] = wa[2] * cy[2]
    left_id[0] = right_id[0] = -1
    for i in range(n):
        h = strip[i]
        a, b = h % 3, (h % 3 + 1) % 3
        rx, ry, lx, ly = cx[a], cy[a], cx[b], cy[b]
        right[i + 1, 0], right[i + 1, 1], left[i + 1, 0], left[i + 1, 1] = rx, ry, lx, ly
        right_id[i + 1], left_id[i + 1] = F[h // 3, a], F[h // 3, b]
        t = twin[h]
        s = t % 3
        length, x, y = _side_lengths(V, F, t // 3, s)
        ux, uy = (rx - lx) / length, (ry - ly) / length
        cx[s], cy[s] = lx, ly
        cx[(s + 1) % 3], cy[(s + 1) % 3] = rx, ry
        cx[(s + 2) % 3] = lx + x * ux - y * uy
        cy[(s + 2) % 3] = ly + x * uy + y * ux
    left[n + 1, 0] = right[n + 1, 0] = wb[0] * cx[0] + wb[1] * cx[1] + wb[2] * cx[2]
    left[n + 1, 1] = right[n + 1, 1] = wb[0] * cy[0] + wb[1] * cy[1] + wb[2] * cy[2]
    left_id[n + 1] = right_id[n + 1] = -2


@njit(cache=True)
def _turn(left, right, apex, on_left, at, p, q_left, q):
    """Positive where point q lies left of the ray from the apex through p.

    Points are rows of `left` or of `right`, as the flags say.
    """
    ox, oy = (left[apex, 0], left[apex, 1]) if on_left else (right[apex, 0], right[apex, 1])
    px, py = (left[p, 0], left[p, 1]) if at else (right[p, 0], right[p, 1])
    qx, qy = (left[q, 0], left[q, 1]) if q_left else (right[q, 0], right[q, 1])
    return (px - ox) * (qy - oy) - (py - oy) * (qx - ox)


@njit(cache=True)
def _funnel(left, right, left_id, right_id, n, bend, bend_left):
    """Bends of the shortest path through an unfolded strip: rows of `left` or `right`.

    Returns how many; the start is noted as bend 0, the end is not noted.
    """
    bend[0], bend_left[0] = 0, True
    count = 1
    at_left = at_right = i = 1
    while i <= n + 1:
        apex, side = bend[count - 1], bend_left[count - 1]
        # +1: the path bends at at_left, -1: at at_right, 0: it need not bend yet.
        bends = 0
        if i == n + 1:
            if at_left <= n and _turn(left, right, apex, side, True, at_left, True, i) > 0.0:
                bends = 1
            elif at_right <= n and _turn(left, right, apex, side, False, at_right, True, i) < 0.0:
                bends = -1
        else:
            if right_id[i] == right_id[at_right]:
                at_right = i
            elif _turn(left, right, apex, side, False, at_right, False, i) >= 0.0:
                if _turn(left, right, apex, side, True, at_left, False, i) < 0.0:
                    at_right = i
                else:
                    bends = 1
            if bends == 0:
                if left_id[i] == left_id[at_left]:
                    at_left = i
                elif _turn(left, right, apex, side, True, at_left, True, i) <= 0.0:
                    if _turn(left, right, apex, side, False, at_right, True, i) > 0.0:
                        at_left = i
                    else:
                        bends = -1
        if bends != 0:
            at = at_left if bends > 0 else at_right
            v = left_id[at] if bends > 0 else right_id[at]
            # Edges that end in the bend only pivot about it: the funnel opens at the next one.
            while at < n and (left_id[at + 1] == v or right_id[at + 1] == v):
                at += 1
            bend[count], bend_left[count] = at, bends > 0
            count += 1
            at_left = at_right = i = at + 1
            if at == n:
                break
        i += 1
    return count


@njit(cache=True)
def _angle(ux, uy, vx, vy):
    return np.arctan2(abs(ux * vy - uy * vx), ux * vx + uy * vy)


@njit(cache=True)
def _ring_angle(V, F, twin, h):
    """Sum of the face angles at the start of half edge h, a vertex inside the mesh."""
    total = 0.0
    at = h
    while True:
        f, c = at // 3, at % 3
        _, x, y = _side_lengths(V, F, f, c)
        total += np.arctan2(y, x)
        at = twin[3 * f + (c + 2) % 3]
        if at == h:
            return total


@njit(cache=True)
def _detour(F, twin, strip, n, first, last, v):
    """Leads a strip round the other side of v, over which it crosses edges first to last.

    Returns its new length, or n unchanged where `strip` has no room.
    """
    goal = twin[strip[last]] // 3
    size = 0
    f, at = strip[first] // 3, strip[first]
    begin = at
    while f != goal:
        c = _corner_of(F, f, v)
        at = 3 * f + (c + 2) % 3 if at == 3 * f + c else 3 * f + c
        at = twin[at]
        f = at // 3
        size += 1
    change = size - (last - first + 1)
    if n + change > len(strip):
        return n
    if change > 0:
        for i in range(n - 1, last, -1):
            strip[i + change] = strip[i]
    elif change < 0:
        for i in range(last + 1, n):
            strip[i + change] = strip[i]
    f, at = begin // 3, begin
    for i in range(size):
        c = _corner_of(F, f, v)
        at = 3 * f + (c + 2) % 3 if at == 3 * f + c else 3 * f + c
        strip[first + i] = at
        at = twin[at]
        f = at // 3
    return n + change


@njit(cache=True)
def _pivot(left_id, right_id, n, at, v):
    """First and last row about `at` whose edges end in vertex v."""
    first = last = at
    while first > 1 and (left_id[first - 1] == v or right_id[first - 1] == v):
        first -= 1
    while last < n and (left_id[last + 1] == v or right_id[last + 1] == v):
        last += 1
    return first, last


@njit(cache=True)
def _shorten(
    V, F, twin, on_border, strip, n, left, right, left_id, right_id, bend, bend_left, count
):
    """Leads the strip past every vertex where the path bends and the other side is shorter.

    Returns the strip's new length, -1 where nothing was gained.
    """
    limit = n + 1
    gained = False
    bend[count], bend_left[count] = n + 1, True
    for k in range(count - 1, 0, -1):
        at = bend[k]
        v = left_id[at] if bend_left[k] else right_id[at]
        first, last = _pivot(left_id, right_id, n, at, v)
        if on_border[v] or last >= limit:
            continue
        ox, oy = (left[at, 0], left[at, 1]) if bend_left[k] else (right[at, 0], right[at, 1])
        j = bend[k - 1]
        ux = (left[j, 0] if bend_left[k - 1] else right[j, 0]) - ox
        uy = (left[j, 1] if bend_left[k - 1] else right[j, 1]) - oy
        inner = 0.0
        for i in range(first, last + 2):
            if i <= last:
                other = left_id[i] == v
                wx = (right[i, 0] if other else left[i, 0]) - ox
                wy = (right[i, 1] if other else left[i, 1]) - oy
            else:
                j = bend[k + 1]
                wx = (left[j, 0] if bend_left[k + 1] else right[j, 0]) - ox
                wy = (left[j, 1] if bend_left[k + 1] else right[j, 1]) - oy
            inner += _angle(ux, uy, wx, wy)
            ux, uy = wx, wy
        f = strip[first - 1] // 3
        if _ring_angle(V, F, twin, 3 * f + _corner_of(F, f, v)) - inner >= np.pi - 1e-7:
            continue
        n = _detour(F, twin, strip, n, first - 1, last - 1, v)
        limit = first
        gained = True
    return n if gained else -1


@njit(cache=True)
def _write(F, on_border, strip, n, left, right, left_id, right_id, bend, bend_left, count, out, w):
    """The points between start and end: faces to `out`, weights to `w`; returns how many.

    Point i lies in face out[i], and so does the segment that leads to it.
    """
    size = 0
    done = 0
    bend[count], bend_left[count] = n + 1, True
    for k in range(count):
        nxt = bend[k + 1]
        v = left_id[nxt] if bend_left[k + 1] else right_id[nxt]
        first, last = (n + 1, n + 1) if k + 1 == count else _pivot(left_id, right_id, n, nxt, v)
        for i in range(done + 1, first):
            off_right = _turn(left, right, bend[k], bend_left[k], bend_left[k + 1], nxt, False, i)
            off_left = _turn(left, right, bend[k], bend_left[k], bend_left[k + 1], nxt, True, i)
            t = 0.5
            if off_right != off_left:
                t = min(max(off_right / (off_right - off_left), 0.0), 1.0)
            if on_border[right_id[i]]:
                t = max(t, _RIM_GRAZE)
            if on_border[left_id[i]]:
                t = min(t, 1.0 - _RIM_GRAZE)
            _write_crossing(strip[i - 1], t, out, w, size)
            size += 1
            done = i
        if k + 1 == count:
            break
        if not on_border[v]:
            f = strip[first - 1] // 3
            out[size] = f
            for c in range(3):
                w[size, c] = 1.0 if F[f, c] == v else 0.0
            size += 1
            done = last
            continue
        # A path that bends round a rim's vertex keeps a little off it.
        stop = last
        if k + 2 < count:
            u = left_id[bend[k + 2]] if bend_left[k + 2] else right_id[bend[k + 2]]
            if not on_border[u]:
                stop = min(stop, _pivot(left_id, right_id, n, bend[k + 2], u)[0] - 1)
        for i in range(max(done + 1, first), stop + 1):
            t = 1.0 - _RIM_CLEARANCE if left_id[i] == v else _RIM_CLEARANCE
            _write_crossing(strip[i - 1], t, out, w, size)
            size += 1
            done = i
    return size


@njit(cache=True)
def _write_crossing(h, t, out, w, i):
    out[i] = h // 3
    w[i, h % 3] = 1.0 - t
    w[i, (h % 3 + 1) % 3] = t
    w[i, (h % 3 + 2) % 3] = 0.0


@njit(cache=True)
def _trace_one(V, F, twin, on_border, strip, n, fa, wa, wb, out, w):
    """The geodesic near a strip of n crossings: points between its ends to `out` and `w`.

    Returns how many points, the last face, and the length.
    """
    rounds = 4 * n + 100
    while True:
        n, fa = _tidy(twin, strip, n, fa, wa, wb)
        fb = twin[strip[n - 1]] // 3 if n > 0 else fa
        left, right = np.empty((n + 2, 2)), np.empty((n + 2, 2))
        left_id, right_id = np.empty(n + 2, np.int32), np.empty(n + 2, np.int32)
        bend, bend_left = np.empty(n + 3, np.int64), np.empty(n + 3, np.bool_)
        _unfold(V, F, twin, strip, n, fa, wa, wb, left, right, left_id, right_id)
        count = _funnel(left, right, left_id, right_id, n, bend, bend_left)
        rounds -= 1
        more = -1
        if rounds > 0:
            more = _shorten(
                V, F, twin, on_border, strip, n, left, right, left_id, right_id, bend, bend_left,
                count,
            )  # fmt: skip
        if more < 0:
            break
        n = more
    size = _write(
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
                    n = _find_strip(
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
    length_ab, x, y = _side_lengths(V, F, f, 0)
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
        _move_across(h, t, w)
        f, s = t // 3, t % 3
        length_ab, x, y = _side_lengths(V, F, f, s)
        du, dv = -along, out
    return size, 0.0
