"""All panels of a ply as one mesh with one sparse pattern, so that they are solved together."""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.both import in_two
from flatten.geometry.dissection import analyse
from flatten.geometry.sparse import Factor
from flatten.geometry.topology import unique_edges
from flatten.geometry.triangles import face_frames
from flatten.parameterize import kernels

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

# A face thinner than this part of its longest edge has no shape to keep, only a side to show: it is
# taken to be as thick as `STAND_IN` and left out of the strain bounds.
THINNEST = 1e-4
STAND_IN = 1e-3


class Sheet:
    """Panels side by side: vertices and faces numbered through, panel after panel.

    V (n, 3) mm, F (m, 3), panel (m,) and panel_of (n,): which panel a face and a vertex belong to
    start, face_start : (p + 1,) first vertex and face of every panel
    loose (m,) : faces too thin to have a shape
    G : (m, 3, 2) complex gradients of the faces' hat functions; area : (m,) mm²
    factor : the matrix that Hessians are added to, once `couple` has made its pattern
    """

    def __init__(self, meshes: Sequence[tuple[Array, NDArray[np.integer]]]) -> None:
        counts = [len(V) for V, _ in meshes]
        self.start = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        self.face_start = np.concatenate([[0], np.cumsum([len(F) for _, F in meshes])]).astype(
            np.int64
        )
        self.V = np.concatenate([V for V, _ in meshes])
        self.F = np.concatenate(
            [
                np.asarray(F, dtype=np.int64) + s
                for (_, F), s in zip(meshes, self.start, strict=False)
            ]
        )
        self.panel = np.repeat(np.arange(len(meshes)), np.diff(self.face_start))
        self.panel_of = np.repeat(np.arange(len(meshes)), counts)
        self.G, self.area, self.loose = face_gradients(self.V, self.F)
        # Panels share no vertex, so two halves may be summed at once.
        half = np.searchsorted(self.face_start, len(self.F) // 2)
        self._cut = int(self.face_start[min(half, len(meshes))])

    def couple(self, *pairs: Ints) -> None:
        """Makes the pattern: the faces' edges and further vertex pairs (k, 2) that are coupled."""
        extra = np.concatenate([np.empty((0, 2), dtype=np.int64), *pairs])
        edges, edge_of, _ = unique_edges(self.F)
        n = len(self.V)
        key = edges[:, 0] * n + edges[:, 1]
        low, high = extra.min(axis=1), extra.max(axis=1)
        more = np.setdiff1d((low * n + high)[low != high], key)
        self._keys = np.concatenate([key, more])
        self._sorted = np.argsort(self._keys, kind="stable")
        all_edges = np.concatenate([edges, np.column_stack([more // n, more % n])])
        self.edge_of = np.ascontiguousarray(edge_of.reshape(-1, 3))
        self.pattern = analyse(all_edges, self.V)
        self.factor = Factor(self.pattern, 2)

    @property
    def panels(self) -> int:
        return len(self.start) - 1

    def pair(self, a: Ints, b: Ints) -> Ints:
        """The pattern's edge of each pair of different, coupled vertices."""
        key = np.minimum(a, b) * len(self.V) + np.maximum(a, b)
        return self._sorted[np.searchsorted(self._keys, key, sorter=self._sorted)]

    def _halves(self, work: Callable[[int, int], None]) -> None:
        m = len(self.F)
        if m < 4000 or self._cut in (0, m):
            work(0, m)
        else:
            in_two(lambda: work(0, self._cut), lambda: work(self._cut, m))

    def parts(self, U: Array) -> Array:
        """(m, 5) similarity and anti-similarity part of every face's map (see kernels)."""
        out = np.empty((len(self.F), 5))
        self._halves(lambda low, high: kernels.parts(U, self.F, self.G, low, high, out))
        return out

    def pull_back(self, P: Array, by: Array) -> Array:
        """(n, 2) gradient of an energy with derivatives by (m, 3) in a and w (see kernels)."""
        out = np.zeros((len(self.V), 2))
        self._halves(lambda low, high: kernels.pull_back(P, self.F, self.G, by, low, high, out))
        return out

    def turning(self, P: Array) -> Array:
        """(n, 2) gradient of each panel's mean turn by area, radians per mm, of its own vertices."""
        by = np.zeros((len(P), 4))
        by[:, 3] = self.area / self.by_panel(self.area)[self.panel] / np.maximum(P[:, 0], 1e-300)
        return self.pull_back(P, by)

    def add_hessian(self, P: Array, C: Array) -> None:
        """Adds the faces' Hessian (weights C (m, 7), see kernels) to `factor`."""
        p = self.pattern
        self._halves(
            lambda low, high: kernels.add_hessian(
                P, self.F, self.G, C, self.factor.values, p.diagonal, p.edge, self.edge_of, low,
                high,
            )
        )  # fmt: skip

    def add_floor(self, part: float) -> None:
        """Adds `part` of each panel's mean diagonal to the diagonal, so that nothing is singular."""
        p = self.pattern
        d = p.diagonal
        at = 4 * d[:, 3] + 2 * d[:, 0] * 2 * d[:, 2] + 2 * d[:, 1]
        values = self.factor.values
        size = values[at] + values[at + 2 * d[:, 2] + 1]
        mean = np.bincount(self.panel_of, size, self.panels) / np.diff(self.start)
        floor = part * np.maximum(mean, 1e-300)[self.panel_of]
        values[at] += floor
        values[at + 2 * d[:, 2] + 1] += floor

    def reach(self, U: Array, D: Array) -> Array:
        """(p,) step along D at which each panel's first face loses its area; may be inf."""
        reach = np.full(self.panels, np.inf)
        kernels.first_flip(U, D, self.F, self.panel, reach)
        return reach

    def by_panel(self, values: NDArray[np.generic]) -> Array:
        """(p,) sums of a value per face over each panel."""
        return np.bincount(self.panel, values, self.panels).astype(np.float64)

    def worst(self, values: Array) -> Array:
        """(p,) largest of a value per face over each panel."""
        return np.maximum.reduceat(values, self.face_start[:-1])


def face_gradients(V: Array, F: NDArray[np.integer]) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Complex hat-function gradients (m, 3, 2), 1/mm; areas (m,), mm²; (m,) which are too thin."""
    p1, p2 = face_frames(V, F)
    base, x, y = p1[:, 0], p2[:, 0], p2[:, 1]
    longest = np.linalg.norm(V[F] - V[np.roll(F, 1, axis=1)], axis=2).max(axis=1, initial=1e-9)
    loose = base * y < THINNEST * longest**2
    base = np.where(loose, longest, base)
    x = np.where(loose, 0.5 * longest, x)
    y = np.where(loose, STAND_IN * longest, y)
    double = base * y
    # Gradient of corner k's hat function, halved: (gx - i gy) / 2.
    gx = np.stack([-y, y, np.zeros_like(y)], axis=1) / double[:, None]
    gy = np.stack([x - base, -x, base], axis=1) / double[:, None]
    # What such a face weighs only keeps it from flipping.
    area = np.where(loose, 1e-3, 0.5) * double
    return np.stack([0.5 * gx, -0.5 * gy], axis=2), area, loose
