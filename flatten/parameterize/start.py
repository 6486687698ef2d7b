"""A start without flips for every panel: conformal where that holds, else Tutte's embedding."""

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.triangles import face_areas
from flatten.parameterize.lscm import conformal
from flatten.parameterize.sheet import face_gradients
from flatten.parameterize.tutte import tutte

Array = NDArray[np.float64]
Faces = NDArray[np.integer]


def signed_areas(F: Faces, U: Array) -> Array:
    """(m,) signed areas of a flat, mm²."""
    a, b, c = U[F[:, 0]], U[F[:, 1]], U[F[:, 2]]
    u, v = b - a, c - a
    return 0.5 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])


def true_size(V: Array, F: Faces, U: Array) -> Array:
    """U scaled to the least symmetric Dirichlet energy, about its middle."""
    G, area, _ = face_gradients(V, F)
    z = (U[:, 0] + 1j * U[:, 1])[F]
    g = G[:, :, 0] + 1j * G[:, :, 1]
    a = np.abs((g * z).sum(axis=1))
    b = np.abs((np.conj(g) * z).sum(axis=1))
    with np.errstate(divide="ignore"):
        grown = float(area @ (a**2 + b**2))
        shrunk = float(area @ ((a**2 + b**2) / np.maximum(a**2 - b**2, 1e-12 * a**2) ** 2))
    if not (np.isfinite(grown) and np.isfinite(shrunk) and grown > 0):
        return U - U.mean(axis=0)
    return (U - U.mean(axis=0)) * (shrunk / grown) ** 0.25


def start(V: Array, F: Faces) -> tuple[Array, str]:
    """U (n, 2) mm of a disk without flips, and how it was found ("conformal" or "embedding")."""
    F = np.asarray(F, dtype=np.int64)
    least = 1e-10 * float(face_areas(V, F).sum()) / max(len(F), 1)
    U = conformal(V, F)
    if U is not None and signed_areas(F, U).min() > least:
        return true_size(V, F, U), "conformal"
    U = tutte(V, F)
    if not signed_areas(F, U).min() > 0:
        U = tutte(V, F, even=True)
    return true_size(V, F, U), "embedding"
