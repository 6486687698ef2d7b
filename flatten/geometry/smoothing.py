"""Smooths what lives on a mesh's vertices: positions without shrinking, or any field."""

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csr_matrix

from flatten.geometry.triangles import Array, Faces


def ring_mean(F: Faces, n: int) -> csr_matrix:
    """(n, n) matrix that takes a field on vertices to the mean over each vertex's neighbours.

    Vertices without faces keep their value.
    """
    i = np.concatenate([F[:, 0], F[:, 1], F[:, 2], F[:, 1], F[:, 2], F[:, 0]])
    j = np.concatenate([F[:, 1], F[:, 2], F[:, 0], F[:, 0], F[:, 1], F[:, 2]])
    A = coo_matrix((np.ones(len(i)), (i, j)), shape=(n, n)).tocsr()
    A.data[:] = 1.0
    degree = np.diff(A.indptr)
    A.data /= np.repeat(np.maximum(degree, 1), degree)
    lone = np.flatnonzero(degree == 0)
    if len(lone):
        A = (A + coo_matrix((np.ones(len(lone)), (lone, lone)), shape=(n, n))).tocsr()
    return csr_matrix(A)


def smooth_positions(
    V: Array, F: Faces, *, passes: int, fixed: NDArray[np.bool_] | None = None
) -> Array:
    """V smoothed by `passes` pairs of a shrinking and a swelling step.

    Taubin, A signal processing approach to fair surface design, SIGGRAPH 1995 (lambda | mu).
    """
    W = ring_mean(F, len(V))
    X = V.copy()
    for _ in range(passes):
        for step in (0.5, -0.53):
            move = step * (W @ X - X)
            if fixed is not None:
                move[fixed] = 0.0
            X += move
    return X
