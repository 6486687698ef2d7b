"""Curves in the plane as polylines: length along them, places on them, and smoothing."""

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.curves import arc_length

Array = NDArray[np.float64]

CORNER_DEG = 35.0  # a turn sharper than this at one vertex is a corner, never smoothed over
CHORD_MM = 0.005  # largest gap between a smoothed curve and the chords it is drawn with
SHIFT_MM = 0.05  # how far a vertex may move so that smoothing keeps the length


def along(points: Array, at: NDArray | float) -> tuple[Array, Array]:
    """Places at lengths `at` along a polyline: (n, 2) points and (n, 2) unit tangents.

    Lengths outside the curve are taken at its ends; a scalar `at` gives (1, 2).
    """
    s = arc_length(points)
    at = np.clip(np.atleast_1d(np.asarray(at, dtype=np.float64)), 0.0, s[-1])
    i = np.clip(np.searchsorted(s, at, side="right") - 1, 0, len(points) - 2)
    step = points[i + 1] - points[i]
    length = np.maximum(s[i + 1] - s[i], 1e-300)
    place = points[i] + step * ((at - s[i]) / length)[:, None]
    return place, step / np.maximum(np.linalg.norm(step, axis=1), 1e-300)[:, None]


def outward(tangents: Array) -> Array:
    """Unit normals to the right of the direction: outward on a counterclockwise outline."""
    return np.stack([tangents[..., 1], -tangents[..., 0]], axis=-1)


def turns(points: Array) -> Array:
    """(k - 2,) signed turning angle at each inner vertex, radians, left positive."""
    d = np.diff(points, axis=0)
    cross = d[:-1, 0] * d[1:, 1] - d[:-1, 1] * d[1:, 0]
    dot = np.einsum("ij,ij->i", d[:-1], d[1:])
    return np.arctan2(cross, dot)


def beside(points: Array, at: NDArray | float, off: NDArray | float) -> Array:
    """(n, 2) places `off` mm to the right of a polyline (outside a counterclockwise outline).

    At a corner the place is where the two sides' parallels meet, as long as the corner is blunt.
    """
    at = np.atleast_1d(np.asarray(at, dtype=np.float64))
    place, _ = along(points, at)
    n0 = outward(along(points, at - 0.05)[1])
    n1 = outward(along(points, at + 0.05)[1])
    cos = np.einsum("ij,ij->i", n0, n1)
    return place + (n0 + n1) / np.maximum(1.0 + cos, 0.4)[:, None] * np.reshape(off, (-1, 1))


def smooth(points: Array) -> tuple[Array, NDArray[np.int64]]:
    """A finely drawn smooth curve for a polyline, and the index of every vertex on it.

    A polyline cut from a mesh lies on the chords of the true curve. Between corners it is replaced
    by cubic Hermite arcs with the tangent of the parabola through three neighbours. Arcs are
    longer than their chords, which would make the two sides of a seam unequal; so each vertex
    first moves toward the inside of its bend by the amount that keeps the length: with chords
    a, b and radius R an arc gains (a³ + b³) / 48R² at the vertex and a shift d loses
    d (a + b) / 2R. A vertex that would have to move more than `SHIFT_MM`, or turns by more than
    `CORNER_DEG`, stays where it is as a corner. If the length still changes by more than
    0.02 mm + 0.002 %, the polyline is returned as it is.

    points : (k, 2); the first and last never move
    Returns (m, 2) and (k,) int64
    """
    k = len(points)
    index = np.arange(k)
    if k < 3:
        return points, index
    h = np.linalg.norm(np.diff(points, axis=0), axis=1)
    if h.min() <= 0.0:
        return points, index
    before, after = h[:-1], h[1:]
    bend = (after[:, None] * points[:-2] + before[:, None] * points[2:]) / (before + after)[
        :, None
    ] - points[1:-1]
    ratio = (before**2 - before * after + after**2) / (12.0 * before * after)
    shift = bend * np.minimum(ratio, 0.5)[:, None]
    sharp = np.abs(turns(points)) > np.radians(CORNER_DEG)
    sharp |= np.linalg.norm(shift, axis=1) > SHIFT_MM
    corner = np.concatenate([[True], sharp, [True]])
    q = points.copy()
    q[1:-1][~sharp] += shift[~sharp]

    h = np.linalg.norm(np.diff(q, axis=0), axis=1)
    d = np.diff(q, axis=0) / h[:, None]
    middle = (h[1:, None] * d[:-1] + h[:-1, None] * d[1:]) / (h[:-1] + h[1:])[:, None]
    # Tangents where each segment starts and ends; a corner has one of its own on either side.
    start, end = d.copy(), d.copy()
    start[1:][~sharp] = middle[~sharp]
    end[:-1][~sharp] = middle[~sharp]
    lone_start, lone_end = corner[:-1] & ~corner[1:], ~corner[:-1] & corner[1:]
    start[lone_start] = 2.0 * d[lone_start] - end[lone_start]
    end[lone_end] = 2.0 * d[lone_end] - start[lone_end]

    # The largest gap of a cubic to its chord is near |start - end| h / 8; halving quarters it.
    gap = 0.125 * h * np.maximum(
        np.linalg.norm(start - d, axis=1), np.linalg.norm(end - d, axis=1)
    )  # fmt: skip
    pieces = np.maximum(np.ceil(np.sqrt(2.0 * gap / CHORD_MM)), 1).astype(np.int64)
    first = np.concatenate([[0], np.cumsum(pieces)])
    seg = np.repeat(np.arange(k - 1), pieces)
    t = ((np.arange(first[-1]) - first[seg]) / pieces[seg])[:, None]
    hh = h[seg][:, None]
    curve = (
        (1 + 2 * t) * (1 - t) ** 2 * q[seg]
        + t**2 * (3 - 2 * t) * q[seg + 1]
        + hh * t * (1 - t) ** 2 * start[seg]
        - hh * t**2 * (1 - t) * end[seg]
    )
    curve = np.concatenate([curve, points[-1:]])
    was, now = arc_length(points)[-1], arc_length(curve)[-1]
    if abs(now - was) > 0.02 + 2e-5 * was:
        return points, index
    return curve, first
