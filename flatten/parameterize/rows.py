"""Sparse rows over flat vertices: what couples vertices beyond the faces (seams, outline)."""

import numpy as np
from numpy.typing import NDArray

from flatten.parameterize import kernels
from flatten.parameterize.sheet import Sheet

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


class Rows:
    """Functions of a few vertices each; row r depends on the vertices vertices[r] (r, w).

    A vertex may appear twice in a row (a dart's point); its two gradients are then added.
    """

    def __init__(self, vertices: Ints) -> None:
        self.vertices = np.asarray(vertices, dtype=np.int64)
        count, width = self.vertices.shape
        order = np.argsort(self.vertices, axis=1, kind="stable")
        ranked = np.take_along_axis(self.vertices, order, axis=1)
        new = np.ones_like(ranked, dtype=bool)
        new[:, 1:] = ranked[:, 1:] != ranked[:, :-1]
        self.start = np.concatenate([[0], np.cumsum(new.sum(axis=1))]).astype(np.int64)
        self.vertex = ranked[new]
        at = np.cumsum(new.ravel()).reshape(count, width) - 1
        self.entry = np.empty_like(at)
        np.put_along_axis(self.entry, order, at, axis=1)
        # All pairs within a row, row by row.
        size = np.diff(self.start)
        self.pair_start = np.concatenate([[0], np.cumsum(size * (size - 1) // 2)]).astype(np.int64)
        pairs = np.empty((int(self.pair_start[-1]), 2), dtype=np.int64)
        for k in np.unique(size):
            rows = np.flatnonzero(size == k)
            ends = np.stack(np.triu_indices(int(k), 1), axis=1)
            at = self.pair_start[rows][:, None] + np.arange(len(ends))
            pairs[at] = self.vertex[self.start[rows][:, None, None] + ends]
        self.pairs = pairs
        self._pair_edge = np.empty(0, dtype=np.int64)

    def __len__(self) -> int:
        return len(self.vertices)

    def bind(self, sheet: Sheet) -> None:
        """Finds the rows' places in the sheet's pattern, which must hold `pairs`."""
        self._pair_edge = sheet.pair(self.pairs[:, 0], self.pairs[:, 1])

    def gather(self, gradient: Array) -> Array:
        """(entries, 2) from gradients (r, w, 2): equal vertices of a row added up."""
        total = np.empty((len(self.vertex), 2))
        for axis in range(2):
            total[:, axis] = np.bincount(
                self.entry.ravel(), gradient[:, :, axis].ravel(), len(self.vertex)
            )
        return total

    def add_outer(self, sheet: Sheet, gradient: Array, weight: Array) -> None:
        """Adds weight (r,) times the outer product of each row's gradient to the sheet's matrix."""
        if len(self) == 0:
            return
        p = sheet.pattern
        kernels.add_rows(
            self.start, self.vertex, self.gather(gradient), weight, self._pair_edge,
            self.pair_start, sheet.factor.values, p.diagonal, p.edge,
        )  # fmt: skip

    def pull_back(self, gradient: Array, weight: Array, out: Array) -> None:
        """Adds weight (r,) times each row's gradient (r, w, 2) to out (n, 2)."""
        for axis in range(2):
            out[:, axis] += np.bincount(
                self.vertices.ravel(), (weight[:, None] * gradient[:, :, axis]).ravel(), len(out)
            )
