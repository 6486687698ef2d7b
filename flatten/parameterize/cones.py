"""Second-order cones of three numbers, all faces at once: the algebra of the interior point method.

A cone holds g = (g0, g1, g2) with g0 > |(g1, g2)|. Formulas of the Nesterov-Todd scaling: Alizadeh
& Goldfarb, Second-order cone programming, Mathematical Programming 95, 2003, and Vandenberghe,
The CVXOPT linear and quadratic cone program solvers, 2010, sections 4 and 5. Arrays are (m, 3).
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]


def radius(g: Array) -> Array:
    """(m,) length of (g1, g2)."""
    return np.sqrt(g[:, 1] * g[:, 1] + g[:, 2] * g[:, 2])


def determinant(g: Array) -> Array:
    """(m,) g0² - g1² - g2², as a product so that little is lost near the cone's edge."""
    b = radius(g)
    return (g[:, 0] - b) * (g[:, 0] + b)


def inside(g: Array) -> NDArray[np.bool_]:
    """(m,) whether g lies within its cone."""
    return g[:, 0] > radius(g)


def inverse(g: Array) -> Array:
    """The Jordan inverse: g times it is (1, 0, 0)."""
    return g * np.array([1.0, -1.0, -1.0]) / determinant(g)[:, None]


@njit(cache=True, nogil=True, error_model="numpy")
def longest_step(g: Array, d: Array) -> Array:
    """(m,) the step along d at which g reaches its cone's edge; inf where it never does."""
    steps = np.empty(len(g))
    for f in range(len(g)):
        # det(g + t d) = a t² + 2 b t + c with c > 0.
        rim = np.sqrt(g[f, 1] * g[f, 1] + g[f, 2] * g[f, 2])
        c = (g[f, 0] - rim) * (g[f, 0] + rim)
        a = d[f, 0] * d[f, 0] - d[f, 1] * d[f, 1] - d[f, 2] * d[f, 2]
        b = g[f, 0] * d[f, 0] - g[f, 1] * d[f, 1] - g[f, 2] * d[f, 2]
        root = np.sqrt(max(b * b - a * c, 0.0))
        step = np.inf
        # Both roots lie ahead only if the point leaves through the near one; none: never.
        if b < 0.0 and not (a >= 0.0 and b * b < a * c):
            step = c / (root - b)
        elif b >= 0.0 and a < 0.0:
            step = -(b + root) / a
        steps[f] = np.inf if np.isnan(step) else step
    return steps


@dataclass(frozen=True, eq=False, kw_only=True)
class Scaling:
    """The Nesterov-Todd scaling W of a pair g, z: W z = W^-1 g = scaled, W^-2 g = z.

    eta (m,), mean (m, 3) : what W is made of; weight (m, 6) : W^-2 as 00, 01, 02, 11, 12, 22
    """

    eta: Array
    mean: Array
    scaled: Array
    weight: Array

    def centred(self, aim: Array, g: Array, dg: Array, dz: Array) -> Array:
        """(m, 3) what z should become for complementarity aim (m,), minus what the changes dg and
        dz make of it to second order."""
        return _centred(self.eta, self.mean, self.scaled, aim, g, dg, dz)


def scale(g: Array, z: Array) -> Scaling:
    """The scaling of g and z, both within their cones."""
    eta, mean, scaled, weight = _scale(g, z)
    return Scaling(eta=eta, mean=mean, scaled=scaled, weight=weight)


