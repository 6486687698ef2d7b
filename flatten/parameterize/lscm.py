"""Conformal start: the map of a disk to the plane with the least angle distortion.

Lévy, Petitjean, Ray & Maillot, Least Squares Conformal Maps, SIGGRAPH 2002. The energy is the
Dirichlet energy less the area of the image (Mullen, Tong, Alliez & Desbrun, Spectral Conformal
Parameterization, SGP 2008), so with points as complex numbers its matrix is Hermitian, n x n, and
complex only on the border. The inside is eliminated with one real factorisation; what is left is
a small dense Hermitian system on the border.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from flatten.geometry.dissection import analyse
from flatten.geometry.operators import edge_cotangents
from flatten.geometry.sparse import Factor
from flatten.geometry.triangles import face_areas

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Faces = NDArray[np.integer]


class BorderSystem:
    """The conformal energy of a mesh once the inside is eliminated: E = z* matrix z / 2.

    border : (b,) vertices, ascending
    matrix : (b, b) upper triangle of the Hermitian, positive semidefinite matrix
    """

    def __init__(self, V: Array, F: Faces) -> None:
        edges, edge_of, weights = edge_cotangents(V, F)
        lone = np.bincount(edge_of, minlength=len(edges)) == 1
        on_border = np.flatnonzero(lone[edge_of])
        face, corner = np.divmod(on_border, 3)
        directed = np.column_stack([F[face, corner], F[face, (corner + 1) % 3]]).astype(np.int64)
        self.border = np.unique(directed)
        on = np.bincount(edges[:, 0], weights, len(V)) + np.bincount(edges[:, 1], weights, len(V))
        self._inside = Factor(analyse(edges, V, last=self.border))
        self._inside.add(on.astype(np.float64), -weights)
        self.sound = self._inside.factor(hold_last=True)
        if not self.sound:
            return
        self.matrix = self._inside.schur().astype(np.complex128)
        a, b = np.searchsorted(self.border, directed.T)
        # The area is half the imaginary part of the sum of conj(z_a) z_b along the border.
        a, b = np.searchsorted(self.border, directed.T)
        sign = np.where(a < b, 0.5j, -0.5j)
        np.add.at(self.matrix, (np.minimum(a, b), np.maximum(a, b)), sign)

    def points(self, z: Complex) -> Array:
        """(n, 2) the whole map, given its border as complex numbers."""
        return self._inside.extend(np.column_stack([z.real, z.imag]))


def conformal_energy(V: Array, F: Faces, U: Array) -> float:
    """Dirichlet energy less signed area, mm²: zero for an exactly conformal map."""
    edges, _, weights = edge_cotangents(V, F)
    d = U[edges[:, 0]] - U[edges[:, 1]]
    a, b, c = U[F[:, 0]], U[F[:, 1]], U[F[:, 2]]
    u, v = b - a, c - a
    area = 0.5 * float((u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]).sum())
    return 0.5 * float(weights @ np.einsum("ij,ij->i", d, d)) - area


def far_pins(V: Array, border: NDArray[np.integer]) -> tuple[int, int]:
    """Two border vertices far apart: the farthest from the middle, and the farthest from that."""
    P = V[border]
    first = int(np.argmax(np.linalg.norm(P - P.mean(axis=0), axis=1)))
    second = int(np.argmax(np.linalg.norm(P - P[first], axis=1)))
    return int(border[first]), int(border[second])


def _solver(M: Complex) -> Callable[[Complex], Complex] | None:
    """Solves with the Hermitian M, given its upper triangle, which is overwritten.

    None where M is not positive definite.
    """
    try:
        # LAPACK reads by columns: the transpose, which is the conjugate, needs no copy.
        factor = cho_factor(M.T, lower=True, overwrite_a=True, check_finite=False)
    except np.linalg.LinAlgError:
        return None
    return lambda b: cho_solve(factor, b.conj(), check_finite=False).conj()


def lscm(V: Array, F: Faces, pins: tuple[int, int] | None = None) -> Array | None:
    """Least-squares conformal map U (n, 2) of the disk V (n, 3) mm, F (m, 3), right side up.

    pins : two border vertices, put at (0, 0) and (their distance in space, 0)

    Returns None where the mesh is too degenerate to be factored.
    """
    system = BorderSystem(V, F)
    if not system.sound:
        return None
    p, q = pins or far_pins(V, system.border)
    at = np.searchsorted(system.border, [p, q])
    M, z = system.matrix, np.zeros(len(system.border), dtype=np.complex128)
    z[at[1]] = max(float(np.linalg.norm(V[p] - V[q])), 1e-9)
    above = np.arange(len(M)) < at[1]
    given = -z[at[1]] * np.where(above, M[:, at[1]], M[at[1]].conj())
    given[at] = z[at]
    M[at], M[:, at] = 0.0, 0.0
    M[at, at] = 1.0
    solve = _solver(M)
    return None if solve is None else system.points(solve(given))


def conformal(V: Array, F: Faces) -> Array | None:
    """The conformal map that depends on no pins: least energy for the border's spread.

    The lowest vector of the border system that is not a shift (Mullen et al.), by inverse
    iteration. Scaled to the surface's area; None where the mesh cannot be factored.
    """
    system = BorderSystem(V, F)
    if not system.sound:
        return None
    M = system.matrix
    b = len(M)
    # Lifts the shifts (the known null vectors) and keeps the factorisation definite.
    scale = float(np.trace(M).real) / b
    M += scale * np.ones((b, b)) / b + 1e-9 * scale * np.eye(b)
    solve = _solver(M)
    if solve is None:
        return None
    P = V[system.border] - V[system.border].mean(axis=0)
    _, _, axes = np.linalg.svd(P, full_matrices=False)
    z = P @ axes[0] + 1j * (P @ axes[1])
    for _ in range(30):
        z = z - z.mean()
        before = z / max(float(np.linalg.norm(z)), 1e-300)
        z = solve(before)
        if abs(np.vdot(before, z)) > (1 - 1e-8) * np.linalg.norm(z):
            break
    U = system.points(z - z.mean())
    a, b_, c = U[F[:, 0]], U[F[:, 1]], U[F[:, 2]]
    u, v = b_ - a, c - a
    area = 0.5 * float(np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]).sum())
    if not (np.isfinite(area) and area > 0):
        return None
    return U * np.sqrt(face_areas(V, F).sum() / area)
