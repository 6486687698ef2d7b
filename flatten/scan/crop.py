"""Cuts a mesh down to a box, exactly along the box's sides."""

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.triangles import Array

Ints = NDArray[np.int32]


def crop(V: Array, F: Ints, low: Array, high: Array) -> tuple[Array, Ints]:
    """The part of V (n, 3), F (m, 3) inside the box; cut faces get new points on its sides.

    Points that nothing uses any more stay in V.
    """
    for axis in range(3):
        V, F = half_space(V, F, V[:, axis] - low[axis])
        V, F = half_space(V, F, high[axis] - V[:, axis])
    return V, F


def half_space(V: Array, F: Ints, side: Array) -> tuple[Array, Ints]:
    """The part where `side` (n,), linear over the faces, is not negative."""
    inside = side >= 0
    count = inside[F].sum(axis=1)
    keep = F[count == 3]
    cut = F[(count == 1) | (count == 2)]
    if not len(cut):
        return V, keep
    # Turned so that the corner that lies alone on its side comes first.
    alone = np.where(count[(count == 1) | (count == 2)] == 1, 1, 0)
    first = np.argmax(inside[cut] == alone[:, None], axis=1)
    cut = np.take_along_axis(cut, (first[:, None] + np.arange(3)) % 3, axis=1)
    a, b, c = cut.T
    ends = np.sort(np.concatenate([cut[:, :2], cut[:, ::2]]), axis=1)
    edges, where = np.unique(ends, axis=0, return_inverse=True)
    p, q = edges.T
    share = side[p] / (side[p] - side[q])
    V = np.concatenate([V, V[p] + share[:, None] * (V[q] - V[p])])
    ab, ac = (len(side) + where.ravel()).reshape(2, -1)
    one = alone == 1
    new = [
        np.column_stack([a, ab, ac])[one],
        np.column_stack([ab, b, c])[~one],
        np.column_stack([ab, c, ac])[~one],
    ]
    return V, np.concatenate([keep, *new]).astype(np.int32)
