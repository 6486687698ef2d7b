"""Level lines of a grid of values, to a fraction of a cell: marching squares.

Lorensen & Cline, Marching cubes, SIGGRAPH 1987, in the plane; saddles are parted by the cell's mean.
"""

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.chains import chain_segments

Array = NDArray[np.float64]


def level_rings(values: Array, level: float) -> list[Array]:
    """Closed lines (k, 2) of (column, row) places where `values` (h, w) cross `level`.

    The grid is bordered by lower values, so that every line closes.
    """
    low = min(float(values.min()), level) - 1.0
    Z = np.pad(values, 1, constant_values=low)
    h, w = Z.shape
    inside = level <= Z
    a, b, c, d = inside[:-1, :-1], inside[:-1, 1:], inside[1:, 1:], inside[1:, :-1]
    case = a * 1 + b * 2 + c * 4 + d * 8
    middle = 0.25 * (Z[:-1, :-1] + Z[:-1, 1:] + Z[1:, 1:] + Z[1:, :-1]) >= level
    y, x = np.nonzero((case > 0) & (case < 15))
    # Where the line crosses the cell's sides: level sides are numbered before upright ones.
    up, down = y * w + x, (y + 1) * w + x
    left, right = y * w + x + h * w, y * w + x + 1 + h * w
    kind, mid = case[y, x], middle[y, x]
    pairs = {
        1: (up, left), 2: (up, right), 3: (left, right), 4: (right, down), 6: (up, down),
        7: (left, down), 8: (left, down), 9: (up, down), 11: (right, down), 12: (left, right),
        13: (up, right), 14: (up, left),
    }  # fmt: skip
    found = [np.column_stack([p[kind == k], q[kind == k]]) for k, (p, q) in pairs.items()]
    # Saddles: the two corners inside are joined through the middle, or cut off one by one.
    for k in (5, 10):
        for joined in (True, False):
            at = (kind == k) & (mid == joined)
            apart = (k == 5) != joined
            ends = ((up, left), (right, down)) if apart else ((up, right), (left, down))
            found += [np.column_stack([p[at], q[at]]) for p, q in ends]
    segments = np.concatenate(found)
    runs = chain_segments([(int(p), int(q)) for p, q in segments])
    return [_places(np.array(run), Z, level, h, w) - 1.0 for run, closed in runs if closed]


def _places(edges: NDArray[np.int64], Z: Array, level: float, h: int, w: int) -> Array:
    upright = edges >= h * w
    at = edges - upright * h * w
    y, x = at // w, at % w
    first, second = Z[y, x], Z[y + upright, x + ~upright]
    t = (level - first) / (second - first)
    return np.column_stack([x + t * ~upright, y + t * upright])
