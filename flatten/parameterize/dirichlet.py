"""Least mean distortion: the symmetric Dirichlet energy by projected Newton steps.

E = sum of area (sigma1² + sigma2² + 1/sigma1² + 1/sigma2²) / area, 4 for an isometry (Smith &
Schaefer, Bijective Parameterization with Free Boundaries, SIGGRAPH 2015). It is infinite where a
face loses its area, and no step goes so far, so a start without flips stays without.
"""

import numpy as np
from numpy.typing import NDArray

from flatten.parameterize.sheet import Sheet

Array = NDArray[np.float64]

KEEP = 0.9  # the part of the way to the first lost face that a step may go


def clamped(P: Array, first_1: Array, first_2: Array, second_1: Array, second_2: Array) -> Array:
    """(m, 5) weights for `Sheet.add_hessian` of an energy phi(sigma1) + phi(sigma2).

    first and second derivatives of phi at both sigmas; the twist and the flip are clamped.
    """
    a, b = P[:, 0], P[:, 1]
    twist = np.maximum(first_1 + first_2, 0.0) / np.maximum(a, 1e-300)
    # Between equal sigmas the flip is phi's second derivative, by the mean value theorem.
    apart = b > 1e-7 * a
    flip = np.where(apart, (first_1 - first_2) / np.where(apart, b, 1.0), second_1 + second_2)
    flip = np.clip(flip, 0.0, 4.0 * np.maximum(second_1, second_2))
    return np.column_stack([second_1, second_2, np.zeros_like(a), twist, flip])


def energies(sheet: Sheet, P: Array) -> Array:
    """(p,) mean symmetric Dirichlet energy of every panel; inf where a face is flipped."""
    s1, s2 = P[:, 0] + P[:, 1], P[:, 0] - P[:, 1]
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        density = np.where(s2 > 0, s1**2 + s2**2 + s1**-2.0 + s2**-2.0, np.inf)
        total = sheet.by_panel(sheet.area * density)
    total[~np.isfinite(total)] = np.inf
    return total / sheet.by_panel(sheet.area)


def descend(sheet: Sheet, U: Array, *, steps: int = 60, tolerance: float = 1e-6) -> Array:
    """U (n, 2) lowered to a minimum of every panel's energy, at most `steps` Newton steps.

    A panel is done when a step lowers its energy by less than `tolerance` of what it has above 4.
    U must have no flipped face.
    """
    P = sheet.parts(U)
    E = energies(sheet, P)
    busy = np.isfinite(E)
    for _ in range(steps):
        s1, s2 = P[:, 0] + P[:, 1], P[:, 0] - P[:, 1]
        w = sheet.area / sheet.by_panel(sheet.area)[sheet.panel]
        with np.errstate(divide="ignore", invalid="ignore"):
            d1, d2 = w * (2 * s1 - 2 * s1**-3.0), w * (2 * s2 - 2 * s2**-3.0)
            h1, h2 = w * (2 + 6 * s1**-4.0), w * (2 + 6 * s2**-4.0)
        gradient = sheet.pull_back(P, d1, d2)
        sheet.factor.clear()
        sheet.add_hessian(P, clamped(P, d1, d2, h1, h2))
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
        for _ in range(30):
            trial = U + step[sheet.panel_of, None] * D
            P_trial = sheet.parts(trial)
            E_trial = energies(sheet, P_trial)
            short = busy & ~(E_trial <= E + 1e-4 * step * slope + 1e-14 * E)
            if not short.any():
                break
            step[short] *= 0.5
        else:
            step[short] = 0.0
            busy &= ~short
            trial = U + step[sheet.panel_of, None] * D
            P_trial = sheet.parts(trial)
            E_trial = energies(sheet, P_trial)
        gain = E - E_trial
        U, P, E = trial, P_trial, E_trial
        busy &= gain > np.maximum(tolerance * (E - 4.0), 1e-13)
        if not busy.any():
            break
    return U
