"""Strips of faces between two places on a mesh, as the half edges that they cross: kernels."""

import numpy as np

from flatten.geometry.space import inner

# Spare room for a strip that is led past vertices.
_ROOM = 256


@inner
def corner_of(F, f, v):
    for c in range(3):
        if F[f, c] == v:
            return c
    return -1


@inner
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


@inner
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


@inner
def _gap(V, F, h, x, y, z):
    """Distance from a point to the middle of half edge h."""
    a, b = F[h // 3, h % 3], F[h // 3, (h % 3 + 1) % 3]
    dx = 0.5 * (V[a, 0] + V[b, 0]) - x
    dy = 0.5 * (V[a, 1] + V[b, 1]) - y
    dz = 0.5 * (V[a, 2] + V[b, 2]) - z
    return np.sqrt(dx * dx + dy * dy + dz * dz)


@inner
def find_strip(V, F, twin, fa, wa, fb, wb, cost, before, stamp, turn, keys, items, strip):
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
    size = np.int64(0)  # a bare 0 would be compiled for itself as well
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


@inner
def move_across(h, t, w):
    """Says the weights of a point on half edge h in the face of its twin t instead."""
    start, end = w[h % 3], w[(h % 3 + 1) % 3]
    w[t % 3] = end
    w[(t % 3 + 1) % 3] = start
    w[(t % 3 + 2) % 3] = 0.0


@inner
def tidy(twin, strip, n, fa, wa, wb):
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
        move_across(strip[first], twin[strip[first]], wa)
        fa = twin[strip[first]] // 3
        first += 1
    while size > first and wb[(twin[strip[size - 1]] % 3 + 2) % 3] == 0.0:
        size -= 1
        move_across(twin[strip[size]], strip[size], wb)
    for i in range(first, size):
        strip[i - first] = strip[i]
    return size - first, fa


@inner
def detour(F, twin, strip, n, first, last, v):
    """Leads a strip round the other side of v, over which it crosses edges first to last.

    Returns its new length, or n unchanged where `strip` has no room.
    """
    goal = twin[strip[last]] // 3
    size = 0
    f, at = strip[first] // 3, strip[first]
    begin = at
    while f != goal:
        c = corner_of(F, f, v)
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
        c = corner_of(F, f, v)
        at = 3 * f + (c + 2) % 3 if at == 3 * f + c else 3 * f + c
        strip[first + i] = at
        at = twin[at]
        f = at // 3
    return n + change
