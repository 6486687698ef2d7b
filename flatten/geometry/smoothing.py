"""Smooths what lives on a mesh's vertices: positions without shrinking, or any field."""

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csr_matrix, diags

from flatten.geometry.halfedges import opposites
from flatten.geometry.operators import half_cotangents, vertex_areas
from flatten.geometry.triangles import Array, Faces, face_cross, vertex_normals


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


def border_mask(F: Faces, n: int) -> NDArray[np.bool_]:
    """(n,) which vertices lie on a border of the oriented manifold F."""
    h = np.flatnonzero(opposites(F, n) < 0)
    flat = np.ascontiguousarray(F).ravel()
    mask = np.zeros(n, dtype=bool)
    mask[flat[h]] = mask[flat[np.where(h % 3 == 2, h - 2, h + 1)]] = True
    return mask


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


def fair(
    V: Array, F: Faces, weight: Array, *, free: NDArray[np.bool_], field: Array | None = None
) -> Array:
    """A field of least bending that stays near the given one: a low-pass filter.

    Minimises the integral of weight |x - field|² + |Laplacian of x|² by conjugate gradients. A
    wave of wave number k is kept by 1 / (1 + k⁴ / weight), so a sphere of radius R shrinks by no
    more than 4 / (weight R³). Borders are held. Desbrun et al., Implicit fairing of irregular
    meshes, SIGGRAPH 1999 (the implicit solve); Kobbelt et al., Interactive multi-resolution
    modeling, SIGGRAPH 1998 (the thin plate's energy).

    weight : (n,) 1/mm⁴, inf holds a vertex; free : (n,) vertices that `field` has no say over
    field : (n, 3), the positions V themselves if left out
    """
    n = len(V)
    field = V if field is None else field
    L, mass = cotangent_laplacian(V, F)
    border = border_mask(F, n)
    held = border | ~(np.isfinite(weight) | free)
    K = (L.T @ diags((~border) / mass) @ L).tocsr()
    pull = mass * np.where(held | free, 0.0, weight)
    moves = np.flatnonzero(~held)
    x = field.copy()
    if len(moves):
        A = csr_matrix((K + diags(pull)).tocsr()[moves][:, moves])
        # Solved for the change, so that the tolerance is a share of it.
        x[moves] -= _conjugate_gradients(A, (K @ field)[moves])
    return x


def _conjugate_gradients(A: csr_matrix, B: Array) -> Array:
    """X with A X = B, each column (n, k) to 1e-5 of its norm; A positive definite.

    Preconditioned by A's diagonal. The columns run together: one product with A serves them all.
    """
    scale = 1.0 / np.maximum(A.diagonal(), 1e-300)[:, None]
    X = np.zeros_like(B)
    R = B.copy()
    Z = scale * R
    P = Z.copy()
    rz = np.einsum("ij,ij->j", R, Z)
    goal = 1e-10 * np.einsum("ij,ij->j", B, B)
    for _ in range(3000):
        if np.all(np.einsum("ij,ij->j", R, R) <= goal):
            break
        Q = A @ P
        pq = np.einsum("ij,ij->j", P, Q)
        step = np.divide(rz, pq, out=np.zeros_like(rz), where=pq > 0)
        X += step * P
        R -= step * Q
        Z = scale * R
        new = np.einsum("ij,ij->j", R, Z)
        P = Z + np.divide(new, rz, out=np.zeros_like(rz), where=rz > 0) * P
        rz = new
    return X


def cotangent_laplacian(V: Array, F: Faces) -> tuple[csr_matrix, Array]:
    """L (n, n), positive semidefinite, and the (n,) third of the area round each vertex.

    Pinkall and Polthier, Experimental Mathematics 2(1), 1993. Cotangents are held within 10, so
    that slivers do no harm.
    """
    n = len(V)
    w = np.clip(half_cotangents(V, F), -5.0, 5.0).ravel()
    i, j = F.ravel(), np.roll(F, -1, axis=1).ravel()
    W = coo_matrix((np.tile(w, 2), (np.concatenate([i, j]), np.concatenate([j, i]))), shape=(n, n))
    W = W.tocsr()
    L = (diags(np.asarray(W.sum(axis=1)).ravel()) - W).tocsr()
    mass = vertex_areas(V, F)
    return csr_matrix(L), np.maximum(mass, 1e-9 * max(float(mass.max(initial=0.0)), 1e-300))


def bending(V: Array, F: Faces) -> Array:
    """(n,) about the largest principal curvature at each vertex, 1/mm, smoothed over a ring.

    From the turn of the vertex normals over each face (Rusinkiewicz, Estimating curvatures and
    their derivatives on triangle meshes, 3DPVT 2004), as root mean square over the ring.
    """
    n = len(V)
    N = vertex_normals(V, F)
    cross = face_cross(V, F)
    double = np.maximum(np.linalg.norm(cross, axis=1), 1e-300)
    # The derivative of the normal over a face: sum over corners of N times the gradient of its hat.
    J = np.zeros((len(F), 3, 3))
    axis = cross / double[:, None]
    for k in range(3):
        opposite = V[F[:, (k + 2) % 3]] - V[F[:, (k + 1) % 3]]
        gradient = np.cross(axis, opposite) / double[:, None]
        J += N[F[:, k]][:, :, None] * gradient[:, None, :]
    # J has rank two: the larger of its squared singular values, in closed form.
    square = J.transpose(0, 2, 1) @ J
    trace = np.trace(square, axis1=1, axis2=2)
    rest = np.einsum("ijk,ikj->i", square, square)
    top = 0.5 * (trace + np.sqrt(np.maximum(2 * rest - trace**2, 0.0)))
    area = 0.5 * double
    total = np.bincount(F.ravel(), np.repeat(area, 3), minlength=n)
    mean = np.bincount(F.ravel(), np.repeat(area * top, 3), minlength=n) / np.maximum(total, 1e-300)
    W = ring_mean(F, n)
    return np.sqrt(0.5 * (mean + W @ mean))
