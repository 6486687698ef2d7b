"""Compiled: where the borders of pieces come near each other, as directions and distances.

Every vertex of a piece is held against the edges and corners of its neighbours. A contact is linear
in small moves of the two pieces: the distance grows by the outward normal times the difference of
their moves (the separation constraints of Li & Milenkovic, Compaction and separation algorithms for
non-convex polygons and their applications, Eur. J. Oper. Res. 84(3), 1995).
"""

import numpy as np
from numba import njit


@njit(cache=True)
def contacts(P, starts, owner, boxes, movable, reach, pairs, rows):  # pragma: no cover - compiled
    """Fills `pairs` and `rows` with the contacts within `reach` and returns how many there are.

    P : (n, 2) points of all rings, outer ones counterclockwise, inner ones clockwise
    starts : (k + 1,) where each ring begins; owner : (k,) its piece, the rings of one in a row
    boxes : (p, 4) bounds of the pieces; the first `movable` of them may move
    pairs : (m, 2) the piece of the vertex and that of the border
    rows : (m, 7) outward normal of the border, the vertex, the place on the border, their distance,
        negative for a vertex inside. What is beyond the room in them is counted only.
    """
    count = len(boxes)
    first = np.zeros(count, np.int64)
    last = np.zeros(count, np.int64)
    for r in range(len(owner)):
        if r == 0 or owner[r] != owner[r - 1]:
            first[owner[r]] = r
        last[owner[r]] = r + 1
    m = 0
    for a in range(count):
        for b in range(count):
            if a == b or (a >= movable and b >= movable):
                continue
            x0, y0 = boxes[b, 0] - reach, boxes[b, 1] - reach
            x1, y1 = boxes[b, 2] + reach, boxes[b, 3] + reach
            if boxes[a, 0] > x1 or boxes[a, 2] < x0 or boxes[a, 1] > y1 or boxes[a, 3] < y0:
                continue
            for p in range(starts[first[a]], starts[last[a]]):
                px, py = P[p, 0], P[p, 1]
                if px < x0 or px > x1 or py < y0 or py > y1:
                    continue
                begin = m
                inside = False
                least = np.inf
                near = np.zeros(4)
                for r in range(first[b], last[b]):
                    s, e = starts[r], starts[r + 1]
                    ux, uy = P[s, 0] - P[e - 1, 0], P[s, 1] - P[e - 1, 1]
                    square = ux * ux + uy * uy
                    before = 1.0
                    if square > 0.0:
                        before = ((px - P[e - 1, 0]) * ux + (py - P[e - 1, 1]) * uy) / square
                    for q in range(s, e):
                        after = q + 1 if q + 1 < e else s
                        ax, ay = P[q, 0], P[q, 1]
                        dx, dy = P[after, 0] - ax, P[after, 1] - ay
                        square = dx * dx + dy * dy
                        if square == 0.0:
                            continue
                        if (ay > py) != (P[after, 1] > py) and px < ax + dx * (py - ay) / dy:
                            inside = not inside
                        t = ((px - ax) * dx + (py - ay) * dy) / square
                        hit = False
                        nx = ny = qx = qy = d = 0.0
                        if 0.0 < t < 1.0:
                            long = np.sqrt(square)
                            nx, ny = dy / long, -dx / long
                            qx, qy = ax + t * dx, ay + t * dy
                            d = (px - ax) * nx + (py - ay) * ny
                            hit = True
                        elif t <= 0.0 and before >= 1.0:
                            d = np.sqrt((px - ax) ** 2 + (py - ay) ** 2)
                            if d > 1e-9:
                                nx, ny, qx, qy = (px - ax) / d, (py - ay) / d, ax, ay
                                hit = True
                        before = t
                        if not hit:
                            continue
                        if abs(d) < least:
                            least = abs(d)
                            # Out of the piece: along the normal of an edge, toward a corner.
                            sign = 1.0 if t > 0.0 else -1.0
                            near[0], near[1], near[2], near[3] = sign * nx, sign * ny, qx, qy
                        if 0.0 <= d < reach:
                            if m < len(rows):
                                pairs[m, 0], pairs[m, 1] = a, b
                                rows[m, 0], rows[m, 1], rows[m, 2], rows[m, 3] = nx, ny, px, py
                                rows[m, 4], rows[m, 5], rows[m, 6] = qx, qy, d
                            m += 1
                if inside and least < np.inf:
                    # The nearest way out is the only one that counts.
                    m = begin
                    if m < len(rows):
                        pairs[m, 0], pairs[m, 1] = a, b
                        rows[m, 0], rows[m, 1], rows[m, 2], rows[m, 3] = near[0], near[1], px, py
                        rows[m, 4], rows[m, 5], rows[m, 6] = near[2], near[3], -least
                    m += 1
    return m
