"""Compiled kernels: outlines as columns of intervals, bottom-left-fill among them, exact slides.

Columns are discrete along the stock's length and exact across it: the semi-discrete representation
of Chehrazad, Roose & Wauters, A fast and scalable bottom-left-fill algorithm to solve nesting
problems using a semi-discrete representation, Eur. J. Oper. Res. 300(3), 2022. A column holds
everything that a shape covers anywhere across the column's breadth, so that pieces whose columns
keep clear of each other never overlap.
"""

import numpy as np
from numba import njit

EPS = 1e-7  # mm by which intervals may touch
MOST = 160  # intervals kept in one column; the narrowest opening is given up beyond that


@njit(cache=True)
def columns_of(P, starts, first, count, step):  # pragma: no cover - compiled
    """What closed rings cover of each column, as (offsets (count + 1,), intervals (m, 2)).

    P : (n, 2) points of all rings; starts : (k + 1,) where each ring begins and the last ends
    first : where the first column begins in x; step : breadth of a column
    A level line within a column either meets the border there, or lies inside from side to side
    and so at the column's middle: border ranges and crossings of the middle together are all.
    """
    offsets = np.zeros(count + 1, np.int64)
    total = 0
    out = np.empty((64, 2))
    for k in range(count):
        x0 = first + k * step
        x1 = x0 + step
        xm = 0.5 * (x0 + x1)
        ranges = np.empty((2 * len(P), 2))
        cross = np.empty(len(P))
        n = m = 0
        for ring in range(len(starts) - 1):
            s, e = starts[ring], starts[ring + 1]
            for i in range(s, e):
                j = i + 1 if i + 1 < e else s
                ax, ay, bx, by = P[i, 0], P[i, 1], P[j, 0], P[j, 1]
                if ax > bx:
                    ax, ay, bx, by = bx, by, ax, ay
                if ax <= xm < bx:
                    cross[m] = ay + (by - ay) * (xm - ax) / (bx - ax)
                    m += 1
                if bx < x0 + EPS or ax > x1 - EPS:
                    continue
                u, v = ay, by
                if ax < x0:
                    u = ay + (by - ay) * (x0 - ax) / (bx - ax)
                if bx > x1:
                    v = ay + (by - ay) * (x1 - ax) / (bx - ax)
                ranges[n, 0] = min(u, v)
                ranges[n, 1] = max(u, v)
                n += 1
        # Few values each: sorted by insertion.
        for i in range(1, m):
            level, j = cross[i], i
            while j > 0 and cross[j - 1] > level:
                cross[j] = cross[j - 1]
                j -= 1
            cross[j] = level
        for i in range(m // 2):
            ranges[n, 0], ranges[n, 1] = cross[2 * i], cross[2 * i + 1]
            n += 1
        for i in range(1, n):
            low, high, j = ranges[i, 0], ranges[i, 1], i
            while j > 0 and ranges[j - 1, 0] > low:
                ranges[j, 0], ranges[j, 1] = ranges[j - 1, 0], ranges[j - 1, 1]
                j -= 1
            ranges[j, 0], ranges[j, 1] = low, high
        begin = total
        for i in range(n):
            if total > begin and ranges[i, 0] <= out[total - 1, 1] + EPS:
                out[total - 1, 1] = max(out[total - 1, 1], ranges[i, 1])
                continue
            if total == len(out):
                wider = np.empty((2 * total, 2))
                for q in range(total):
                    wider[q, 0], wider[q, 1] = out[q, 0], out[q, 1]
                out = wider
            out[total, 0], out[total, 1] = ranges[i, 0], ranges[i, 1]
            total += 1
        offsets[k + 1] = total
    return offsets, out[:total]


@njit
def _add(taken, filled, column, low, high):  # pragma: no cover - compiled
    """One more interval in a column, kept sorted; touching ones become one."""
    n = filled[column]
    i = 0
    while i < n and taken[column, i, 1] < low - EPS:
        i += 1
    j = i
    while j < n and taken[column, j, 0] <= high + EPS:
        low = min(low, taken[column, j, 0])
        high = max(high, taken[column, j, 1])
        j += 1
    if j == i:
        for q in range(n, i, -1):
            taken[column, q, 0], taken[column, q, 1] = (
                taken[column, q - 1, 0],
                taken[column, q - 1, 1],
            )
        n += 1
    else:
        for q in range(j, n):
            taken[column, q - (j - i - 1), 0], taken[column, q - (j - i - 1), 1] = (
                taken[column, q, 0],
                taken[column, q, 1],
            )
        n -= j - i - 1
    taken[column, i, 0], taken[column, i, 1] = low, high
    if n >= MOST - 1:
        best = 0
        for q in range(1, n - 1):
            if (
                taken[column, q + 1, 0] - taken[column, q, 1]
                < taken[column, best + 1, 0] - taken[column, best, 1]
            ):
                best = q
        taken[column, best, 1] = taken[column, best + 1, 1]
        for q in range(best + 1, n - 1):
            taken[column, q, 0], taken[column, q, 1] = (
                taken[column, q + 1, 0],
                taken[column, q + 1, 1],
            )
        n -= 1
    filled[column] = n


@njit
def _lowest(taken, filled, offsets, spans, begin, count, base, high, room):  # pragma: no cover
    """Least y at which a piece clears everything in its columns, or -1 where there is none."""
    y = 0.0
    k = clear = 0
    while clear < count:
        raised = True
        while raised:
            raised = False
            for s in range(offsets[begin + k], offsets[begin + k + 1]):
                low, top = spans[s, 0] + y + EPS, spans[s, 1] + y - EPS
                for q in range(filled[base + k]):
                    if taken[base + k, q, 0] >= top:
                        break
                    if taken[base + k, q, 1] > low:
                        y = taken[base + k, q, 1] - spans[s, 0]
                        if y + high > room + EPS:
                            return -1.0
                        low, top = spans[s, 0] + y + EPS, spans[s, 1] + y - EPS
                        raised = True
                        clear = 0
        clear += 1
        k = k + 1 if k + 1 < count else 0
    return y


@njit(cache=True)
def fill(
    order, choice, group, variants, sizes, heads, offsets, spans, areas, ground, ground_filled,
    bins, length, room, step, breadth,
):  # fmt: skip  # pragma: no cover - compiled
    """Bottom-left-fill: every piece in turn to the lowest place of the leftmost clear column.

    order : (n,) pieces as they are laid; choice : (n,) variant wanted, -1 for the best of all
    group : (n,) pieces of one group are alike; variants : (g + 1,) where a group's variants begin
    sizes : (v, 2) extent of each; heads : (v + 1,) its first column in `offsets`
    ground, ground_filled : what may not be used of one bin; `breadth` columns of `step` each
    Returns (places (n, 4) of bin, x, y, variant, bin -1 where no place was found; score (4,) of
    area left out, bins begun, length used in the last, moment of area about the start).
    """
    n = len(order)
    most = ground.shape[1]
    taken = np.empty((bins * breadth, most, 2))
    filled = np.empty(bins * breadth, np.int64)
    begun = 0
    places = np.full((n, 4), -1.0)
    ends = np.zeros(bins)
    # Where the search last ended for each variant: what was full there stays full.
    hints = np.zeros(len(sizes), np.int64)
    score = np.zeros(4)
    for piece in order:
        best_bin = bins
        best_end = np.inf
        best = (-1, 0.0, 0.0, -1)
        g = group[piece]
        for v in range(variants[g], variants[g + 1]):
            if choice[piece] >= 0 and v != choice[piece]:
                continue
            count = heads[v + 1] - heads[v] - 1
            index = hints[v]
            found = False
            y = 0.0
            while index < bins * breadth:
                b, i = index // breadth, index % breadth
                if b > best_bin or (b == best_bin and i * step + sizes[v, 0] > best_end + EPS):
                    break
                if i * step + sizes[v, 0] > length + EPS or i + count > breadth:
                    index = (b + 1) * breadth
                    continue
                while begun <= b:
                    for q in range(breadth):
                        filled[begun * breadth + q] = ground_filled[q]
                        for r in range(ground_filled[q]):
                            taken[begun * breadth + q, r, 0] = ground[q, r, 0]
                            taken[begun * breadth + q, r, 1] = ground[q, r, 1]
                    begun += 1
                y = _lowest(
                    taken, filled, offsets, spans, heads[v], count, index, sizes[v, 1], room
                )
                if y >= 0.0 and y + sizes[v, 1] <= room + EPS:
                    found = True
                    break
                index += 1
            hints[v] = index
            if found:
                b, i = index // breadth, index % breadth
                end = i * step + sizes[v, 0]
                if b < best_bin or end < best_end - EPS or (end < best_end + EPS and y < best[2]):
                    best_bin, best_end = b, end
                    best = (b, i * step, y, v)
        if best[0] < 0:
            score[0] += areas[g]
            continue
        b, x, y, v = best
        places[piece, 0], places[piece, 1], places[piece, 2], places[piece, 3] = b, x, y, v
        ends[b] = max(ends[b], best_end)
        score[3] += areas[g] * (b * length + x + 0.5 * sizes[v, 0])
        first = b * breadth + int(np.round(x / step))
        for k in range(heads[v + 1] - heads[v] - 1):
            for s in range(offsets[heads[v] + k], offsets[heads[v] + k + 1]):
                _add(taken, filled, first + k, spans[s, 0] + y, spans[s, 1] + y)
    for b in range(bins):
        if ends[b] > 0.0:
            score[1] = b + 1
            score[2] = ends[b]
    return places, score


@njit(cache=True)
def slide(P, starts, Q, q_starts, way):  # pragma: no cover - compiled
    """How far rings P can move against x (way 0) or y (way 1) before they meet rings Q, mm.

    Infinite where they never meet. Exact for outlines that do not overlap at the start.
    """
    a, b = way, 1 - way
    least = np.inf
    for turn in range(2):
        V, R, ends = (P, Q, q_starts) if turn == 0 else (Q, P, starts)
        for ring in range(len(ends) - 1):
            s, e = ends[ring], ends[ring + 1]
            for i in range(s, e):
                j = i + 1 if i + 1 < e else s
                lo, hi = min(R[i, b], R[j, b]), max(R[i, b], R[j, b])
                for k in range(len(V)):
                    level = V[k, b]
                    if level < lo or level > hi:
                        continue
                    if hi - lo < 1e-12:
                        far = max(R[i, a], R[j, a]) if turn == 0 else min(R[i, a], R[j, a])
                    else:
                        t = (level - R[i, b]) / (R[j, b] - R[i, b])
                        far = R[i, a] + t * (R[j, a] - R[i, a])
                    gap = V[k, a] - far if turn == 0 else far - V[k, a]
                    if -1e-6 < gap < least:
                        least = max(gap, 0.0)
    return least