@njit(cache=True, nogil=True, error_model="numpy")
def _scale(g: Array, z: Array) -> tuple[Array, Array, Array, Array]:
    m = len(g)
    eta, mean, scaled, weight = np.empty(m), np.empty((m, 3)), np.empty((m, 3)), np.empty((m, 6))
    for f in range(m):
        b = np.sqrt(g[f, 1] * g[f, 1] + g[f, 2] * g[f, 2])
        root_g = np.sqrt((g[f, 0] - b) * (g[f, 0] + b))
        b = np.sqrt(z[f, 1] * z[f, 1] + z[f, 2] * z[f, 2])
        root_z = np.sqrt((z[f, 0] - b) * (z[f, 0] + b))
        dot = (g[f, 0] * z[f, 0] + g[f, 1] * z[f, 1] + g[f, 2] * z[f, 2]) / (root_g * root_z)
        half = 2.0 * np.sqrt(0.5 * (1.0 + dot))
        w1 = (g[f, 1] / root_g - z[f, 1] / root_z) / half
        w2 = (g[f, 2] / root_g - z[f, 2] / root_z) / half
        # The middle of two unit vectors is one again; rounding is kept out of its length.
        w0 = np.sqrt(1.0 + w1 * w1 + w2 * w2)
        e = np.sqrt(root_g / root_z)
        eta[f], mean[f, 0], mean[f, 1], mean[f, 2] = e, w0, w1, w2
        first = w1 * g[f, 1] + w2 * g[f, 2]
        part = -g[f, 0] + first / (1.0 + w0)
        scaled[f, 0] = (w0 * g[f, 0] - first) / e
        scaled[f, 1] = (g[f, 1] + part * w1) / e
        scaled[f, 2] = (g[f, 2] + part * w2) / e
        k = 1.0 / (e * e)
        weight[f, 0] = k * (2.0 * w0 * w0 - 1.0)
        weight[f, 1], weight[f, 2] = -2.0 * k * w0 * w1, -2.0 * k * w0 * w2
        weight[f, 3], weight[f, 4] = k * (2.0 * w1 * w1 + 1.0), 2.0 * k * w1 * w2
        weight[f, 5] = k * (2.0 * w2 * w2 + 1.0)
    return eta, mean, scaled, weight


@njit(cache=True, nogil=True, error_model="numpy")
def _centred(
    eta: Array, mean: Array, scaled: Array, aim: Array, g: Array, dg: Array, dz: Array
) -> Array:
    out = np.empty_like(g)
    for f in range(len(g)):
        e, w0, w1, w2 = eta[f], mean[f, 0], mean[f, 1], mean[f, 2]
        # u = W^-1 dg and v = W dz, with W / eta = [[w0, w^T], [w, I + w w^T / (1 + w0)]].
        dot = w1 * dg[f, 1] + w2 * dg[f, 2]
        part = -dg[f, 0] + dot / (1.0 + w0)
        u0 = (w0 * dg[f, 0] - dot) / e
        u1, u2 = (dg[f, 1] + part * w1) / e, (dg[f, 2] + part * w2) / e
        dot = w1 * dz[f, 1] + w2 * dz[f, 2]
        part = dz[f, 0] + dot / (1.0 + w0)
        v0 = (w0 * dz[f, 0] + dot) * e
        v1, v2 = (dz[f, 1] + part * w1) * e, (dz[f, 2] + part * w2) * e
        # Their Jordan product, divided by scaled.
        x0 = u0 * v0 + u1 * v1 + u2 * v2
        x1, x2 = u0 * v1 + v0 * u1, u0 * v2 + v0 * u2
        s0, s1, s2 = scaled[f, 0], scaled[f, 1], scaled[f, 2]
        b = np.sqrt(s1 * s1 + s2 * s2)
        y0 = (s0 * x0 - s1 * x1 - s2 * x2) / ((s0 - b) * (s0 + b))
        y1, y2 = (x1 - y0 * s1) / s0, (x2 - y0 * s2) / s0
        dot = w1 * y1 + w2 * y2
        part = -y0 + dot / (1.0 + w0)
        b = np.sqrt(g[f, 1] * g[f, 1] + g[f, 2] * g[f, 2])
        k = aim[f] / ((g[f, 0] - b) * (g[f, 0] + b))
        out[f, 0] = k * g[f, 0] - (w0 * y0 - dot) / e
        out[f, 1] = -k * g[f, 1] - (y1 + part * w1) / e
        out[f, 2] = -k * g[f, 2] - (y2 + part * w2) / e
    return out


@njit(cache=True, nogil=True)
def multiply(S: Array, x: Array) -> Array:
    """Symmetric matrices S (m, 6) as of `Scaling.weight` times x (m, 3)."""
    out = np.empty_like(x)
    for f in range(len(x)):
        a, b, c = x[f, 0], x[f, 1], x[f, 2]
        out[f, 0] = S[f, 0] * a + S[f, 1] * b + S[f, 2] * c
        out[f, 1] = S[f, 1] * a + S[f, 3] * b + S[f, 4] * c
        out[f, 2] = S[f, 2] * a + S[f, 4] * b + S[f, 5] * c
    return out
