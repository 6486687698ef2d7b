"""Takes off thin tongues that stick out of a rim: loose tape ends, fins, ears of a torn border.

What is wider than twice the reach is form; a tongue is what a disc of that size cannot get into
(the opening of mathematical morphology: Serra, Image Analysis and Mathematical Morphology, 1982),
by distances along the surface. A thin bridge between two parts of the surface is left alone.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from flatten.geometry.halfedges import opposites
from flatten.geometry.smoothing import border_mask
from flatten.geometry.topology import face_components
from flatten.geometry.triangles import Array, face_areas
from flatten.scan.spread import spread

# The corner of a rim lies up to so many times the reach, along edges, from where the centre can go.
CORNER = 2.5
# Of the surface; where more would go the mesh is too coarse or too torn to tell.
MOST_SHARE = 0.03
_FEWEST = 500


class Trimmed(NamedTuple):
    """F : the faces that stay (rows of the F given, in order); faces, mm2 : what was taken off."""

    F: NDArray[np.int32]
    faces: int
    mm2: float


def trim_tongues(V: Array, F: NDArray[np.int32], reach_mm: float) -> Trimmed:
    """The oriented manifold V, F (mm) without tongues narrower than twice `reach_mm`.

    On a mesh coarser than that the reach is the length of its own edges at the rim.
    """
    none = Trimmed(F, 0, 0.0)
    rim = border_mask(F, len(V))
    border = np.flatnonzero(rim)
    if len(F) < _FEWEST or not len(border):
        return none
    at = F[rim[F].any(axis=1)]
    reach_mm = max(
        reach_mm, float(np.quantile(np.linalg.norm(V[at] - V[np.roll(at, 1, 1)], axis=2), 0.9))
    )
    near, _, _ = spread(V, F, border, reach_mm)
    edge = np.zeros(len(V), dtype=bool)
    edge[near] = True
    # Where the disc's centre can go: the rest starts from the core's own border.
    core = ~edge
    begin = np.unique(F[edge[F].any(axis=1) & core[F].any(axis=1)])
    begin = begin[core[begin]].astype(np.int64)
    if not len(begin):
        return none
    back, _, _ = spread(V, F, begin, CORNER * reach_mm)
    loose = edge
    loose[back] = False
    drop: NDArray[np.bool_] = np.asarray(loose[F].any(axis=1) & ~core[F].any(axis=1))
    drop[drop] = _tips(F, drop, len(V))
    areas = face_areas(V, F)
    gone = float(areas[drop].sum())
    if not drop.any() or gone > MOST_SHARE * areas.sum():
        return none
    return Trimmed(F[~drop], int(np.count_nonzero(drop)), gone)


def _tips(F: NDArray[np.int32], drop: NDArray[np.bool_], n: int) -> NDArray[np.bool_]:
    """Which of the faces `drop` belong to parts that touch the rest along no more than one stretch."""
    rows = np.flatnonzero(drop)
    if not len(rows):
        return np.zeros(0, dtype=bool)
    part = np.full(len(F), -1)
    part[rows] = face_components(F[rows])
    twin = opposites(F, n)
    h = np.flatnonzero((twin >= 0) & np.repeat(drop, 3))
    h = h[~drop[twin[h] // 3]]
    a, b = F.ravel()[h], np.roll(F, -1, axis=1).ravel()[h]
    mine = part[h // 3]
    # Stretches: edges of one part that share an end.
    label, end = np.unique(np.concatenate([mine * n + a, mine * n + b]), return_inverse=True)
    graph = coo_matrix((np.ones(len(h)), np.split(end, 2)), shape=(len(label),) * 2)
    stretch = connected_components(graph, directed=False)[1]
    owner = np.zeros(int(stretch.max(initial=-1)) + 1, dtype=np.int64)
    owner[stretch] = label // n
    count = np.bincount(owner, minlength=int(part.max()) + 1)
    return count[part[rows]] <= 1
