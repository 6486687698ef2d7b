"""Conformal start: the map of a disk to the plane with the least angle distortion.

Lévy, Petitjean, Ray & Maillot, Least Squares Conformal Maps, SIGGRAPH 2002. The energy is the
Dirichlet energy less the area of the image (Mullen, Tong, Alliez & Desbrun, Spectral Conformal
Parameterization, SGP 2008), so with points as complex numbers its matrix is Hermitian, n x n, and
complex only on the border. The inside is eliminated with one real factorisation; what is left is
a small dense Hermitian system on the border. Where the border is long for the number of vertices
that system would not be small: then all is factored at once, two real unknowns to a vertex.
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


# A border of more vertices than the root of so many times all of them is long.
LONG = 25.0
# Share of the mean diagonal added so that an exactly conformal map, of no energy, can be found.
LIFT = 1e-9


class Energy:
    """The conformal energy's matrix: weights of edges, and the border's directed edges.

    edges (e, 2), weights (e,), on (n,) the diagonal; rim (r, 2) directed border edges, their
    places in edges; border (b,) the border's vertices, ascending
    """

    def __init__(self, V: Array, F: Faces) -> None:
        self.edges, edge_of, self.weights = edge_cotangents(V, F)
        lone = np.bincount(edge_of, minlength=len(self.edges)) == 1
        on_border = np.flatnonzero(lone[edge_of])
        face, corner = np.divmod(on_border, 3)
        self.rim_edge = edge_of[on_border]
        self.rim = np.column_stack([F[face, corner], F[face, (corner + 1) % 3]]).astype(np.int64)
        self.border = np.unique(self.rim)
        i, j = self.edges.T
        on = np.bincount(i, self.weights, len(V)) + np.bincount(j, self.weights, len(V))
        self.on = on.astype(np.float64)

    @property
    def long_border(self) -> bool:
        return len(self.border) ** 2 > LONG * len(self.on)


class BorderSystem:
    """The conformal energy of a mesh once the inside is eliminated: E = z* matrix z / 2.

    matrix : (b, b) upper triangle of the Hermitian, positive semidefinite matrix
    """

    def __init__(self, V: Array, energy: Energy) -> None:
        self._inside = Factor(analyse(energy.edges, V, last=energy.border))
        self._inside.add(energy.on, -energy.weights)
        self.sound = self._inside.factor(hold_last=True)
        if not self.sound:
            return
        self.matrix = self._inside.schur().astype(np.complex128)
        # The area is half the imaginary part of the sum of conj(z_a) z_b along the border.
        a, b = np.searchsorted(energy.border, energy.rim.T)
        sign = np.where(a < b, 0.5j, -0.5j)
        np.add.at(self.matrix, (np.minimum(a, b), np.maximum(a, b)), sign)

    def points(self, z: Complex) -> Array:
        """(n, 2) the whole map, given its border as complex numbers."""
        return self._inside.extend(np.column_stack([z.real, z.imag]))


def whole_system(V: Array, energy: Energy, lift: float, last: list[int] | None) -> Factor | None:
    """The energy's matrix on all vertices, x and y of each in turn, factored but for `last`.

    lift : added to the border's diagonal; None where the matrix is not positive definite
    """
    factor = Factor(analyse(energy.edges, V, last=None if last is None else np.array(last)), 2)
    on = energy.on.copy()
    on[energy.border] += lift
    factor.add(on, -energy.weights)
    column, row, height, start, end = factor.pattern.edge[energy.rim_edge].T
    at = 4 * start + 4 * column * height + 2 * row
    # Of i K, K antisymmetric, x takes -K y and y takes K x.
    outward = energy.edges[energy.rim_edge, end] == energy.rim[:, 0]
    half = np.where(outward, 0.5, -0.5)
    factor.values[at + 2 * height] += half
    factor.values[at + 1] -= half
    return factor if factor.factor(hold_last=last is not None) else None


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
    energy = Energy(V, F)
    p, q = pins or far_pins(V, energy.border)
    apart = max(float(np.linalg.norm(V[p] - V[q])), 1e-9)
    if energy.long_border:
        factor = whole_system(V, energy, 0.0, [p, q])
        if factor is None:
            return None
        return factor.extend(np.array([[0.0], [0.0], [apart], [0.0]])).reshape(-1, 2)
    system = BorderSystem(V, energy)
    if not system.sound:
        return None
    at = np.searchsorted(energy.border, [p, q])
    M, z = system.matrix, np.zeros(len(energy.border), dtype=np.complex128)
    z[at[1]] = apart
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
    energy = Energy(V, F)
    P = V[energy.border] - V[energy.border].mean(axis=0)
    _, _, axes = np.linalg.svd(P, full_matrices=False)
    z = P @ axes[0] + 1j * (P @ axes[1])
    U = _lowest_whole(V, energy, z) if energy.long_border else _lowest(V, energy, z)
    if U is None:
        return None
    a, b_, c = U[F[:, 0]], U[F[:, 1]], U[F[:, 2]]
    u, v = b_ - a, c - a
    area = 0.5 * float(np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]).sum())
    if not (np.isfinite(area) and area > 0):
        return None
    return U * np.sqrt(face_areas(V, F).sum() / area)


def _lowest(V: Array, energy: Energy, z: Complex) -> Array | None:
    """The map of the lowest vector, by inverse iteration on the border system from z (b,)."""
    system = BorderSystem(V, energy)
    if not system.sound:
        return None
    M = system.matrix
    b = len(M)
    # Lifts the shifts (the known null vectors) and keeps the factorisation definite.
    scale = float(np.trace(M).real) / b
    M += scale * np.ones((b, b)) / b + LIFT * scale * np.eye(b)
    solve = _solver(M)
    return None if solve is None else system.points(_iterated(solve, z))


def _lowest_whole(V: Array, energy: Energy, z: Complex) -> Array | None:
    """As `_lowest` on the whole system: a border without a mean pulls at no shift."""
    factor = whole_system(V, energy, LIFT * float(energy.on[energy.border].mean()), None)
    if factor is None:
        return None
    U = np.zeros((len(V), 2))

    def solve(b: Complex) -> Complex:
        pull = np.zeros((len(V), 2))
        pull[energy.border] = np.column_stack([b.real, b.imag])
        U[:] = factor.solve(pull.ravel()).reshape(-1, 2)
        x, y = U[energy.border].T
        return x + 1j * y

    mean = _iterated(solve, z).mean()
    return U - U[energy.border].mean(axis=0) if np.isfinite(mean) else None


def _iterated(solve: Callable[[Complex], Complex], z: Complex) -> Complex:
    """Inverse iteration from z (b,) to the lowest vector without a mean."""
    for _ in range(30):
        z = z - z.mean()
        before = z / max(float(np.linalg.norm(z)), 1e-300)
        z = solve(before)
        if abs(np.vdot(before, z)) > (1 - 1e-8) * np.linalg.norm(z):
            break
    return z - z.mean()
