"""Points in cubic cells, so that compiled loops find neighbours within a radius quickly."""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False, kw_only=True)
class PointGrid:
    """Points sorted by cell. Cells hold `start[c]:start[c + 1]` of the sorted points.

    order : (n,) int32, the old index of every sorted point
    low : (3,) the corner of cell (0, 0, 0); shape : (3,) int64 cells along each axis
    """

    order: NDArray[np.int32]
    start: NDArray[np.int32]
    low: NDArray[np.float64]
    shape: NDArray[np.int64]
    cell: float


def point_grid(P: NDArray[np.float64], cell: float) -> PointGrid:
    """A grid over points P (n, 3) with cells of `cell` mm, made larger where there would be
    more than eight million of them."""
    low = P.min(axis=0) if len(P) else np.zeros(3)
    size = (P.max(axis=0) - low) if len(P) else np.zeros(3)
    while np.prod(np.floor(size / cell) + 1) > 8e6:
        cell *= 1.26
    shape = (np.floor(size / cell) + 1).astype(np.int64)
    ijk = np.minimum((P - low) / cell, shape - 1).astype(np.int64)
    key = (ijk[:, 0] * shape[1] + ijk[:, 1]) * shape[2] + ijk[:, 2]
    order = np.argsort(key, kind="stable").astype(np.int32)
    count = np.bincount(key, minlength=int(np.prod(shape)))
    start = np.concatenate([[0], np.cumsum(count)]).astype(np.int32)
    return PointGrid(order=order, start=start, low=low, shape=shape, cell=cell)


@njit(cache=True)
def near(x, y, z, radius, P, start, low, shape, cell, found):  # pragma: no cover - compiled
    """Writes the indices of sorted points within `radius` of (x, y, z) to `found`; how many.

    P : (n, 3) the points in the grid's order. Stops when `found` is full.
    """
    i0 = max(0, int(np.floor((x - radius - low[0]) / cell)))
    i1 = min(shape[0] - 1, int(np.floor((x + radius - low[0]) / cell)))
    j0 = max(0, int(np.floor((y - radius - low[1]) / cell)))
    j1 = min(shape[1] - 1, int(np.floor((y + radius - low[1]) / cell)))
    k0 = max(0, int(np.floor((z - radius - low[2]) / cell)))
    k1 = min(shape[2] - 1, int(np.floor((z + radius - low[2]) / cell)))
    count = 0
    r2 = radius * radius
    for i in range(i0, i1 + 1):
        for j in range(j0, j1 + 1):
            row = (i * shape[1] + j) * shape[2]
            if k1 < k0:
                continue
            for q in range(start[row + k0], start[row + k1 + 1]):
                dx, dy, dz = P[q, 0] - x, P[q, 1] - y, P[q, 2] - z
                if dx * dx + dy * dy + dz * dz <= r2:
                    if count == found.shape[0]:
                        return count
                    found[count] = q
                    count += 1
    return count
