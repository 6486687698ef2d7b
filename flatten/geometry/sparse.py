"""Multifrontal Cholesky factorisation of sparse symmetric positive definite matrices.

The order and the fill (`flatten.geometry.dissection.analyse`) are found once; a `Factor` is then
filled and factored as often as wanted. Every unknown of the pattern may stand for a block of
numbers (two for a point of the plane). Dense kernels are compiled loops, so that no BLAS threads
get in the way, and release the interpreter lock: independent subtrees run on two threads.
"""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.geometry.dissection import Pattern

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Int = int | np.integer | Ints  # what compiled indexing makes of an int, to a type checker

_pools: dict[int, ThreadPoolExecutor] = {}


def in_two(first: Callable[[], object], second: Callable[[], object]) -> None:
    """Runs two independent compiled jobs at once; each must release the interpreter lock."""
    pid = os.getpid()  # a forked worker has none of its parent's threads
    if pid not in _pools:
        _pools[pid] = ThreadPoolExecutor(max_workers=1, thread_name_prefix="flatten")
    other = _pools[pid].submit(first)
    second()
    other.result()


@njit(cache=True, nogil=True, fastmath={"contract"})
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


@njit(cache=True, nogil=True, fastmath={"contract"})
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


@njit(cache=True, nogil=True)
def _factor_chunk(
    L: Array, stack: Array, floor: int, update_at: Ints, block: int, order: Ints, low: int,
    high: int, first: Ints, row_start: Ints, relative: Ints, panel_start: Ints, child_start: Ints,
    children: Ints, held: int,
) -> int:  # fmt: skip
    """Works off order[low:high]; update matrices go on `stack` from `floor` up. -1 or a failure.

    Supernode `held` is summed up but not eliminated.
    """
    top = floor
    for k in range(low, high):
        t = order[k]
        columns = first[t + 1] - first[t]
        further = row_start[t + 1] - row_start[t]
        width, rest = columns * block, further * block
        height = width + rest
        base = panel_start[t] * block * block
        update = top
        for i in range(update, update + rest * rest):
            stack[i] = 0.0
        bottom = update
        for a in range(child_start[t], child_start[t + 1]):
            c = children[a]
            source = update_at[c]
            r0, r = row_start[c], row_start[c + 1] - row_start[c]
            side = r * block
            if source >= floor:
                bottom = min(bottom, source)
            for jv in range(r):
                p = relative[r0 + jv]
                for jb in range(block):
                    from_column = source + (jv * block + jb) * side
                    if p < columns:
                        to = base + (p * block + jb) * height
                        for iv in range(jv, r):
                            q = to + relative[r0 + iv] * block
                            f = from_column + iv * block
                            for ib in range(block):
                                L[q + ib] += stack[f + ib]
                    else:
                        to = update + (p * block + jb - width) * rest - width
                        for iv in range(jv, r):
                            q = to + relative[r0 + iv] * block
                            f = from_column + iv * block
                            for ib in range(block):
                                stack[q + ib] += stack[f + ib]
        if t == held:
            continue
        for j in range(width):
            at = base + j * height + j
            _subtract_outer(L, at, L, base, height, j, j)
            pivot = L[at]
            if not pivot > 0.0:
                return t
            pivot = np.sqrt(pivot)
            L[at] = pivot
            scale = 1.0 / pivot
            for i in range(at + 1, base + (j + 1) * height):
                L[i] *= scale
        for j in range(0, rest - 1, 2):
            _subtract_pair(stack, update + j * rest + j, rest, L, base, height, width, width + j)
        if rest % 2:
            _subtract_outer(stack, update + rest * rest - 1, L, base, height, width, height - 1)
        if bottom < update:
            for i in range(rest * rest):
                stack[bottom + i] = stack[update + i]
        update_at[t] = bottom
        top = bottom + rest * rest
    return -1


@njit(cache=True, nogil=True, fastmath={"contract", "reassoc"})
def _solve(
    L: Array, X: Array, block: int, first: Ints, row_start: Ints, rows: Ints, panel_start: Ints,
    s: int, forward: bool, backward: bool,
) -> None:  # fmt: skip
    """X (k, n * block) in elimination order, in place: forward and backward substitution.

    Only the first `s` supernodes are eliminated; X holds the values of all others. All k columns
    go through a supernode together, so that the factor is read once.
    """
    k = len(X)
    tallest = 0
    for t in range(s):
        tallest = max(tallest, first[t + 1] - first[t] + row_start[t + 1] - row_start[t])
    work = np.empty((k, tallest * block))
    for t in range(s if forward else 0):
        width = (first[t + 1] - first[t]) * block
        further = row_start[t + 1] - row_start[t]
        height = width + further * block
        base = panel_start[t] * block * block
        own = first[t] * block
        for q in range(k):
            for i in range(width):
                work[q, i] = X[q, own + i]
            for i in range(width, height):
                work[q, i] = 0.0
        for j in range(width):
            column = L[base + j * height : base + (j + 1) * height]
            for q in range(k):
                w = work[q, :height]
                value = w[j] / column[j]
                w[j] = value
                for i in range(j + 1, height):
                    w[i] -= value * column[i]
        for q in range(k):
            for i in range(width):
                X[q, own + i] = work[q, i]
            for i in range(further):
                at = rows[row_start[t] + i] * block
                for b in range(block):
                    X[q, at + b] += work[q, width + i * block + b]
    for back in range(s if backward else 0):
        t = s - 1 - back
        width = (first[t + 1] - first[t]) * block
        further = row_start[t + 1] - row_start[t]
        height = width + further * block
        base = panel_start[t] * block * block
        own = first[t] * block
        for q in range(k):
            for i in range(width):
                work[q, i] = X[q, own + i]
            for i in range(further):
                at = rows[row_start[t] + i] * block
                for b in range(block):
                    work[q, width + i * block + b] = X[q, at + b]
        for back_column in range(width):
            j = width - 1 - back_column
            column = L[base + j * height : base + (j + 1) * height]
            for q in range(k):
                w = work[q, :height]
                total = 0.0
                for i in range(j + 1, height):
                    total += column[i] * w[i]
                w[j] = (w[j] - total) / column[j]
        for q in range(k):
            for i in range(width):
                X[q, own + i] = work[q, i]


