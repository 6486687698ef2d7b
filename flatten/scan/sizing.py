"""How long the edges of a cast may be: shorter where it bends tightly."""

import numpy as np

from flatten.geometry.smoothing import bending
from flatten.geometry.triangles import Array, Faces
from flatten.scan.remesh import Finer, Remeshed

# An edge spans at most so much of a turn, radians: a tenth of the bend's radius. Flats then come
# out within half a millimetre of those of a finer mesh, wherever a fold lies.
TURN = 0.1
LEAST = 0.4  # of the working length: bends tighter than that are noise or creases
GROWTH = 0.25  # of the way from one place to another: what the lengths there may differ by


def wanted_lengths(V: Array, F: Faces, edge_mm: float) -> Array:
    """(n,) edge length wanted at each vertex of an even mesh, mm, at most `edge_mm`.

    Dunyach et al., Adaptive remeshing for real-time mesh deformation, Eurographics 2013 (a sizing
    field from the largest principal curvature), here by the turn over an edge instead of the
    chord's height, since that is what a strain is off by.
    """
    least = LEAST * edge_mm
    length = np.clip(TURN / np.maximum(bending(V, F), 1e-12), least, edge_mm)
    a, b = F.ravel(), np.roll(F, -1, axis=1).ravel()
    rise = GROWTH * np.linalg.norm(V[a] - V[b], axis=1)
    while True:
        before = length.copy()
        np.minimum.at(length, b, before[a] + rise)
        np.minimum.at(length, a, before[b] + rise)
        if np.array_equal(length, before):
            return length


def by_bends(edge_mm: float) -> Finer:
    """For `remesh`: edges of `edge_mm`, shorter where the mesh itself bends tightly."""

    def lengths(even: Remeshed) -> Array:
        return wanted_lengths(even.V, even.F, edge_mm)

    return lengths
