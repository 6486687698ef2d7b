"""The projective map between a photographed plane and the plane itself, from four points of it.

Hartley & Zisserman, Multiple View Geometry in Computer Vision, 2nd ed., 2004, section 4.1: the
direct linear transformation, whose four correspondences fix the map up to scale.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

FLAT = 1e-4  # of the longest side squared: a triangle of less area is a line


def homography(source: Array, target: Array) -> Array:
    """(3, 3) map with H (x, y, 1) ~ (u, v, 1) for four points (4, 2), no three of them in line.

    Raises
    ------
    ValueError : three points are in line
    """
    for points in (source, target):
        sides = points[[1, 2, 3, 0, 0, 1]] - points[[0, 1, 2, 3, 2, 3]]
        for i, j, k in ((0, 1, 2), (0, 1, 3), (0, 2, 3), (1, 2, 3)):
            u, v = points[j] - points[i], points[k] - points[i]
            if abs(u[0] * v[1] - u[1] * v[0]) < FLAT * float((sides**2).sum(axis=1).max()):
                raise ValueError("three of the four points are in line")
    # Centred and scaled, so that the equations are of one size (ibid., section 4.4).
    A, B = _normal(source), _normal(target)
    p, q = apply(A, source), apply(B, target)
    rows, right = [], []
    for (x, y), (u, v) in zip(p, q, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        right += [u, v]
    h = np.append(np.linalg.solve(np.array(rows), np.array(right)), 1.0).reshape(3, 3)
    return np.linalg.inv(B) @ h @ A


def apply(H: Array, points: Array) -> Array:
    """(n, 2) points mapped; those on or beyond the plane's horizon become nan."""
    P = np.column_stack([points, np.ones(len(points))]) @ H.T
    w = np.where(P[:, 2] > 1e-12 * max(float(np.abs(P).max(initial=0.0)), 1e-300), P[:, 2], np.nan)
    return P[:, :2] / w[:, None]


def _normal(points: Array) -> Array:
    centre = points.mean(axis=0)
    size = float(np.linalg.norm(points - centre, axis=1).mean()) or 1.0
    s = np.sqrt(2.0) / size
    return np.array([[s, 0.0, -s * centre[0]], [0.0, s, -s * centre[1]], [0.0, 0.0, 1.0]])
