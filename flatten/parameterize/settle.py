"""Seams closed at little mean distortion: the start for the least peak, and the last touch after it."""

import numpy as np
from numpy.typing import NDArray

from flatten.parameterize.couplings import FAIRNESS, Couplings
from flatten.parameterize.dirichlet import KEEP, derivatives, energies, search
from flatten.parameterize.sheet import Sheet

Array = NDArray[np.float64]

SOFTEST, STIFFEST = 0.003, 1.0  # of the seams, per mm²


def settle(sheet: Sheet, U: Array, couplings: Couplings, *, steps: int = 5) -> Array:
    """U (n, 2) with partner edges brought to equal length while the mean distortion stays low.

    Newton steps on the symmetric Dirichlet energy of all panels with an augmented Lagrangian for
    the seams (Nocedal & Wright, Numerical Optimization, ch. 17), stiffened as it converges. U
    must have no flipped face; no step makes one.
    """
    seams, outline = couplings.seams, couplings.outline
    force, stiffness = np.zeros(len(seams)), SOFTEST
    weight = sheet.area / sheet.by_panel(sheet.area)[sheet.panel]

    def merit(U: Array, P: Array) -> float:
        c = seams.residual(U)
        held = force @ c + 0.5 * stiffness * c @ c
        return float(energies(sheet, P).sum() + held + FAIRNESS * outline.energy(U))

    P = sheet.parts(U)
    for _ in range(steps):
        by, second = derivatives(P, weight)
        gradient = sheet.pull_back(P, by)
        sheet.factor.clear()
        sheet.add_hessian(P, second)
        c, rows = seams.residual(U), seams.gradient(U)
        pull = force + stiffness * c
        seams.add_stiffness(sheet, U, stiffness, pull)
        seams.rows.pull_back(rows, pull, gradient)
        outline.add(sheet, U, FAIRNESS)
        outline.pull_back(U, FAIRNESS, gradient)
        sheet.add_floor(1e-9)
        if not sheet.factor.factor():
            break
        D = -sheet.factor.solve(gradient.ravel()).reshape(-1, 2)
        found = search(sheet, U, D, gradient, merit, merit(U, P), tries=30)
        if found is None:
            break
        t, U, P = found.t, found.U, found.P
        force = force + t * stiffness * (c + (rows * D[seams.rows.vertices]).sum(axis=(1, 2)))
        if t > 0.5:
            stiffness = min(3 * stiffness, STIFFEST)
    return U


def close(sheet: Sheet, U: Array, couplings: Couplings, *, steps: int = 4) -> Array:
    """U (n, 2) with the partner edges' last small differences taken out by the least movement.

    The movement is measured by the symmetric Dirichlet Hessian, so it spreads without strain.
    Faces are kept from flipping.
    """
    seams = couplings.seams
    if len(seams) == 0:
        return U
    weight = sheet.area / sheet.by_panel(sheet.area)[sheet.panel]
    for _ in range(steps):
        c, rows = seams.residual(U), seams.gradient(U)
        if np.abs(c).max() < 1e-7:
            break
        P = sheet.parts(U)
        _, second = derivatives(P, weight)
        sheet.factor.clear()
        sheet.add_hessian(P, second)
        seams.rows.add_outer(sheet, rows, np.full(len(seams), 1e3))
        sheet.add_floor(1e-9)
        if not sheet.factor.factor():
            break
        gradient = np.zeros_like(U)
        seams.rows.pull_back(rows, 1e3 * c, gradient)
        D = -sheet.factor.solve(gradient.ravel()).reshape(-1, 2)
        U = U + min(1.0, KEEP * float(sheet.reach(U, D).min())) * D
    return U
