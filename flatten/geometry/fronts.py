"""Dense kernels of a multifrontal factorisation: one front is summed up, eliminated, passed on.

A front is a panel of columns to be eliminated (`width` columns of `height` entries) and the update
matrix of the `rest` further rows. Both are stored by columns; only lower triangles count.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.geometry.space import INNER, inner

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Int = int | np.integer | Ints  # what compiled indexing makes of an int, to a type checker


@njit(**INNER, fastmath={"contract"})
def _subtract_outer(
    target: Array, at: Int, source: Array, base: Int, height: Int, width: Int, row: Int
) -> None:
    """target[at:] -= sum over `width` columns c of column c (from `row` down) times its own row."""
    n = height - row
    u = target[at : at + n]
    c = 0
    while c + 4 <= width:
        o = base + c * height + row
        a0, a1 = source[o], source[o + height]
        a2, a3 = source[o + 2 * height], source[o + 3 * height]
        l0 = source[o : o + n]
        l1 = source[o + height : o + height + n]
        l2 = source[o + 2 * height : o + 2 * height + n]
        l3 = source[o + 3 * height : o + 3 * height + n]
        for i in range(n):
            u[i] -= l0[i] * a0 + l1[i] * a1 + l2[i] * a2 + l3[i] * a3
        c += 4
    while c < width:
        o = base + c * height + row
        a0 = source[o]
        l0 = source[o : o + n]
        for i in range(n):
            u[i] -= l0[i] * a0
        c += 1


@njit(**INNER, fastmath={"contract"})
def _subtract_pair(
    target: Array, at: Int, side: Int, source: Array, base: Int, height: Int, width: Int, row: Int
) -> None:
    """As `_subtract_outer` for two columns of target, `side` apart, which reads the source once.

    The second column's entry above its diagonal is written too; nobody reads it.
    """
    n = height - row
    u, v = target[at : at + n], target[at + side : at + side + n]
    c = 0
    while c + 4 <= width:
        o = base + c * height + row
        a0, a1 = source[o], source[o + height]
        a2, a3 = source[o + 2 * height], source[o + 3 * height]
        b0, b1 = source[o + 1], source[o + height + 1]
        b2, b3 = source[o + 2 * height + 1], source[o + 3 * height + 1]
        l0 = source[o : o + n]
        l1 = source[o + height : o + height + n]
        l2 = source[o + 2 * height : o + 2 * height + n]
        l3 = source[o + 3 * height : o + 3 * height + n]
        for i in range(n):
            u[i] -= l0[i] * a0 + l1[i] * a1 + l2[i] * a2 + l3[i] * a3
            v[i] -= l0[i] * b0 + l1[i] * b1 + l2[i] * b2 + l3[i] * b3
        c += 4
    while c < width:
        o = base + c * height + row
        a0, b0 = source[o], source[o + 1]
        l0 = source[o : o + n]
        for i in range(n):
            u[i] -= l0[i] * a0
            v[i] -= l0[i] * b0
        c += 1


@inner
def assemble(
    L: Array, stack: Array, source: Int, places: Ints, block: Int, columns: Int, further: Int,
    base: Int, update: Int,
) -> None:  # fmt: skip
    """Adds a child's update matrix at `source` to the front whose rows its rows are `places` of."""
    r = len(places)
    side, width, rest = r * block, columns * block, further * block
    height = width + rest
    for jv in range(r):
        p = places[jv]
        for jb in range(block):
            child = stack[source + (jv * block + jb) * side : source + (jv * block + jb + 1) * side]
            if p < columns:
                to = base + (p * block + jb) * height
                target = L[to : to + height]
                shift = 0
            else:
                to = update + (p * block + jb - width) * rest
                target = stack[to : to + rest]
                shift = width
            if block == 1:
                for iv in range(jv, r):
                    target[places[iv] - shift] += child[iv]
            else:
                for iv in range(jv, r):
                    q = places[iv] * block - shift
                    for ib in range(block):
                        target[q + ib] += child[iv * block + ib]


@inner
def eliminate(L: Array, base: Int, height: Int, width: Int) -> bool:
    """Factors the panel of `width` columns at `base`, two columns at a time; False: not definite."""
    for j in range(0, width, 2):
        at = base + j * height + j
        if j + 1 < width:
            _subtract_pair(L, at, height, L, base, height, j, j)
        else:
            _subtract_outer(L, at, L, base, height, j, j)
        if not L[at] > 0.0:
            return False
        pivot = np.sqrt(L[at])
        here = L[at : at + height - j]
        scale = 1.0 / pivot
        for i in range(len(here)):
            here[i] *= scale
        here[0] = pivot
        if j + 1 < width:
            after = L[at + height : at + 2 * height - j]
            factor = here[1]
            for i in range(len(here)):
                after[i] -= factor * here[i]
            if not after[1] > 0.0:
                return False
            pivot = np.sqrt(after[1])
            scale = 1.0 / pivot
            for i in range(len(after)):
                after[i] *= scale
            after[1] = pivot
    return True


@njit(cache=True, nogil=True)
def subtract_columns(
    stack: Array, update: Int, rest: Int, L: Array, base: Int, height: Int, width: Int, low: Int,
    high: Int,
) -> None:  # fmt: skip
    """Takes the eliminated columns out of columns low to high (low even) of the update matrix."""
    for j in range(low, high - 1, 2):
        _subtract_pair(stack, update + j * rest + j, rest, L, base, height, width, width + j)
    if (high - low) % 2:
        at = update + (high - 1) * (rest + 1)
        _subtract_outer(stack, at, L, base, height, width, width + high - 1)
