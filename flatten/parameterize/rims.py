"""Smooth rims: where seams end on a rim, the flats' corner angles add up to the surface's.

Joined again, the panels then make an edge without a kink. With every corner's turning pi less its
angle, the turnings of all corners at one place should add up to those on the surface.
"""

import numpy as np
from numpy.typing import NDArray

from flatten.parameterize.outline import border_turning, turning_gradients, turnings
from flatten.parameterize.rows import Rows
from flatten.parameterize.sheet import Sheet
from flatten.records.panels import PanelSet

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

TOLERANCE_DEG = 3.0
WITHIN = 0.7  # of that is aimed at
LEVER_MM = 20.0  # how far from the corner a kink is seen
WEIGHT = 3.0  # a millimetre there, beside one of an edge's length


class RimCorners:
    """Sums of turnings, flat less surface, on a lever, mm; vertices (r, 3 c) of up to c corners.

    tolerance, price, panel as in `lengths.Lengths`
    """

    def __init__(self, vertices: Ints, wanted: Array, here: NDArray[np.bool_], panel: Ints) -> None:
        self.rows = Rows(vertices)
        self.panel = panel
        self._triples = vertices.reshape(-1, 3)
        self._wanted, self._here = wanted, here
        self.tolerance = np.full(len(vertices), LEVER_MM * WITHIN * np.radians(TOLERANCE_DEG))
        self.price = np.empty(0)

    @property
    def pairs(self) -> Ints:
        return self.rows.pairs

    def bind(self, sheet: Sheet) -> None:
        self.rows.bind(sheet)

    def residual(self, U: Array) -> Array:
        """(r,) mm by which the lever's end is off."""
        off = turnings(U, self._triples, self._wanted).reshape(self._here.shape)
        return LEVER_MM * (self._here * off).sum(axis=1)

    def gradient(self, U: Array) -> Array:
        """(r, 3 c, 2) gradients of the residuals."""
        G = LEVER_MM * turning_gradients(U, self._triples)
        return (self._here.reshape(-1, 1, 1) * G).reshape(*self.rows.vertices.shape, 2)

    def add_bend(self, sheet: Sheet, U: Array, force: Array) -> None:
        """An angle's second derivative is small where the edges beside it are long enough to cut."""


def rim_corners(panel_set: PanelSet, start: Ints, around: Array) -> RimCorners:
    """The places where two or more corners of panels meet on a rim; around as for edges."""
    corners: dict[int, list[tuple[Ints, float, int]]] = {}
    on_rim: set[int] = set()
    for k, panel in enumerate(panel_set.panels):
        if panel.detail:
            continue
        ends = np.unique([v for run in panel.border for v in run.vertices[[0, -1]]])
        for run in panel.border:
            if run.seam < 0:
                on_rim.update(panel.cast_vertex[run.vertices].tolist())
        triples, turning, _ = border_turning(panel)
        for i in np.flatnonzero(np.isin(triples[:, 1], ends)):
            place = int(panel.cast_vertex[triples[i, 1]])
            corners.setdefault(place, []).append((triples[i] + start[k], float(turning[i]), k))
    meets = [found for v, found in sorted(corners.items()) if len(found) > 1 and v in on_rim]
    most = max((len(found) for found in meets), default=2)
    full = [found + [found[-1]] * (most - len(found)) for found in meets]
    wish = RimCorners(
        np.array([[c[0] for c in found] for found in full], dtype=np.int64).reshape(-1, 3 * most),
        np.array([c[1] for found in full for c in found]),
        np.array([[j < len(found) for j in range(most)] for found in meets]).reshape(-1, most),
        np.array([[found[0][2], found[1][2]] for found in meets], dtype=np.int64).reshape(-1, 2),
    )
    wish.price = WEIGHT / np.maximum(around[wish.panel], 1e-6).max(axis=1)
    return wish
