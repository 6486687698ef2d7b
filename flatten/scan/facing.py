"""How much of each surface point can be seen from afar, by depth pictures from many sides."""

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.section import level_coordinates
from flatten.geometry.triangles import Array

SIDES = 48


def sides(count: int = SIDES) -> Array:
    """(count, 3) unit directions spread evenly over the sphere (a golden-angle spiral)."""
    z = 1 - 2 * (np.arange(count) + 0.5) / count
    turn = np.pi * (1 + 5**0.5) * np.arange(count)
    r = np.sqrt(1 - z * z)
    return np.column_stack([r * np.cos(turn), r * np.sin(turn), z])


def seen_share(P: Array, N: Array, cell: float) -> Array:
    """(n,) share of the directions within 60 degrees of each normal from which it is not hidden.

    P (n, 3) points no farther apart than `cell`, N (n, 3) unit normals. A point is hidden where
    another lies before it by more than the surface can slope within a cell.
    """
    seen, tried = np.zeros(len(P)), np.zeros(len(P))
    for d in sides():
        facing = N @ d
        x = np.floor(level_coordinates(P, d) / cell).astype(np.int64)
        x -= x.min(axis=0)
        key = x[:, 0] * (int(x[:, 1].max()) + 1) + x[:, 1]
        depth = P @ d
        front: NDArray[np.float64] = np.full(int(key.max()) + 1, -np.inf)
        np.maximum.at(front, key, depth)
        on = facing > 0.5
        tried += on
        seen += on & (depth > front[key] - 2.5 * cell)
    return np.divide(seen, tried, out=np.ones(len(P)), where=tried > 0)
