"""Partner edges of equal length at every point, as equations over the flats of all panels."""

import numpy as np
from numpy.typing import NDArray

from flatten.parameterize.rows import Rows
from flatten.parameterize.sheet import Sheet
from flatten.records.panels import PanelSet

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


def stations(panel_set: PanelSet, start: Ints) -> tuple[Ints, Array]:
    """The equations' vertices (k, 4), two of side 0 and two of side 1, and wanted ease (k,) mm.

    Vertices are numbered through all panels from `start`. There is one equation for each edge of
    a seam: length on side 0 less length on side 1 is the ease.
    """
    vertices, ease = [np.empty((0, 4), dtype=np.int64)], [np.empty(0)]
    for seam in panel_set.seams:
        a, b = (side.vertices + start[side.panel] for side in seam.sides)
        vertices.append(np.column_stack([a[:-1], a[1:], b[:-1], b[1:]]).astype(np.int64))
        if seam.ease is None:
            ease.append(np.zeros(len(a) - 1))
        else:
            ease.append(np.diff(seam.ease) * (1.0 if seam.ease_side == 0 else -1.0))
    return np.concatenate(vertices), np.concatenate(ease)


class SeamEquations:
    """Lengths of the partner edges: residuals in mm, gradients, and the stiffness of a force."""

    def __init__(self, panel_set: PanelSet, start: Ints) -> None:
        vertices, self.ease = stations(panel_set, start)
        self.rows = Rows(vertices)
        self._side = (Rows(vertices[:, :2]), Rows(vertices[:, 2:]))

    def __len__(self) -> int:
        return len(self.ease)

    @property
    def pairs(self) -> Ints:
        return self.rows.pairs

    def bind(self, sheet: Sheet) -> None:
        for rows in (self.rows, *self._side):
            rows.bind(sheet)

    def _edges(self, U: Array) -> tuple[Array, Array]:
        """(k, 2) lengths of both sides and (k, 2, 2) their unit directions."""
        v = self.rows.vertices
        d = np.stack([U[v[:, 1]] - U[v[:, 0]], U[v[:, 3]] - U[v[:, 2]]], axis=1)
        length = np.maximum(np.linalg.norm(d, axis=2), 1e-9)
        return length, d / length[:, :, None]

    def residual(self, U: Array) -> Array:
        """(k,) mm by which side 0 is longer than wanted."""
        length, _ = self._edges(U)
        return length[:, 0] - length[:, 1] - self.ease

    def gradient(self, U: Array) -> Array:
        """(k, 4, 2) gradients of the residuals."""
        _, t = self._edges(U)
        return np.stack([-t[:, 0], t[:, 0], t[:, 1], -t[:, 1]], axis=1)

    def add_stiffness(self, sheet: Sheet, U: Array, stiffness: float, force: Array) -> None:
        """Adds the Hessian of force · residual + stiffness / 2 residual² to the sheet's matrix.

        A length under a pulling force stiffens across its direction; the side that is pushed
        would soften, which is left out to keep the matrix definite.
        """
        self.rows.add_outer(sheet, self.gradient(U), np.full(len(self), stiffness))
        length, t = self._edges(U)
        for side, sign in ((0, 1.0), (1, -1.0)):
            across = np.stack([-t[:, side, 1], t[:, side, 0]], axis=1)
            gradient = np.stack([-across, across], axis=1)
            weight = np.maximum(sign * force, 0.0) / length[:, side]
            self._side[side].add_outer(sheet, gradient, weight)
