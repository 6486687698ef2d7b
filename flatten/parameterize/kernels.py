"""Compiled face loops: singular values of the map surface -> flat, gradients, Hessians, steps.

A face's map is taken apart into its similarity part of length a and its anti-similarity part of
length b (the moduli of the two complex derivatives): sigma1 = a + b, sigma2 = a - b, signed. An
energy of the sigmas then has the analytic Hessian: two stretch directions (the gradients of a
and b), a twist (a's tangent, over a) and a flip (b's tangent, over b), each clamped at zero by
itself (Smith, de Goes & Kim, Analytic Eigensystems for Isotropic Distortion Energies, ACM TOG
38(1), 2019).
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@njit(cache=True, nogil=True)
def parts(U: Array, F: Ints, G: Array, low: int, high: int, out: Array) -> None:
    """Writes out[low:high] (m, 6): a, b and the unit directions of the two derivatives."""
    for f in range(low, high):
        zr, zi, wr, wi = 0.0, 0.0, 0.0, 0.0
        for k in range(3):
            x, y = U[F[f, k], 0], U[F[f, k], 1]
            gr, gi = G[f, k, 0], G[f, k, 1]
            zr += gr * x - gi * y
            zi += gi * x + gr * y
            wr += gr * x + gi * y
            wi += gr * y - gi * x
        a, b = np.sqrt(zr * zr + zi * zi), np.sqrt(wr * wr + wi * wi)
        out[f, 0], out[f, 1] = a, b
        if a > 0.0:
            out[f, 2], out[f, 3] = zr / a, zi / a
        else:
            out[f, 2], out[f, 3] = 1.0, 0.0
        if b > 0.0:
            out[f, 4], out[f, 5] = wr / b, wi / b
        else:
            out[f, 4], out[f, 5] = 1.0, 0.0


@njit(cache=True, nogil=True)
def pull_back(
    P: Array, F: Ints, G: Array, by_a: Array, by_b: Array, low: int, high: int, out: Array
) -> None:
    """Adds to out (n, 2) the gradient of an energy with derivatives by_a, by_b (m,)."""
    for f in range(low, high):
        uc, us = P[f, 2] * by_a[f], P[f, 3] * by_a[f]
        vc, vs = P[f, 4] * by_b[f], P[f, 5] * by_b[f]
        for k in range(3):
            gr, gi = G[f, k, 0], G[f, k, 1]
            v = F[f, k]
            out[v, 0] += uc * gr + us * gi + vc * gr - vs * gi
            out[v, 1] += us * gr - uc * gi + vc * gi + vs * gr


@njit(cache=True, nogil=True)
def add_hessian(
    P: Array, F: Ints, G: Array, C: Array, L: Array, diagonal: Ints, edge: Ints, edge_of: Ints,
    low: int, high: int,
) -> None:  # fmt: skip
    """Adds the Hessian of faces low to high to a factor's values L (blocks of two).

    C (m, 5): weights of the gradients of sigma1 and sigma2 (each squared), of their product, and
    of the twist and the flip, all already clamped to be positive semidefinite.
    edge_of (m, 3): edge from corner i to the next in the factor's pattern.
    """
    q1, q2 = np.empty(6), np.empty(6)
    t, w = np.empty(6), np.empty(6)
    H = np.empty((6, 6))
    for f in range(low, high):
        uc, us, vc, vs = P[f, 2], P[f, 3], P[f, 4], P[f, 5]
        for k in range(3):
            gr, gi = G[f, k, 0], G[f, k, 1]
            ax, ay = uc * gr + us * gi, us * gr - uc * gi
            bx, by = vc * gr - vs * gi, vc * gi + vs * gr
            q1[2 * k], q1[2 * k + 1] = ax + bx, ay + by
            q2[2 * k], q2[2 * k + 1] = ax - bx, ay - by
            t[2 * k], t[2 * k + 1] = -ay, ax
            w[2 * k], w[2 * k + 1] = -(vs * gr + vc * gi), vc * gr - vs * gi
        c11, c22, c12, ct, cf = C[f, 0], C[f, 1], C[f, 2], C[f, 3], C[f, 4]
        for i in range(6):
            p1 = c11 * q1[i] + c12 * q2[i]
            p2 = c22 * q2[i] + c12 * q1[i]
            ti, wi = ct * t[i], cf * w[i]
            for j in range(6):
                H[i, j] = p1 * q1[j] + p2 * q2[j] + ti * t[j] + wi * w[j]
        for k in range(3):
            v = F[f, k]
            height = 2 * diagonal[v, 2]
            at = 4 * diagonal[v, 3] + 2 * diagonal[v, 0] * height + 2 * diagonal[v, 1]
            i = 2 * k
            L[at] += H[i, i]
            L[at + 1] += H[i + 1, i]
            L[at + height + 1] += H[i + 1, i + 1]
            e = edge_of[f, k]
            height = 2 * edge[e, 2]
            at = 4 * edge[e, 3] + 2 * edge[e, 0] * height + 2 * edge[e, 1]
            j = (i + 2) % 6
            # The pattern's edges run from the lower vertex to the higher.
            column_is_k = (F[f, k] < F[f, (k + 1) % 3]) == (edge[e, 4] == 0)
            c, r = (i, j) if column_is_k else (j, i)
            L[at] += H[r, c]
            L[at + 1] += H[r + 1, c]
            L[at + height] += H[r, c + 1]
            L[at + height + 1] += H[r + 1, c + 1]


@njit(cache=True, nogil=True)
def first_flip(U: Array, D: Array, F: Ints, panel: Ints, reach: Array) -> None:
    """Lowers reach (p,) to the step along D (n, 2) at which a face of a panel loses its area."""
    for f in range(len(F)):
        i, j, k = F[f, 0], F[f, 1], F[f, 2]
        ax, ay = U[j, 0] - U[i, 0], U[j, 1] - U[i, 1]
        bx, by = U[k, 0] - U[i, 0], U[k, 1] - U[i, 1]
        px, py = D[j, 0] - D[i, 0], D[j, 1] - D[i, 1]
        qx, qy = D[k, 0] - D[i, 0], D[k, 1] - D[i, 1]
        c = ax * by - ay * bx
        b = ax * qy - ay * qx + px * by - py * bx
        a = px * qy - py * qx
        # First positive root of a t² + b t + c with c > 0, without cancellation.
        s = b * b - 4.0 * a * c
        t = np.inf
        if s >= 0.0:
            root = np.sqrt(s)
            if b < 0.0:
                t = 2.0 * c / (root - b)
            elif a < 0.0:
                t = -(b + root) / (2.0 * a)
        if t < reach[panel[f]]:
            reach[panel[f]] = t


@njit(cache=True, nogil=True)
def add_rows(
    start: Ints, vertex: Ints, gradient: Array, weight: Array, pair: Ints, pair_start: Ints,
    L: Array, diagonal: Ints, edge: Ints,
) -> None:  # fmt: skip
    """Adds weight[r] g g^T to a factor's values (blocks of two) for every row r.

    Row r has the gradient gradient[start[r]:start[r + 1]] (., 2) at different vertices; pair
    lists the pattern's edges of its vertex pairs (i, j), i before j, row by row.
    """
    for r in range(len(start) - 1):
        s = weight[r]
        if s == 0.0:
            continue
        p = pair_start[r]
        for i in range(start[r], start[r + 1]):
            gx, gy = s * gradient[i, 0], s * gradient[i, 1]
            v = vertex[i]
            height = 2 * diagonal[v, 2]
            at = 4 * diagonal[v, 3] + 2 * diagonal[v, 0] * height + 2 * diagonal[v, 1]
            L[at] += gx * gradient[i, 0]
            L[at + 1] += gy * gradient[i, 0]
            L[at + height + 1] += gy * gradient[i, 1]
            for j in range(i + 1, start[r + 1]):
                e = pair[p]
                p += 1
                height = 2 * edge[e, 2]
                at = 4 * edge[e, 3] + 2 * edge[e, 0] * height + 2 * edge[e, 1]
                first_is_column = (v < vertex[j]) == (edge[e, 4] == 0)
                hx, hy = gradient[j, 0], gradient[j, 1]
                if first_is_column:
                    L[at] += gx * hx
                    L[at + 1] += gx * hy
                    L[at + height] += gy * hx
                    L[at + height + 1] += gy * hy
                else:
                    L[at] += gx * hx
                    L[at + 1] += gy * hx
                    L[at + height] += gx * hy
                    L[at + height + 1] += gy * hy
