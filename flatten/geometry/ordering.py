"""Orders points along a space-filling curve, so that neighbours lie close in memory."""

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.triangles import Array, Faces

_BITS = 10  # cells of a thousandth of the cube: a scan's own spacing


def curve_keys(P: Array) -> NDArray[np.uint32]:
    """(n,) place of each point of P (n, 3) on a Hilbert curve through its bounding cube.

    Skilling, Programming the Hilbert curve, AIP Conf. Proc. 707, 2004 (axes to transpose).
    """
    if not len(P):
        return np.zeros(0, dtype=np.uint32)
    low = P.min(axis=0)
    span = float((P.max(axis=0) - low).max())
    scale = ((1 << _BITS) - 1) / span if span > 0 else 0.0
    x = [((P[:, k] - low[k]) * scale).astype(np.uint32) for k in range(3)]
    q = np.uint32(1 << (_BITS - 1))
    one = np.uint32(1)
    while q > 1:
        p = np.uint32(q - one)
        for k in range(3):
            up = (x[k] & q) != 0
            t = np.where(up, np.uint32(0), (x[0] ^ x[k]) & p)
            x[0] = np.where(up, x[0] ^ p, x[0] ^ t)
            x[k] = x[k] ^ t
        q >>= one
    x[1] ^= x[0]
    x[2] ^= x[1]
    t = np.zeros(len(P), dtype=np.uint32)
    q = np.uint32(1 << (_BITS - 1))
    while q > 1:
        t = np.where((x[2] & q) != 0, t ^ np.uint32(q - one), t)
        q >>= one
    key = np.zeros(len(P), dtype=np.uint32)
    for k in range(3):
        key |= _spread((x[k] ^ t).astype(np.uint32)) << np.uint32(2 - k)
    return key


def _spread(x: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """The low 10 bits of x, two zero bits between one and the next."""
    for shift, mask in ((16, 0x30000FF), (8, 0x300F00F), (4, 0x30C30C3), (2, 0x9249249)):
        x = (x | (x << np.uint32(shift))) & np.uint32(mask)
    return x


def sort_along_curve(
    V: Array, F: Faces
) -> tuple[NDArray[np.int64], NDArray[np.int32], NDArray[np.int64]]:
    """Order for vertices and faces along the curve.

    Returns
    -------
    order : (n,) old index of each vertex in the new order
    F : (m, 3) int32, faces renumbered, sorted by their lowest vertex; corners are not turned
    faces : (m,) old index of each face
    """
    order = np.argsort(curve_keys(V), kind="stable")
    place = np.empty(len(V), dtype=np.int32)
    place[order] = np.arange(len(V), dtype=np.int32)
    F = place[F]
    faces = np.argsort(F.min(axis=1), kind="stable")
    return order, F[faces], faces
