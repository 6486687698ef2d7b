"""Lays folded and pinched places of a fine mesh flat: what no edit that keeps the form can mend."""

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.halfedges import opposites
from flatten.geometry.smoothing import border_mask, ring_mean
from flatten.geometry.triangles import Array, Faces, corner_angles, face_normals
from flatten.scan.remesh import remesh
from flatten.scan.sizing import by_bends

LEAST_DEG = 15.0
# Neighbouring faces that turn by more than this lie on each other: no crease of a body does.
FOLD_DEG = 115.0
_ROUNDS = 4
_SWEEPS = 60


def unfold(V: Array, F: NDArray[np.int32], edge_mm: float) -> tuple[Array, NDArray[np.int32], int]:
    """Smooths the surroundings of folds and slivers until none is left, meshing them anew.

    Every inner vertex of such a place is moved towards the mean of its neighbours (a mesh drawn
    so over a disk has no folds: Tutte, How to draw a graph, Proc. London Math. Soc. 13, 1963).
    Borders stay.

    Returns
    -------
    V, F : the same where nothing was wrong; count : faces that were
    """
    first = 0
    for turn in range(_ROUNDS):
        bad = find_folds(V, F)
        if turn == 0:
            first = int(np.count_nonzero(bad))
        if not bad.any():
            break
        n = len(V)
        near = np.zeros(n, dtype=bool)
        near[F[bad]] = True
        for _ in range(1 + turn):
            near[F[near[F].any(axis=1)]] = True
        i = np.flatnonzero(near & ~border_mask(F, n))
        W = ring_mean(F, n)[i]
        V = V.copy()
        for _ in range(_SWEEPS):
            V[i] = W @ V
        even = remesh(V, F, edge_mm, rounds=2, finer=by_bends(edge_mm))
        V, F = even.V, even.F
    return V, F, first


def find_folds(V: Array, F: Faces) -> NDArray[np.bool_]:
    """(m,) faces with an angle below LEAST_DEG, or folded onto a neighbour."""
    bad = corner_angles(V, F).min(axis=1) < np.radians(LEAST_DEG)
    normal = face_normals(V, F)
    twin = opposites(F, len(V))
    h = np.flatnonzero(twin >= 0)
    turn = np.einsum("ij,ij->i", normal[h // 3], normal[twin[h] // 3])
    bad[h[turn < np.cos(np.radians(FOLD_DEG))] // 3] = True
    return bad
