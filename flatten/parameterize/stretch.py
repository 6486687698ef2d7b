"""Edges stretched evenly: what an edge gains or loses in length is spread along it.

A tape walked along an edge then agrees all the way, not only at its end. Held down is the mean over
each panel's border of the squared change in length, as a part of the length.
"""

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.curves import arc_length
from flatten.parameterize.rows import Rows
from flatten.parameterize.sheet import Sheet
from flatten.records.panels import PanelSet

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

SHORTEST_MM = 1e-3


class EdgeStretch:
    """The energy 1/2 sum of (length - wanted)² / wanted over a panel's border, by its length.

    around (p,) : the panels' border lengths, mm
    """

    def __init__(self, panel_set: PanelSet, start: Ints, around: Array) -> None:
        sides, wanted, panel = [np.empty((0, 2), dtype=np.int64)], [], []
        for i, p in enumerate(panel_set.panels):
            for run in p.border:
                along = arc_length(p.V[run.vertices])
                seam = panel_set.seams[run.seam] if run.seam >= 0 else None
                if seam is not None and seam.ease is not None and seam.ease_side == run.side:
                    along = along + seam.ease
                v = run.vertices.astype(np.int64) + start[i]
                sides.append(np.column_stack([v[:-1], v[1:]]))
                wanted.append(np.diff(along))
                panel.append(np.full(len(v) - 1, i))
        self.rows = Rows(np.concatenate(sides))
        self._wanted = np.concatenate([np.empty(0), *wanted])
        self._panel = np.concatenate([np.empty(0, dtype=np.int64), *panel])
        size = np.maximum(self._wanted, SHORTEST_MM) * np.maximum(around, 1e-6)[self._panel]
        self._scale = 1.0 / size

    @property
    def pairs(self) -> Ints:
        return self.rows.pairs

    def bind(self, sheet: Sheet) -> None:
        self.rows.bind(sheet)

    def _measure(self, U: Array, weight: Array) -> tuple[Array, Array, Array]:
        """Each side's direction (k, 2), its length (k,), and the energy's derivative by it (k,)."""
        v = self.rows.vertices
        d = U[v[:, 1]] - U[v[:, 0]]
        length = np.maximum(np.hypot(d[:, 0], d[:, 1]), 1e-9)
        pull = weight[self._panel] * self._scale * (length - self._wanted)
        return d / length[:, None], length, pull

    def add(self, sheet: Sheet, U: Array, weight: Array) -> None:
        """Adds weight (p,) times the energy's Hessian to the sheet's matrix.

        A side that is too short would soften across itself; that is left out.
        """
        t, length, pull = self._measure(U, weight)
        across = np.column_stack([-t[:, 1], t[:, 0]])
        self.rows.add_outer(
            sheet, np.stack([-t, t], axis=1), weight[self._panel] * self._scale
        )  # fmt: skip
        self.rows.add_outer(
            sheet, np.stack([-across, across], axis=1), np.maximum(pull, 0.0) / length
        )

    def pull_back(self, U: Array, weight: Array, out: Array) -> None:
        """Adds weight (p,) times the energy's gradient to out (n, 2)."""
        t, _, pull = self._measure(U, weight)
        self.rows.pull_back(np.stack([-t, t], axis=1), pull, out)