@njit(cache=True, nogil=True)
def _add_scalars(L: Array, block: int, diagonal: Ints, edge: Ints, on: Array, off: Array) -> None:
    for v in range(len(diagonal)):
        height = diagonal[v, 2] * block
        at = block * block * diagonal[v, 3] + block * diagonal[v, 0] * height
        for b in range(block):
            L[at + b * height + block * diagonal[v, 1] + b] += on[v]
    for e in range(len(edge)):
        height = edge[e, 2] * block
        at = block * block * edge[e, 3] + block * edge[e, 0] * height
        for b in range(block):
            L[at + b * height + block * edge[e, 1] + b] += off[e]


class Factor:
    """A symmetric positive definite matrix on a `Pattern`, filled in place and then factored.

    `values` is the storage of the factor: add the matrix's lower entries to it at the places
    that the pattern's `diagonal` and `edge` tell (or by `add`), then call `factor`.
    """

    def __init__(self, pattern: Pattern, block: int = 1) -> None:
        self.pattern, self.block = pattern, block
        self.values = np.zeros(pattern.entries * block * block)
        self._stack = np.empty(int(pattern.stack.sum()) * block * block)
        self._update_at = np.zeros(len(pattern.parent), dtype=np.int64)
        turned = pattern.position[:, None] * block + np.arange(block)
        self._turned = turned.ravel()

    def clear(self) -> None:
        self.values[:] = 0.0

    def add(self, on: Array, off: Array) -> None:
        """Adds on[v] to the diagonal and off[e] to the edges' entries, same for a whole block."""
        _add_scalars(self.values, self.block, self.pattern.diagonal, self.pattern.edge, on, off)

    def factor(self, *, hold_last: bool = False) -> bool:
        """Factors in place. False when the matrix is not positive definite.

        With `hold_last` the pattern's last unknowns are left: `schur` and `extend` are theirs.
        """
        p = self.pattern
        held = len(p.parent) - 1 if hold_last else -1
        floors = np.concatenate([[0], np.cumsum(p.stack)]) * self.block**2
        failed = [-1, -1, -1]

        def work(i: int) -> None:
            low, high = p.chunks[i]
            failed[i] = _factor_chunk(
                self.values, self._stack, floors[i], self._update_at, self.block, p.order, low,
                high, p.first, p.row_start, p.relative, p.panel_start, p.child_start, p.children,
                held,
            )  # fmt: skip

        if p.size > 2000:
            in_two(lambda: work(0), lambda: work(1))
        else:
            work(0)
            work(1)
        if max(failed) >= 0:
            return False
        work(2)
        return max(failed) < 0

    def solve(self, B: Array) -> Array:
        """X with A X = B; B is (n * block,) or (n * block, k), unknown by unknown."""
        return self.solve_upper(self.solve_lower(B)).reshape(B.shape)

    def solve_lower(self, B: Array) -> Array:
        """Y (k, n * block) with L Y = B, its entries in elimination order; B as for `solve`.

        The products Y Y^T are those of B with A's inverse between them.
        """
        flat = B.reshape(len(self._turned), -1)
        Y = np.empty((flat.shape[1], len(self._turned)))
        Y[:, self._turned] = flat.T
        self._substitute(Y, forward=True)
        return Y

    def solve_upper(self, Y: Array) -> Array:
        """X (n * block, k) with L^T X = Y, for Y (k, n * block) as `solve_lower` returns it."""
        X = np.array(Y, order="C")
        self._substitute(X, forward=False)
        return np.ascontiguousarray(X[:, self._turned].T)

    def _substitute(self, X: Array, *, forward: bool) -> None:
        p = self.pattern

        def work(part: Array) -> None:
            _solve(
                self.values, part, self.block, p.first, p.row_start, p.rows, p.panel_start,
                len(p.parent), forward, not forward,
            )  # fmt: skip

        if len(X) > 1 and p.size > 2000:
            half = len(X) // 2
            in_two(lambda: work(X[:half]), lambda: work(X[half:]))
        else:
            work(X)

    def schur(self) -> Array:
        """Schur complement of the unknowns held last, in their order in `analyse`; symmetric."""
        p = self.pattern
        side = int(p.first[-1] - p.first[-2]) * self.block
        lower = self.values[int(p.panel_start[-2]) * self.block**2 :].reshape(side, side)
        # Stored by columns: read by rows it is the upper triangle.
        whole = np.triu(lower)
        whole += np.triu(whole, 1).T
        return whole

    def extend(self, last: Array) -> Array:
        """(n * block, k) values everywhere, given those (h * block, k) of the unknowns held last."""
        p = self.pattern
        X = np.zeros((last.shape[1], len(self._turned)))
        X[:, len(self._turned) - len(last) :] = last.T
        _solve(
            self.values, X, self.block, p.first, p.row_start, p.rows, p.panel_start,
            len(p.parent) - 1, False, True,
        )  # fmt: skip
        return np.ascontiguousarray(X[:, self._turned].T)
