"""The rims of a cast as closed ways that line ends can be measured along and led to."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.geometry.surface_points import Surface
from flatten.lines.track import Place, place_of
from flatten.records.cast import Cast

Array = NDArray[np.float64]

# An end this near a rim vertex (share of the edge) goes to the vertex.
_TO_VERTEX = 0.02


@dataclass(frozen=True, eq=False, kw_only=True)
class Rims:
    """Border half edges (b,), the rim each belongs to (cast.rims, -1 for a border without a
    record), length up to its start, and the loops' lengths by half edge.

    tree : over samples of the rims; sample_half, sample_t : where each sample lies
    """

    surface: Surface
    half: NDArray[np.int64]
    loop: NDArray[np.int64]
    rim: NDArray[np.int64]
    s: Array
    length: Array
    row: dict[int, int]
    row_of_vertex: dict[int, int]
    tree: KDTree | None
    sample_row: NDArray[np.int64]

    def coordinate(self, place: Place) -> tuple[int, float, float] | None:
        """(loop, length along it, the loop's length) of a place on a border, else None."""
        row, t = self._row(place)
        if row < 0:
            return None
        return (
            int(self.loop[row]),
            float(self.s[row] + t * self._edge(row)),
            float(self.length[row]),
        )

    def rim_of(self, place: Place) -> int:
        """Index into cast.rims, -1 where the place lies on none."""
        row, _ = self._row(place)
        return int(self.rim[row]) if row >= 0 else -1

    def on(self, place: Place) -> bool:
        return self._row(place)[0] >= 0

    def nearest(self, point: Array, within: float) -> tuple[Place, float] | None:
        """The nearest place on any rim and its distance, or None."""
        if self.tree is None:
            return None
        hits = self.tree.query_ball_point(point, within + 3.0)
        best, found = np.inf, None
        for row in {int(self.sample_row[h]) for h in hits}:
            h = int(self.half[row])
            a = self.surface.V[self.surface.F[h // 3, h % 3]]
            b = self.surface.V[self.surface.F[h // 3, (h % 3 + 1) % 3]]
            t = float(np.clip(np.dot(point - a, b - a) / np.dot(b - a, b - a), 0.0, 1.0))
            d = float(np.linalg.norm(point - a - t * (b - a)))
            if d < best:
                best, found = d, (h, t)
        if found is None or best > within:
            return None
        return self.place(*found), best

    def place(self, half: int, t: float) -> Place:
        """A place on a border half edge; near its ends the vertex itself."""
        t = 0.0 if t < _TO_VERTEX else 1.0 if t > 1.0 - _TO_VERTEX else t
        bary = np.zeros(3)
        bary[half % 3] = 1.0 - t
        bary[(half % 3 + 1) % 3] = t
        return place_of(self.surface, half // 3, bary)

    def settled(self, place: Place) -> Place:
        """A place on a rim, moved onto a rim vertex that it almost touches."""
        row, t = self._row(place)
        if row < 0 or _TO_VERTEX <= t <= 1.0 - _TO_VERTEX:
            return place
        return self.place(int(self.half[row]), t)

    def _edge(self, row: int) -> float:
        h = int(self.half[row])
        F, V = self.surface.F, self.surface.V
        return float(np.linalg.norm(V[F[h // 3, (h % 3 + 1) % 3]] - V[F[h // 3, h % 3]]))

    def _row(self, place: Place) -> tuple[int, float]:
        zero = np.flatnonzero(place.bary == 0.0)
        if len(zero) == 2:
            v = int(self.surface.F[place.face, int(np.argmax(place.bary))])
            return self.row_of_vertex.get(v, -1), 0.0
        if len(zero) == 1:
            c = (int(zero[0]) + 1) % 3
            return self.row.get(3 * place.face + c, -1), float(place.bary[(c + 1) % 3])
        return -1, 0.0


def rims_of(cast: Cast, surface: Surface) -> Rims:
    """Indexes the borders of a cast's surface."""
    F, V = surface.F, surface.V
    half = np.flatnonzero(surface.twin < 0)
    start = F.ravel()[half]
    end = np.roll(F, -1, axis=1).ravel()[half]
    row_of_vertex = dict(zip(start.tolist(), range(len(half)), strict=True))
    rim_of_vertex = np.full(len(V), -1, dtype=np.int64)
    for i, rim in enumerate(cast.rims):
        rim_of_vertex[rim.vertices] = i
    edge = np.linalg.norm(V[end] - V[start], axis=1)
    loop = np.full(len(half), -1, dtype=np.int64)
    s, length = np.zeros(len(half)), np.zeros(len(half))
    loops = 0
    for first in range(len(half)):
        if loop[first] >= 0:
            continue
        rows, at, total = [], first, 0.0
        while loop[at] < 0:
            loop[at] = loops
            s[at] = total
            total += edge[at]
            rows.append(at)
            at = row_of_vertex[int(end[at])]
        length[rows] = total
        loops += 1
    count = np.maximum(np.ceil(edge / 2.0).astype(np.int64), 1)
    sample_row = np.repeat(np.arange(len(half)), count)
    t = (np.arange(len(sample_row)) - np.repeat(np.cumsum(count) - count, count)) / count[
        sample_row
    ]
    samples = V[start[sample_row]] + t[:, None] * (V[end[sample_row]] - V[start[sample_row]])
    return Rims(
        surface=surface,
        half=half,
        loop=loop,
        rim=rim_of_vertex[start],
        s=s,
        length=length,
        row=dict(zip(half.tolist(), range(len(half)), strict=True)),
        row_of_vertex=row_of_vertex,
        tree=KDTree(samples) if len(samples) else None,
        sample_row=sample_row,
    )
