"""Multifrontal Cholesky factorisation of sparse symmetric positive definite matrices.

The order and the fill (`flatten.geometry.dissection.analyse`) are found once; a `Factor` is then
filled and factored as often as wanted. Every unknown of the pattern may stand for a block of
numbers (two for a point of the plane). Dense kernels are compiled loops, so that no BLAS threads
get in the way, and release the interpreter lock: independent subtrees run on two threads.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.geometry.both import in_two
from flatten.geometry.dissection import Pattern
from flatten.geometry.fronts import Int, assemble, eliminate, subtract_columns

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

# Products from which on two threads share a front.
WORTH_TWO = 5_000_000
# What `_factor_chunk` does: everything, all but the update of the (one) supernode, the rest.
WHOLE, PANEL, MOVE = 0, 1, 2


@njit(cache=True, nogil=True)
def _factor_chunk(
    L: Array, stack: Array, floor: int, top: Int, update_at: Ints, block: int, order: Ints,
    low: int, high: int, first: Ints, row_start: Ints, relative: Ints, panel_start: Ints,
    child_start: Ints, children: Ints, held: int, part: int,
) -> Int:  # fmt: skip
    """Works off order[low:high]; update matrices go on `stack` from `floor` up.

    Returns the new top of the stack, or -1 where the matrix is not definite. Supernode `held` is
    summed up but not eliminated. `part` is WHOLE, or PANEL and then MOVE for one supernode whose
    columns are taken out of the update matrix in between.
    """
    for k in range(low, high):
        t = order[k]
        columns = first[t + 1] - first[t]
        further = row_start[t + 1] - row_start[t]
        width, rest = columns * block, further * block
        height = width + rest
        base = panel_start[t] * block * block
        update = top
        bottom = update
        for a in range(child_start[t], child_start[t + 1]):
            source = update_at[children[a]]
            if source >= floor:
                bottom = min(bottom, source)
        if part != MOVE:
            for i in range(update, update + rest * rest):
                stack[i] = 0.0
            for a in range(child_start[t], child_start[t + 1]):
                c = children[a]
                r = row_start[c + 1] - row_start[c]
                assemble(
                    L, stack, update_at[c], relative[row_start[c] : row_start[c] + r], block,
                    columns, further, base, update,
                )  # fmt: skip
            if t == held:
                continue
            if not eliminate(L, base, height, width):
                return -1
        if part == WHOLE:
            subtract_columns(stack, update, rest, L, base, height, width, np.int64(0), rest)
        if part != PANEL:
            if bottom < update:
                for i in range(rest * rest):
                    stack[bottom + i] = stack[update + i]
            update_at[t] = bottom
            top = bottom + rest * rest
    return top


@njit(cache=True, nogil=True, fastmath={"contract", "reassoc"})
def _solve(
    L: Array, X: Array, block: int, first: Ints, row_start: Ints, rows: Ints, panel_start: Ints,
    order: Ints, low: int, high: int, held: int, forward: bool,
) -> None:  # fmt: skip
    """X (k, n * block) in elimination order, in place: substitution forward, else backward.

    Works off the supernodes order[low:high], backward from the last; X holds the values of the one
    `held`. All k columns go through a supernode together, so that the factor is read once.
    """
    k = len(X)
    tallest = 0
    for at in range(low, high):
        t = order[at]
        tallest = max(tallest, first[t + 1] - first[t] + row_start[t + 1] - row_start[t])
    work = np.empty((k, tallest * block))
    for turn in range(low, high if forward else low):
        t = order[turn]
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
                if w[j] == 0.0:
                    continue
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
    for turn in range(low, low if forward else high):
        t = order[high - 1 - (turn - low)]
        if t == held:
            continue
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
            pivot = base + j * height + j
            below = L[pivot + 1 : pivot + height - j]
            for q in range(k):
                w = work[q, j + 1 : height]
                total = 0.0
                for i in range(len(below)):
                    total += below[i] * w[i]
                work[q, j] = (work[q, j] - total) / L[pivot]
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
        tops = [int(f) for f in floors[:3]]

        def work(i: int, low: int, high: int, part: int = WHOLE) -> bool:
            top = _factor_chunk(
                self.values, self._stack, floors[i], tops[i], self._update_at, self.block, p.order,
                low, high, p.first, p.row_start, p.relative, p.panel_start, p.child_start,
                p.children, held, part,
            )  # fmt: skip
            tops[i] = int(top)
            return tops[i] >= 0

        def share(k: int) -> bool:
            if not work(2, k, k + 1, PANEL):
                return False
            self._subtract_in_two(int(p.order[k]), tops[2])
            return work(2, k, k + 1, MOVE)

        if p.size > 2000:
            in_two(lambda: work(0, *p.chunks[0]), lambda: work(1, *p.chunks[1]))
        else:
            work(0, *p.chunks[0])
            work(1, *p.chunks[1])
        if min(tops) < 0:
            return False
        further = np.diff(p.row_start) * self.block
        big = np.diff(p.first) * self.block * further**2 > WORTH_TWO
        return all(share(k) if big[p.order[k]] else work(2, k, k + 1) for k in range(*p.chunks[2]))

    def _subtract_in_two(self, t: int, update: int) -> None:
        """Takes the columns of supernode t out of its update matrix, on two threads."""
        p = self.pattern
        width = int(p.first[t + 1] - p.first[t]) * self.block
        rest = int(p.row_start[t + 1] - p.row_start[t]) * self.block
        base = int(p.panel_start[t]) * self.block**2
        half = int(0.29 * rest) // 2 * 2  # half of a lower triangle lies left of here

        def work(low: int, high: int) -> None:
            subtract_columns(
                self._stack, update, rest, self.values, base, width + rest, width, low, high
            )

        in_two(lambda: work(0, half), lambda: work(half, rest))

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
        if len(Y) > 1 and self.pattern.size > 2000:
            half, every = len(Y) // 2, (0, len(self.pattern.order))
            in_two(
                lambda: self._work_off(Y[:half], every, forward=True),
                lambda: self._work_off(Y[half:], every, forward=True),
            )
        else:
            self._work_off(Y, (0, len(self.pattern.order)), forward=True)
        return Y

    def solve_upper(self, Y: Array) -> Array:
        """X (n * block, k) with L^T X = Y, for Y (k, n * block) as `solve_lower` returns it."""
        X = np.array(Y, order="C")
        return self._back(X, -1)

    def _work_off(
        self, X: Array, chunk: tuple[int, int], held: int = -1, *, forward: bool = False
    ) -> None:
        p = self.pattern
        _solve(
            self.values, X, self.block, p.first, p.row_start, p.rows, p.panel_start, p.order,
            *chunk, held, forward,
        )  # fmt: skip

    def _back(self, X: Array, held: int) -> Array:
        """X (k, n * block) substituted backward in place; returned unknown by unknown."""
        left, right, top = self.pattern.chunks
        self._work_off(X, top, held)
        if self.pattern.size > 2000:
            in_two(lambda: self._work_off(X, left, held), lambda: self._work_off(X, right, held))
        else:
            self._work_off(X, left, held)
            self._work_off(X, right, held)
        return np.ascontiguousarray(X[:, self._turned].T)

    def schur(self) -> Array:
        """Schur complement of the unknowns held last, in their order in `analyse`.

        A view of the upper triangle; what lies below the diagonal means nothing.
        """
        p = self.pattern
        side = int(p.first[-1] - p.first[-2]) * self.block
        # The lower triangle stored by columns: read by rows it is the upper one.
        return self.values[int(p.panel_start[-2]) * self.block**2 :].reshape(side, side)

    def extend(self, last: Array) -> Array:
        """(n * block, k) values everywhere, given those (h * block, k) of the unknowns held last."""
        p = self.pattern
        X = np.zeros((last.shape[1], len(self._turned)))
        X[:, len(self._turned) - len(last) :] = last.T
        return self._back(X, len(p.parent) - 1)
