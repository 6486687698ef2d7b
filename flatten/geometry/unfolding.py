"""Strips of faces laid in the plane, and the shortest paths through them: kernels.

The methods are those that flatten.geometry.geodesics names.
"""

import numpy as np

from flatten.geometry.space import inner
from flatten.geometry.strips import corner_of, detour

# How far along an edge from a rim vertex a path that bends round it keeps off the rim.
_RIM_CLEARANCE = 0.15
# The same for a path that passes one straight on.
_RIM_GRAZE = 0.02


@inner
def side_lengths(V, F, f, s):
    """Of the edge from corner s of face f to the next: its length, and the third corner's place
    along it and off it."""
    p, q, r = F[f, s], F[f, (s + 1) % 3], F[f, (s + 2) % 3]
    ux, uy, uz = V[q, 0] - V[p, 0], V[q, 1] - V[p, 1], V[q, 2] - V[p, 2]
    vx, vy, vz = V[r, 0] - V[p, 0], V[r, 1] - V[p, 1], V[r, 2] - V[p, 2]
    length = np.sqrt(ux * ux + uy * uy + uz * uz)
    x = (ux * vx + uy * vy + uz * vz) / length
    return length, x, np.sqrt(max(vx * vx + vy * vy + vz * vz - x * x, 0.0))


@inner
def unfold(V, F, twin, strip, n, fa, wa, wb, left, right, left_id, right_id):
    """Lays the strip in the plane: left and right end of every crossed edge, with their vertices.

    Row 0 of `left` is the start and row n + 1 the end (in `right` as well), row i + 1 belongs to
    strip[i]. Seen in the walking direction the end of a half edge is on the left.
    """
    cx, cy = np.zeros(3), np.zeros(3)
    cx[1], cx[2], cy[2] = side_lengths(V, F, fa, np.int64(0))
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
        length, x, y = side_lengths(V, F, t // 3, s)
        ux, uy = (rx - lx) / length, (ry - ly) / length
        cx[s], cy[s] = lx, ly
        cx[(s + 1) % 3], cy[(s + 1) % 3] = rx, ry
        cx[(s + 2) % 3] = lx + x * ux - y * uy
        cy[(s + 2) % 3] = ly + x * uy + y * ux
    left[n + 1, 0] = right[n + 1, 0] = wb[0] * cx[0] + wb[1] * cx[1] + wb[2] * cx[2]
    left[n + 1, 1] = right[n + 1, 1] = wb[0] * cy[0] + wb[1] * cy[1] + wb[2] * cy[2]
    left_id[n + 1] = right_id[n + 1] = -2


@inner
def _turn(R, r, P, p, Q, q):
    """Positive where row q of Q lies left of the ray from row r of R through row p of P."""
    x, y = R[r, 0], R[r, 1]
    return (P[p, 0] - x) * (Q[q, 1] - y) - (P[p, 1] - y) * (Q[q, 0] - x)


@inner
def funnel(left, right, left_id, right_id, n, bend, bend_left):
    """Bends of the shortest path through an unfolded strip: rows of `left` or `right`.

    Returns how many; the start is noted as bend 0, the end is not noted.
    """
    bend[0], bend_left[0] = 0, True
    count = 1
    at_left = at_right = i = np.int64(1)  # a bare 1 would be compiled for itself as well
    while i <= n + 1:
        apex, side = bend[count - 1], left if bend_left[count - 1] else right
        # +1: the path bends at at_left, -1: at at_right, 0: it need not bend yet.
        bends = 0
        if i == n + 1:
            if at_left <= n and _turn(side, apex, left, at_left, left, i) > 0.0:
                bends = 1
            elif at_right <= n and _turn(side, apex, right, at_right, left, i) < 0.0:
                bends = -1
        else:
            if right_id[i] == right_id[at_right]:
                at_right = i
            elif _turn(side, apex, right, at_right, right, i) >= 0.0:
                if _turn(side, apex, left, at_left, right, i) < 0.0:
                    at_right = i
                else:
                    bends = 1
            if bends == 0:
                if left_id[i] == left_id[at_left]:
                    at_left = i
                elif _turn(side, apex, left, at_left, left, i) <= 0.0:
                    if _turn(side, apex, right, at_right, left, i) > 0.0:
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


@inner
def _angle(ux, uy, vx, vy):
    return np.arctan2(abs(ux * vy - uy * vx), ux * vx + uy * vy)


@inner
def _ring_angle(V, F, twin, h):
    """Sum of the face angles at the start of half edge h, a vertex inside the mesh."""
    total = 0.0
    at = h
    while True:
        f, c = at // 3, at % 3
        _, x, y = side_lengths(V, F, f, c)
        total += np.arctan2(y, x)
        at = twin[3 * f + (c + 2) % 3]
        if at == h:
            return total


@inner
def _pivot(left_id, right_id, n, at, v):
    """First and last row about `at` whose edges end in vertex v."""
    first = last = at
    while first > 1 and (left_id[first - 1] == v or right_id[first - 1] == v):
        first -= 1
    while last < n and (left_id[last + 1] == v or right_id[last + 1] == v):
        last += 1
    return first, last


@inner
def shorten(
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
        if _ring_angle(V, F, twin, 3 * f + corner_of(F, f, v)) - inner >= np.pi - 1e-7:
            continue
        n = detour(F, twin, strip, n, first - 1, last - 1, v)
        limit = first
        gained = True
    return n if gained else -1


@inner
def write_path(
    F, on_border, strip, n, left, right, left_id, right_id, bend, bend_left, count, out, w
):
    """The points between start and end: faces to `out`, weights to `w`; returns how many.

    Point i lies in face out[i], and so does the segment that leads to it.
    """
    size, done = np.int64(0), np.int64(0)
    bend[count], bend_left[count] = n + 1, True
    for k in range(count):
        nxt = bend[k + 1]
        here, there = left if bend_left[k] else right, left if bend_left[k + 1] else right
        v = left_id[nxt] if bend_left[k + 1] else right_id[nxt]
        first, last = (n + 1, n + 1) if k + 1 == count else _pivot(left_id, right_id, n, nxt, v)
        for i in range(done + 1, first):
            off_right = _turn(here, bend[k], there, nxt, right, i)
            off_left = _turn(here, bend[k], there, nxt, left, i)
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


@inner
def _write_crossing(h, t, out, w, i):
    out[i] = h // 3
    w[i, h % 3] = 1.0 - t
    w[i, (h % 3 + 1) % 3] = t
    w[i, (h % 3 + 2) % 3] = 0.0
