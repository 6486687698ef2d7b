"""Keeps parts of a flat's border off one another: a barrier between vertices and sides that near.

Smith & Schaefer, Bijective Parameterization with Free Boundaries, SIGGRAPH 2015: a flat without
flipped faces lies over itself only where its border crosses itself, so a barrier between border
vertices and sides keeps it apart; the barrier is that of Li et al., Incremental Potential Contact,
SIGGRAPH 2020, -(1 - x)² ln x of the distance over the room that is wanted.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.geometry.topology import border_loops
from flatten.parameterize.overlap import crossings
from flatten.parameterize.rows import Rows
from flatten.parameterize.sheet import Sheet
from flatten.records.panels import Panel

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

ROOM_MM = 2.0  # wanted between parts of a border that pass each other: a cut with a knife
# Near each other along the border, parts need no more room than this share of the way between:
# the two edges of a narrow dart are as near as that.
SHARE = 0.02
NEAR_MM = 10.0  # pairs this near are kept in mind, so that the matrix need not be laid out anew


@dataclass(frozen=True, eq=False, kw_only=True)
class Touching:
    """Pairs nearer than their room: vertex and side (k, 3), room (k,), distance (k,),
    share (k,) of the side at which it is nearest, away (k, 2) the unit direction to the vertex."""

    vertices: Ints
    room: Array
    distance: Array
    share: Array
    away: Array


class Contacts:
    """The borders of some panels of a sheet, and what keeps each off itself.

    loops : of each panel, its border vertices in order, numbered through the sheet
    """

    def __init__(self, panels: list[Panel], starts: list[int]) -> None:
        self.loops = [
            border_loops(panel.F)[0] + start for panel, start in zip(panels, starts, strict=True)
        ]
        self._along, self._total = [], []
        for panel, loop, start in zip(panels, self.loops, starts, strict=True):
            P = panel.V[loop - start]
            step = np.linalg.norm(np.roll(P, -1, axis=0) - P, axis=1)
            self._along.append(np.concatenate([[0.0], np.cumsum(step)[:-1]]))
            self._total.append(float(step.sum()))
        self._bound = np.empty(0, dtype=np.int64)
        self._vertices = max((int(loop.max()) for loop in self.loops), default=0) + 1

    def crossed(self, U: Array) -> bool:
        """Whether any of the borders crosses itself."""
        return any(len(crossings(U[loop])[0]) > 0 for loop in self.loops)

    def near(self, U: Array, reach: float) -> tuple[Ints, Array]:
        """Pairs (k, 3) of a border vertex and a side's ends within `reach`, and their room (k,)."""
        found, room = [np.empty((0, 3), dtype=np.int64)], [np.empty(0)]
        for loop, along, total in zip(self.loops, self._along, self._total, strict=True):
            P = U[loop]
            k = len(loop)
            step = np.roll(P, -1, axis=0) - P
            half = 0.5 * float(np.linalg.norm(step, axis=1).max())
            tree = KDTree(P + 0.5 * step)
            hits = tree.query_ball_point(P, reach + half)
            i = np.repeat(np.arange(k), [len(h) for h in hits])
            j = np.concatenate([np.asarray(h, dtype=np.int64) for h in hits]) if k else i
            apart = (j != i) & ((j + 1) % k != i)
            i, j = i[apart], j[apart]
            between = np.abs(along[i] - along[j])
            between = np.minimum(between, total - between)
            found.append(np.column_stack([loop[i], loop[j], loop[(j + 1) % k]]))
            room.append(np.minimum(ROOM_MM, SHARE * between))
        return np.concatenate(found), np.concatenate(room)

    def touching(self, U: Array) -> Touching:
        """The pairs that are nearer than their room."""
        vertices, room = self.near(U, ROOM_MM)
        p, a, b = (U[vertices[:, c]] for c in range(3))
        side = b - a
        square = np.maximum(np.einsum("ij,ij->i", side, side), 1e-300)
        share = np.clip(np.einsum("ij,ij->i", p - a, side) / square, 0.0, 1.0)
        off = p - a - share[:, None] * side
        distance = np.linalg.norm(off, axis=1)
        on = distance < room
        distance = np.maximum(distance[on], 1e-12)
        return Touching(
            vertices=vertices[on],
            room=room[on],
            distance=distance,
            share=share[on],
            away=off[on] / distance[:, None],
        )

    def energy(self, U: Array) -> float:
        """Sum of the barriers; infinite where a border crosses itself."""
        if self.crossed(U):
            return np.inf
        x = self._nearness(self.touching(U))
        return float((-((1 - x) ** 2) * np.log(x)).sum())

    @staticmethod
    def _nearness(touching: Touching) -> Array:
        return touching.distance / touching.room

    def wanted(self, U: Array) -> Ints:
        """(k, 2) vertex pairs that the matrix must couple for flats near U; remembered."""
        vertices, _ = self.near(U, NEAR_MM)
        pairs = np.concatenate([vertices[:, [0, 1]], vertices[:, [0, 2]]])
        self._bound = self._keys(vertices)
        return pairs

    def bound(self, U: Array) -> bool:
        """Whether the matrix couples all pairs that touch."""
        return bool(np.isin(self._keys(self.touching(U).vertices), self._bound).all())

    def _keys(self, vertices: Ints) -> Ints:
        return vertices[:, 0] * self._vertices + vertices[:, 1]

    def add(self, sheet: Sheet, U: Array, weight: float) -> None:
        """Adds weight times the barriers' Hessian to the sheet's matrix.

        Left out are the distances' own curvature, and pairs that the matrix does not couple.
        """
        t = self.touching(U)
        on = np.isin(self._keys(t.vertices), self._bound)
        if on.any():
            x = self._nearness(t)[on]
            second = (-2 * np.log(x) + 4 * (1 - x) / x + (1 - x) ** 2 / x**2) / t.room[on] ** 2
            rows = Rows(t.vertices[on])
            rows.bind(sheet)
            rows.add_outer(sheet, _gradient(t)[on], weight * second)

    def pull_back(self, U: Array, weight: float, out: Array) -> None:
        """Adds weight times the barriers' gradient to out (n, 2)."""
        t = self.touching(U)
        x = self._nearness(t)
        first = (2 * (1 - x) * np.log(x) - (1 - x) ** 2 / x) / t.room
        Rows(t.vertices).pull_back(_gradient(t), weight * first, out)


def _gradient(t: Touching) -> Array:
    """(k, 3, 2) how each distance grows with the vertex and with the side's ends."""
    share = t.share[:, None]
    return np.stack([t.away, -(1 - share) * t.away, -share * t.away], axis=1)
