"""Moves a surface along its normals without folding it where it is hollow."""

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.ordering import sort_along_curve
from flatten.geometry.smoothing import fair, ring_mean
from flatten.geometry.triangles import Array, Faces, face_cross, vertex_normals
from flatten.scan.remesh import remesh

# Normals are spread where plies as thick as this would fold along them.
PLY_MM = 12.0
_LEAST = 0.15  # the share of its area that a face keeps, facing its own way
_ROUNDS = 12


def smooth_normals(V: Array, F: Faces) -> Array:
    """(n, 3) unit normals, smoothed over two rings and spread in hollows.

    Where the hollow is tighter than PLY_MM the normals are made to agree with their neighbours
    until V + PLY_MM N folds nowhere, or as long as that helps.
    """
    W = ring_mean(F, len(V))
    N = vertex_normals(V, F)
    for _ in range(2):
        N = _unit(N + W @ N)
    for turn in range(_ROUNDS):
        bad = _squeezed(V, F, PLY_MM * N)
        if not bad.any():
            break
        near = _around(F, len(V), bad, 2 + turn // 3)
        for _ in range(3):
            N[near] = _unit(0.2 * N[near] + (W[near] @ N))
    return N


def offset(
    V: Array, F: NDArray[np.int32], N: Array, distance: float, edge_mm: float
) -> tuple[Array, NDArray[np.int32], Array, int]:
    """The surface moved by `distance` along its normals N (outward positive).

    Moves of up to an edge keep the mesh as it is. Longer ones go step by step, each along the
    normals of the surface reached so far, and are meshed evenly again: hollows close up as they
    would under a layer of that thickness. What a step would fold is bridged.

    Returns
    -------
    V, F, N : the moved surface; bridged : how many vertices were bridged, over all steps
    """
    if distance == 0:
        return V, F, N, 0
    steps = int(np.ceil(abs(distance) / edge_mm - 1e-9))
    bridged = 0
    for _ in range(steps):
        V, count = _step(V, F, N, distance / steps)
        bridged += count
        if steps > 1:
            even = remesh(V, F, edge_mm, rounds=2)
            order, F, _ = sort_along_curve(even.V, even.F)
            V = even.V[order]
            N = smooth_normals(V, F)
    return V, F, N, bridged


def _step(V: Array, F: Faces, N: Array, distance: float) -> tuple[Array, int]:
    """One move along N; where it would fold, the move is replaced by one of least bending."""
    move = distance * N
    free = np.zeros(len(V), dtype=bool)
    for turn in range(_ROUNDS):
        bad = _squeezed(V, F, move)
        if not bad.any():
            break
        free |= _around(F, len(V), bad, 1 + turn // 2)
        # Set up on the old surface, whose triangles are sound.
        move = fair(V, F, np.full(len(V), np.inf), free=free, field=move)
    return V + move, int(np.count_nonzero(free))


def _squeezed(V: Array, F: Faces, move: Array) -> NDArray[np.bool_]:
    """(m,) faces that keep too little of their area, or turn over, when moved."""
    before = face_cross(V, F)
    after = face_cross(V + move, F)
    kept = np.einsum("ij,ij->i", before, after)
    return kept < _LEAST * np.einsum("ij,ij->i", before, before)


def _around(F: Faces, n: int, bad: NDArray[np.bool_], rings: int) -> NDArray[np.bool_]:
    near = np.zeros(n, dtype=bool)
    near[F[bad]] = True
    for _ in range(rings - 1):
        near[F[near[F].any(axis=1)]] = True
    return near


def _unit(N: Array) -> Array:
    return N / np.maximum(np.linalg.norm(N, axis=1, keepdims=True), 1e-300)
