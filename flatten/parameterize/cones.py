"""Second-order cones of three numbers, all faces at once: the algebra of the interior point method.

A cone holds g = (g0, g1, g2) with g0 > |(g1, g2)|. Formulas of the Nesterov-Todd scaling: Alizadeh
& Goldfarb, Second-order cone programming, Mathematical Programming 95, 2003, and Vandenberghe,
The CVXOPT linear and quadratic cone program solvers, 2010, sections 4 and 5. Arrays are (m, 3).
"""

from dataclasses import dataclass

import numpy as np
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


def product(u: Array, v: Array) -> Array:
    """The Jordan product."""
    return np.column_stack(
        [
            np.einsum("ij,ij->i", u, v),
            u[:, 0] * v[:, 1] + v[:, 0] * u[:, 1],
            u[:, 0] * v[:, 2] + v[:, 0] * u[:, 2],
        ]
    )


def divide(u: Array, x: Array) -> Array:
    """y with product(u, y) = x."""
    first = (u[:, 0] * x[:, 0] - u[:, 1] * x[:, 1] - u[:, 2] * x[:, 2]) / determinant(u)
    rest = (x[:, 1:] - first[:, None] * u[:, 1:]) / u[:, :1]
    return np.column_stack([first, rest])


def longest_step(g: Array, d: Array) -> Array:
    """(m,) the step along d at which g reaches its cone's edge; inf where it never does."""
    # det(g + t d) = a t² + 2 b t + c with c > 0.
    a = d[:, 0] ** 2 - d[:, 1] ** 2 - d[:, 2] ** 2
    b = g[:, 0] * d[:, 0] - g[:, 1] * d[:, 1] - g[:, 2] * d[:, 2]
    c = determinant(g)
    root = np.sqrt(np.maximum(b * b - a * c, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        step = np.where(b < 0, c / (root - b), np.where(a < 0, -(b + root) / a, np.inf))
        # Both roots lie ahead only if the point leaves through the near one; none: never.
        step = np.where((a >= 0) & (b * b < a * c), np.inf, step)
    step = np.where((b >= 0) & (a >= 0), np.inf, step)
    return np.where(np.isnan(step), np.inf, step)


@dataclass(frozen=True, eq=False, kw_only=True)
class Scaling:
    """The Nesterov-Todd scaling W of a pair g, z: W z = W^-1 g = scaled, W^-2 g = z."""

    eta: Array
    mean: Array
    scaled: Array

    def weight(self) -> Array:
        """(m, 6) W^-2 as 00, 01, 02, 11, 12, 22."""
        w0, w1, w2 = self.mean[:, 0], -self.mean[:, 1], -self.mean[:, 2]
        k = 1.0 / self.eta**2
        return k[:, None] * np.column_stack(
            [
                2 * w0 * w0 - 1,
                2 * w0 * w1,
                2 * w0 * w2,
                2 * w1 * w1 + 1,
                2 * w1 * w2,
                2 * w2 * w2 + 1,
            ]
        )

    def _apply(self, x: Array, sign: float) -> Array:
        # W / eta = [[w0, w^T], [w, I + w w^T / (1 + w0)]]; its inverse has -w.
        w0, w = self.mean[:, 0], sign * self.mean[:, 1:]
        dot = np.einsum("ij,ij->i", w, x[:, 1:])
        first = w0 * x[:, 0] + dot
        rest = x[:, 1:] + (x[:, 0] + dot / (1 + w0))[:, None] * w
        return np.column_stack([first, rest])

    def forward(self, x: Array) -> Array:
        """W x."""
        return self.eta[:, None] * self._apply(x, 1.0)

    def backward(self, x: Array) -> Array:
        """W^-1 x."""
        return self._apply(x, -1.0) / self.eta[:, None]


def scale(g: Array, z: Array) -> Scaling:
    """The scaling of g and z, both within their cones."""
    root_g, root_z = np.sqrt(determinant(g)), np.sqrt(determinant(z))
    gn, zn = g / root_g[:, None], z / root_z[:, None]
    half = np.sqrt(0.5 * (1 + np.einsum("ij,ij->i", gn, zn)))
    mean = (gn + zn * np.array([1.0, -1.0, -1.0])) / (2 * half)[:, None]
    # The middle of two unit vectors is one again; rounding is kept out of its length.
    mean[:, 0] = np.sqrt(1 + mean[:, 1] ** 2 + mean[:, 2] ** 2)
    result = Scaling(eta=np.sqrt(root_g / root_z), mean=mean, scaled=g)
    return Scaling(eta=result.eta, mean=mean, scaled=result.backward(g))


def multiply(S: Array, x: Array) -> Array:
    """Symmetric matrices S (m, 6) as from `Scaling.weight` times x (m, 3)."""
    return np.column_stack(
        [
            S[:, 0] * x[:, 0] + S[:, 1] * x[:, 1] + S[:, 2] * x[:, 2],
            S[:, 1] * x[:, 0] + S[:, 3] * x[:, 1] + S[:, 4] * x[:, 2],
            S[:, 2] * x[:, 0] + S[:, 4] * x[:, 1] + S[:, 5] * x[:, 2],
        ]
    )
