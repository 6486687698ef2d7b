"""Splits polygon faces into triangles, also where a polygon is concave or not quite plane."""

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.triangles import Array

Ints = NDArray[np.int64]

# A concave polygon of more corners than this is fanned; nothing that a scanner writes comes near.
_MOST_CLIPPED = 128


def triangulate(counts: Ints, corners: Ints, V: Array) -> tuple[Ints, Ints]:
    """Triangles of polygons that lie one after the other in `corners`.

    Parameters
    ----------
    counts : (p,) corners of each polygon; those of fewer than three give no triangle
    corners : (sum of counts,) vertex of each corner, valid indices into V
    V : (n, 3)

    Returns
    -------
    place : (m, 3) positions in `corners`, so that `corners[place]` are the faces; turning sense
        and order of the polygons are kept
    polygon : (m,) the polygon each triangle is part of

    A quadrilateral is cut along the shorter diagonal that keeps both halves facing the same way;
    a longer convex polygon is fanned, a concave one is clipped ear by ear (Meisters, Polygons
    have ears, Amer. Math. Monthly 82(6), 1975).
    """
    starts = (
        np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.int64) if len(counts) else counts
    )
    if len(counts) and (counts == 3).all():
        return np.arange(len(corners), dtype=np.int64).reshape(-1, 3), np.arange(len(counts))
    places: list[Ints] = []
    polygons: list[Ints] = []
    for n in np.unique(counts[counts >= 3]).tolist():
        index = np.flatnonzero(counts == n)
        ring = starts[index][:, None] + np.arange(n)
        local = _split(V[corners[ring]])
        rows = np.repeat(np.arange(len(index)), n - 2)
        places.append(ring[rows[:, None], local.reshape(-1, 3)])
        polygons.append(index[rows])
    if not places:
        return np.empty((0, 3), dtype=np.int64), np.empty(0, dtype=np.int64)
    place, polygon = np.concatenate(places), np.concatenate(polygons)
    order = np.argsort(polygon, kind="stable")
    return place[order], polygon[order]


def _split(P: Array) -> Ints:
    """(p, n - 2, 3) corner numbers for the polygons P (p, n, 3), all of n corners."""
    p, n, _ = P.shape
    if n == 3:
        return np.broadcast_to(np.array([[[0, 1, 2]]]), (p, 1, 3))
    if n == 4:
        return _split_quads(P)
    fan = np.column_stack([np.zeros(n - 2), np.arange(1, n - 1), np.arange(2, n)]).astype(np.int64)
    local = np.repeat(fan[None], p, axis=0)
    if n <= _MOST_CLIPPED:
        turn = _turns(P)
        for i in np.flatnonzero((turn < 0).any(axis=1)):
            local[i] = _clip_ears(P[i])
    return local


def _split_quads(P: Array) -> Ints:
    splits = np.array([[[0, 1, 2], [0, 2, 3]], [[0, 1, 3], [1, 2, 3]]])

    def normal(a: int, b: int, c: int) -> Array:
        return np.cross(P[:, b] - P[:, a], P[:, c] - P[:, a])

    bent_a = (normal(0, 1, 2) * normal(0, 2, 3)).sum(axis=1) < 0
    bent_b = (normal(0, 1, 3) * normal(1, 2, 3)).sum(axis=1) < 0
    length_a = ((P[:, 2] - P[:, 0]) ** 2).sum(axis=1)
    length_b = ((P[:, 3] - P[:, 1]) ** 2).sum(axis=1)
    second = np.where(bent_a == bent_b, length_b < length_a, bent_a)
    return splits[second.astype(np.int64)]


def _newell(P: Array) -> Array:
    """(p, 3) Newell's area vectors of closed polygons (p, n, 3)."""
    return 0.5 * np.cross(P, np.roll(P, -1, axis=1)).sum(axis=1)


def _turns(P: Array) -> Array:
    """(p, n) how each corner turns, positive where it is convex."""
    edge = np.roll(P, -1, axis=1) - P
    cross = np.cross(np.roll(edge, 1, axis=1), edge)
    return np.einsum("pni,pi->pn", cross, _newell(P))


def _clip_ears(P: Array) -> Ints:
    """(n - 2, 3) triangles of one polygon (n, 3), seen along its mean normal."""
    normal = _newell(P[None])[0]
    axis = int(np.abs(normal).argmax())
    flat = np.delete(P, axis, axis=1)
    if (normal[axis] > 0) == (axis == 1):
        flat = flat[:, ::-1]
    left = list(range(len(P)))
    triangles: list[list[int]] = []
    while len(left) > 3:
        ear = next((i for i in range(len(left)) if _is_ear(flat, left, i)), 0)
        triangles.append([left[ear - 1], left[ear], left[(ear + 1) % len(left)]])
        del left[ear]
    return np.array([*triangles, left], dtype=np.int64)


def _is_ear(flat: Array, left: list[int], i: int) -> bool:
    a, b, c = (flat[left[j % len(left)]] for j in (i - 1, i, i + 1))

    def side(p: Array, q: Array, r: Array) -> Array:
        return (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1]) - (q[..., 1] - p[..., 1]) * (
            r[..., 0] - p[..., 0]
        )

    if side(a, b, c) <= 0:
        return False
    others = flat[
        [v for j, v in enumerate(left) if j not in (i, (i - 1) % len(left), (i + 1) % len(left))]
    ]
    inside = (side(a, b, others) >= 0) & (side(b, c, others) >= 0) & (side(c, a, others) >= 0)
    return not inside.any()
