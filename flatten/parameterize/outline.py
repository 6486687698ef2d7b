"""Fair outlines: the flat's border turns as the panel's does, so that no edge waves for length.

At a border vertex the surface turns by its geodesic turning, pi less the angles of its faces.
The integral of the squared difference in turning per length is held down; corners, where runs
meet, are held to their angles too.
"""

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.topology import border_loops
from flatten.geometry.triangles import corner_angles
from flatten.parameterize.rows import Rows
from flatten.parameterize.sheet import Sheet
from flatten.records.panels import Panel

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

# A border vertex that turns more sharply than this (radians) is left free: a dart's point.
SHARPEST = 2.4


def border_turning(panel: Panel) -> tuple[Ints, Array, Array]:
    """Border triples (b, 3) before, at, after; (b,) geodesic turning, radians; (b,) length, mm."""
    loop = border_loops(panel.F)[0]
    before, after = np.roll(loop, 1), np.roll(loop, -1)
    angles = np.bincount(panel.F.ravel(), corner_angles(panel.V, panel.F).ravel(), len(panel.V))
    steps = np.linalg.norm(panel.V[after] - panel.V[loop], axis=1)
    length = 0.5 * (steps + np.roll(steps, 1))
    return (
        np.column_stack([before, loop, after]),
        (np.asarray(np.pi - angles[loop], dtype=np.float64)),
        np.maximum(length, 1e-3).astype(np.float64),
    )


def turnings(U: Array, triples: Ints, wanted: Array) -> Array:
    """(b,) radians by which the flat turns more than wanted at triples (b, 3), within -pi to pi."""
    d1, d2 = U[triples[:, 1]] - U[triples[:, 0]], U[triples[:, 2]] - U[triples[:, 1]]
    cross = d1[:, 0] * d2[:, 1] - d1[:, 1] * d2[:, 0]
    dot = d1[:, 0] * d2[:, 0] + d1[:, 1] * d2[:, 1]
    off = np.arctan2(cross, dot) - wanted
    return (off + np.pi) % (2 * np.pi) - np.pi


def turning_gradients(U: Array, triples: Ints) -> Array:
    """(b, 3, 2) gradients of the turnings at triples (b, 3)."""
    turn = []
    for a, b in ((0, 1), (1, 2)):
        d = U[triples[:, b]] - U[triples[:, a]]
        square = np.maximum(np.einsum("ij,ij->i", d, d), 1e-12)
        turn.append(np.column_stack([-d[:, 1], d[:, 0]]) / square[:, None])
    return np.stack([turn[0], -turn[0] - turn[1], turn[1]], axis=1)


class Outline:
    """Sum over border vertices of (turning - wanted turning)² / length, and its derivatives."""

    def __init__(self, panels: tuple[Panel, ...], start: Ints) -> None:
        triples, turning, length = [np.empty((0, 3), dtype=np.int64)], [], []
        for panel, s in zip(panels, start, strict=False):
            t, k, l_mm = border_turning(panel)
            keep = np.abs(k) < SHARPEST
            triples.append(t[keep] + s)
            turning.append(k[keep])
            length.append(l_mm[keep])
        self.rows = Rows(np.concatenate(triples))
        self.wanted = np.concatenate([np.empty(0), *turning])
        self.length = np.concatenate([np.empty(0), *length])

    @property
    def pairs(self) -> Ints:
        return self.rows.pairs

    def bind(self, sheet: Sheet) -> None:
        self.rows.bind(sheet)

    def difference(self, U: Array) -> Array:
        """(b,) radians by which the flat turns more than wanted, within -pi to pi."""
        return turnings(U, self.rows.vertices, self.wanted)

    def energy(self, U: Array) -> float:
        off = self.difference(U)
        return 0.5 * float((off * off / self.length).sum())

    def add(self, sheet: Sheet, U: Array, weight: float) -> None:
        """Adds weight times the energy's Gauss-Newton matrix to the sheet's."""
        self.rows.add_outer(sheet, turning_gradients(U, self.rows.vertices), weight / self.length)

    def pull_back(self, U: Array, weight: float, out: Array) -> None:
        """Adds weight times the energy's gradient to out (n, 2)."""
        self.rows.pull_back(
            turning_gradients(U, self.rows.vertices), weight * self.difference(U) / self.length, out
        )
