"""Compiled face loops: the maps surface -> flat, gradients, Hessians, flips, sparse rows.

A face's map is taken apart into its two complex derivatives, both linear in the flat: the
similarity part f_z of length a and the anti-similarity part w = f_zbar of length b. Then
sigma1 = a + b, sigma2 = a - b (signed), and an energy's Hessian splits into a 3 x 3 block over
(a, w) and a twist, a's own curvature, which is clamped by itself (Smith, de Goes & Kim, Analytic
Eigensystems for Isotropic Distortion Energies, ACM TOG 38(1), 2019).
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@njit(cache=True, nogil=True)
def parts(U: Array, F: Ints, G: Array, low: int, high: int, out: Array) -> None:
    """Writes out[low:high] (m, 5): a, the unit direction of f_z, and w."""
    for f in range(low, high):
        zr, zi, wr, wi = 0.0, 0.0, 0.0, 0.0
        for k in range(3):
            x, y = U[F[f, k], 0], U[F[f, k], 1]
            gr, gi = G[f, k, 0], G[f, k, 1]
            zr += gr * x - gi * y
            zi += gi * x + gr * y
            wr += gr * x + gi * y
            wi += gr * y - gi * x
        a = np.sqrt(zr * zr + zi * zi)
        out[f, 0] = a
        if a > 0.0:
            out[f, 1], out[f, 2] = zr / a, zi / a
        else:
            out[f, 1], out[f, 2] = 1.0, 0.0
        out[f, 3], out[f, 4] = wr, wi


@njit(cache=True, nogil=True)
def pull_back(P: Array, F: Ints, G: Array, by: Array, low: int, high: int, out: Array) -> None:
    """Adds to out (n, 2) the gradient of an energy with derivatives by in a and w.

    by is (m, 3), or (m, 4) with the derivative along the twist.
    """
    twisted = by.shape[1] == 4
    for f in range(low, high):
        uc, us = P[f, 1] * by[f, 0], P[f, 2] * by[f, 0]
        if twisted:
            uc -= P[f, 2] * by[f, 3]
            us += P[f, 1] * by[f, 3]
        wr, wi = by[f, 1], by[f, 2]
        for k in range(3):
            gr, gi = G[f, k, 0], G[f, k, 1]
            v = F[f, k]
            out[v, 0] += (uc + wr) * gr + (us - wi) * gi
            out[v, 1] += (us + wi) * gr + (wr - uc) * gi


@njit(cache=True, nogil=True)
def add_hessian(
    P: Array, F: Ints, G: Array, C: Array, L: Array, diagonal: Ints, edge: Ints, edge_of: Ints,
    low: int, high: int,
) -> None:  # fmt: skip
    """Adds the Hessian of faces low to high to a factor's values L (blocks of two).

    C (m, 7): the second derivatives aa, a wr, a wi, wr wr, wr wi, wi wi, and that of the twist;
    (m, 10) with those of the twist with a, wr and wi. Positive semidefinite together.
    edge_of (m, 3): edge from corner i to the next in the factor's pattern.
    """
    A, R, J, T = np.empty(6), np.empty(6), np.empty(6), np.empty(6)
    skew = C.shape[1] == 10
    H = np.empty((6, 6))
    for f in range(low, high):
        uc, us = P[f, 1], P[f, 2]
        for k in range(3):
            gr, gi = G[f, k, 0], G[f, k, 1]
            x, y = 2 * k, 2 * k + 1
            A[x], A[y] = uc * gr + us * gi, us * gr - uc * gi
            R[x], R[y] = gr, gi
            J[x], J[y] = -gi, gr
            T[x], T[y] = -A[y], A[x]
        for i in range(6):
            pa = C[f, 0] * A[i] + C[f, 1] * R[i] + C[f, 2] * J[i]
            pr = C[f, 1] * A[i] + C[f, 3] * R[i] + C[f, 4] * J[i]
            pj = C[f, 2] * A[i] + C[f, 4] * R[i] + C[f, 5] * J[i]
            pt = C[f, 6] * T[i]
            if skew:
                pa += C[f, 7] * T[i]
                pr += C[f, 8] * T[i]
                pj += C[f, 9] * T[i]
                pt += C[f, 7] * A[i] + C[f, 8] * R[i] + C[f, 9] * J[i]
            for j in range(6):
                H[i, j] = pa * A[j] + pr * R[j] + pj * J[j] + pt * T[j]
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
