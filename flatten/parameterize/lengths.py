"""Tape lengths: stretches of a panel's border that should be as long flat as on the surface."""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.curves import arc_length
from flatten.parameterize.rows import Rows
from flatten.parameterize.sheet import Sheet
from flatten.records.panels import Panel, PanelSet

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

# What a tape measure cannot tell from right: a part of the edge's length, or mm on a short edge.
PART, LEAST_MM = 0.01, 2.0
WITHIN = 0.95  # of that is aimed at
WINDOW_MM = 250.0  # a longer edge is held stretch by stretch, so that it is right all along


class Lengths:
    """Differences in length, flat less wanted, of chains of vertices, mm.

    vertices (r, w) : chains in order, a shorter one filled up with its last vertex
    wanted, tolerance (r,) : mm; panel (r, 2) : whose chain it is, on both sides of a seam
    price (r,) : what a millimetre beyond the tolerance weighs beside a part of tau
    """

    def __init__(
        self, vertices: Ints, wanted: Array, tolerance: Array, price: Array, panel: Ints
    ) -> None:
        self.rows = Rows(vertices)
        self.wanted, self.tolerance, self.price = wanted, tolerance, price
        self.panel = panel
        pairs = np.stack([vertices[:, :-1], vertices[:, 1:]], axis=2).reshape(-1, 2)
        self._real = pairs[:, 0] != pairs[:, 1]
        self._row = np.repeat(np.arange(len(vertices)), vertices.shape[1] - 1)[self._real]
        self._edges = Rows(pairs[self._real])

    def __len__(self) -> int:
        return len(self.wanted)

    @property
    def pairs(self) -> Ints:
        return self.rows.pairs

    def bind(self, sheet: Sheet) -> None:
        self.rows.bind(sheet)
        self._edges.bind(sheet)

    def _steps(self, U: Array) -> tuple[Array, Array]:
        """(r, w - 1) lengths of the chains' edges and (r, w - 1, 2) their directions."""
        d = np.diff(U[self.rows.vertices], axis=1)
        length = np.sqrt(d[:, :, 0] ** 2 + d[:, :, 1] ** 2)
        return length, d / np.maximum(length, 1e-9)[:, :, None]

    def residual(self, U: Array) -> Array:
        """(r,) mm by which a chain is longer than wanted."""
        return self._steps(U)[0].sum(axis=1) - self.wanted

    def gradient(self, U: Array) -> Array:
        """(r, w, 2) gradients of the residuals."""
        _, t = self._steps(U)
        G = np.zeros((*self.rows.vertices.shape, 2))
        G[:, :-1] -= t
        G[:, 1:] += t
        return G

    def add_bend(self, sheet: Sheet, U: Array, force: Array) -> None:
        """Adds the second derivative of force (r,) times residual: a chain pulled at stiffens across."""
        length, t = self._steps(U)
        length, t = length.ravel()[self._real], t.reshape(-1, 2)[self._real]
        across = np.column_stack([-t[:, 1], t[:, 0]])
        weight = np.maximum(force[self._row], 0.0) / np.maximum(length, 1e-9)
        self._edges.add_outer(sheet, np.stack([-across, across], axis=1), weight)


def border_lengths(panels: tuple[Panel, ...]) -> Array:
    """(p,) the length of each panel's border on the surface, mm."""
    return np.array([sum(arc_length(p.V[r.vertices])[-1] for r in p.border) for p in panels])


def edge_lengths(panel_set: PanelSet, start: Ints, around: Array) -> Lengths:
    """The windows of every border run, vertices numbered through all panels from `start`.

    Partner edges are held on one side, since they are equal already; where a seam has ease, its
    longer side is to be longer by it. around (p,) : the panels' border lengths, mm
    """
    panels = panel_set.panels
    curves = [
        (s.sides[0].panel, s.sides[0].vertices, s.ease if s.ease_side == 0 else None,
         [side.panel for side in s.sides])
        for s in panel_set.seams
    ]  # fmt: skip
    curves += [
        (i, run.vertices, None, [i, i]) for i, p in enumerate(panels) for run in p.border
        if run.seam < 0
    ]  # fmt: skip
    chains, wanted, tolerance, price, panel = [], [], [], [], []
    for i, vertices, ease, whose in curves:
        along = arc_length(panels[i].V[vertices])
        whole = max(float(along[-1]), 1e-6)
        longer = along if ease is None else along + ease
        windows = max(1, round(whole / WINDOW_MM))
        cuts = np.unique(np.searchsorted(along, np.linspace(0.0, along[-1], windows + 1)))
        for a, b in pairwise(cuts):
            chains.append(vertices[a : b + 1].astype(np.int64) + start[i])
            wanted.append(longer[b] - longer[a])
            tolerance.append(WITHIN * max(PART, LEAST_MM / whole) * max(along[b] - along[a], 1e-6))
            price.append(sum(1 / max(around[k], 1e-6) for k in set(whose)))
            panel.append(whose)
    widest = max((len(c) for c in chains), default=2)
    filled = [np.append(c, np.full(widest - len(c), c[-1])) for c in chains]
    return Lengths(
        np.array(filled, dtype=np.int64).reshape(-1, widest),
        np.array(wanted),
        np.array(tolerance),
        np.array(price),
        np.array(panel, dtype=np.int64).reshape(-1, 2),
    )
