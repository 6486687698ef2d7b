"""Least mean distortion: the symmetric Dirichlet energy by projected Newton steps.

E = sum of area (sigma1² + sigma2² + 1/sigma1² + 1/sigma2²) / area, 4 for an isometry (Smith &
Schaefer, Bijective Parameterization with Free Boundaries, SIGGRAPH 2015). It is infinite where a
face loses its area, and no step goes so far, so a start without flips stays without.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.parameterize.sheet import Sheet

Array = NDArray[np.float64]

KEEP = 0.9  # the part of the way to the first lost face that a step may go


def sigmas(P: Array) -> tuple[Array, Array]:
    """(m,) singular values sigma1 >= sigma2 (negative where flipped) of the sheet's parts."""
    b = np.sqrt(P[:, 3] * P[:, 3] + P[:, 4] * P[:, 4])
    return P[:, 0] + b, P[:, 0] - b


def derivatives(P: Array, weight: Array) -> tuple[Array, Array]:
    """Of the energy density times weight (m,): (m, 3) first and (m, 7) clamped second ones.

    In the terms of `kernels`. The flip (the curvature of b) and the twist are clamped at zero.
    """
    s1, s2 = sigmas(P)
    b = 0.5 * (s1 - s2)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        d1, d2 = 2 * weight * (s1 - s1**-3.0), 2 * weight * (s2 - s2**-3.0)
        h1, h2 = weight * (2 + 6 * s1**-4.0), weight * (2 + 6 * s2**-4.0)
    # Between equal sigmas the flip is the density's second derivative, by the mean value theorem.
    apart = b > 1e-7 * s1
    flip = np.where(apart, (d1 - d2) / np.where(apart, b, 1.0), h1 + h2)
    flip = np.maximum(flip, 0.0)
    c, s = np.where(apart, P[:, 3:].T / np.where(apart, b, 1.0), np.array([[1.0], [0.0]]))
    by = np.column_stack([d1 + d2, (d1 - d2) * c, (d1 - d2) * s])
    stretch = h1 + h2
    second = np.column_stack(
        [
            stretch,
            (h1 - h2) * c,
            (h1 - h2) * s,
            stretch * c * c + flip * s * s,
            (stretch - flip) * c * s,
            stretch * s * s + flip * c * c,
            np.maximum(d1 + d2, 0.0) / np.maximum(P[:, 0], 1e-300),
        ]
    )
    return by, second


def energies(sheet: Sheet, P: Array) -> Array:
    """(p,) mean symmetric Dirichlet energy of every panel; inf where a face is flipped."""
    s1, s2 = sigmas(P)
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        density = np.where(s2 > 0, s1**2 + s2**2 + s1**-2.0 + s2**-2.0, np.inf)
        total = sheet.by_panel(sheet.area * density)
    total[~np.isfinite(total)] = np.inf
    return total / sheet.by_panel(sheet.area)


@dataclass(frozen=True, eq=False, kw_only=True)
class Found:
    """A lower place: the part t of the step, the flats U (n, 2), their parts P, the merit there."""

    t: float
    U: Array
    P: Array
    merit: float


def search(
    sheet: Sheet,
    U: Array,
    D: Array,
    gradient: Array,
    merit: Callable[[Array, Array], float],
    before: float,
    *,
    tries: int,
) -> Found | None:
    """The longest of t, t/2, t/4... of the step D that lowers the merit enough (Armijo), if any.

    merit : of flats and their parts; before : what it is at U. No face is lost on the way.
    """
    slope = float((D * gradient).sum())
    t = min(1.0, KEEP * float(sheet.reach(U, D).min()))
    for _ in range(tries):
        trial = U + t * D
        P = sheet.parts(trial)
        there = merit(trial, P)
        if there <= before + 1e-4 * t * slope:
            return Found(t=t, U=trial, P=P, merit=there)
        t *= 0.5
    return None


def descend(sheet: Sheet, U: Array, *, steps: int = 60, tolerance: float = 1e-6) -> Array:
    """U (n, 2) lowered to a minimum of every panel's energy, at most `steps` Newton steps.

    A panel is done when a step lowers its energy by less than `tolerance` of what it has above 4.
    U must have no flipped face.
    """
    P = sheet.parts(U)
    E = energies(sheet, P)
    busy = np.isfinite(E)
    weight = sheet.area / sheet.by_panel(sheet.area)[sheet.panel]
    for _ in range(steps):
        by, second = derivatives(P, weight)
        gradient = sheet.pull_back(P, by)
        sheet.factor.clear()
        sheet.add_hessian(P, second)
        sheet.add_floor(1e-9)
        if not sheet.factor.factor():
            break
        D = -sheet.factor.solve(gradient.ravel()).reshape(-1, 2)
        D[~busy[sheet.panel_of]] = 0.0
        slope = np.bincount(sheet.panel_of, np.einsum("ij,ij->i", D, gradient), sheet.panels)
        busy &= np.isfinite(slope) & (slope < 0)
        D[~busy[sheet.panel_of]] = 0.0
        step = np.minimum(1.0, KEEP * sheet.reach(U, D))
        step[~busy] = 0.0
        for halving in range(31):
            trial = U + step[sheet.panel_of, None] * D
            P_trial = sheet.parts(trial)
            E_trial = energies(sheet, P_trial)
            short = busy & ~(E_trial <= E + 1e-4 * step * slope + 1e-14 * E)
            if not short.any():
                break
            # The last time round a panel that found no lower place stays where it is.
            step[short] *= 0.5 if halving < 29 else 0.0
            busy &= ~short | (halving < 29)
        else:
            break
        gain = E - E_trial
        U, P, E = trial, P_trial, E_trial
        busy &= gain > np.maximum(tolerance * (E - 4.0), 1e-13)
        if not busy.any():
            break
    return U
