"""Least peak strain: every panel's worst place is made as good as its material's limits allow.

Stretch and squeeze are weighed by their limits. With sigma the singular values of the map
surface -> flat (one over the report's) and tau >= 0 for each panel,

    alpha(tau) <= sigma2, sigma1 <= 1 + tau,   alpha = (1 + bend tau) / (1 + (bend + ratio) tau)

with ratio = stretch limit / squeeze limit; bend = 1 means that both are at the same load. (A
smaller bend takes over where a start is so strained that alpha would not reach it; it is raised
as the strain falls.) With the two complex derivatives of a face's map these are two second-order
cones, |w| <= a - alpha and |w| <= beta - a, of which only a's curvature is not convex (Lipman,
Bounded Distortion Mapping Spaces for Triangular Meshes, ACM TOG 31(4), 2012). The sum of tau over
panels is minimised by a primal-dual interior point method with Nesterov-Todd scaling and
Mehrotra's corrector (Vandenberghe, The CVXOPT linear and quadratic cone program solvers, 2010);
partner edges are equations, kept by multipliers with a proximal term, so that one sparse positive
definite matrix is factored a step.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from flatten.parameterize import cones
from flatten.parameterize.couplings import FAIRNESS, Couplings
from flatten.parameterize.dirichlet import derivatives, energies, sigmas
from flatten.parameterize.sheet import Sheet

Array = NDArray[np.float64]

MEAN = 0.03  # what a part of the mean distortion weighs against the same part of tau
GAP = 0.02  # of tau: how near to the optimum is near enough
SMALLEST = 1e-3  # tau below this (0.1 % strain) need not be known more closely
STIFFEST = 100.0  # of the seams, per mm²


class Bounds:
    """alpha and beta of every panel and alpha's derivatives in tau (beta's is 1)."""

    def __init__(self, tau: Array, ratio: float, bend: Array) -> None:
        q = 1 + (bend + ratio) * tau
        self.alpha = (1 + bend * tau) / q
        self.alpha_1 = -ratio / q**2
        self.alpha_2 = 2 * ratio * (bend + ratio) / q**3
        self.beta = 1 + tau


def least_tau(s1: Array, s2: Array, ratio: float, bend: Array) -> Array:
    """(p,) the least tau that admits sigmas from s2 to s1."""
    squeeze = (1 - s2) / np.maximum(s2 * (bend + ratio) - bend, 1e-300)
    return np.maximum(np.maximum(s1 - 1, squeeze), 0.0)


def admissible_bend(s2: Array, ratio: float) -> Array:
    """(p,) the largest bend up to 1 for which s2 stays well above what alpha can reach."""
    return np.minimum(1.0, 0.5 * s2 * ratio / np.maximum(1 - s2, 1e-9))


class LeastPeak:
    """The iteration's state: the flat U (n, 2), tau (p,), multipliers, and one Newton step."""

    def __init__(self, sheet: Sheet, U: Array, ratio: float, couplings: Couplings) -> None:
        self.sheet, self.U, self.ratio, self.couplings = sheet, U, ratio, couplings
        self.P = sheet.parts(U)
        self.force = np.zeros(len(couplings.seams))
        self.stiffness = 1.0
        self.least_centre = 0.0
        self.faces = np.diff(sheet.face_start).astype(np.float64)
        s1, s2 = sigmas(self.P)
        s1, s2 = sheet.worst(s1), -sheet.worst(-s2)
        self.bend = admissible_bend(s2, ratio)
        self.tau = 1.2 * least_tau(s1, s2, ratio, self.bend) + 1e-5
        self.low, self.high = self.gaps(self.P, self.tau)
        a1 = Bounds(self.tau, ratio, self.bend).alpha_1[sheet.panel]
        low, high = cones.inverse(self.low), cones.inverse(self.high)
        self._centre(1.0 / sheet.by_panel(high[:, 0] - a1 * low[:, 0]))

    def _centre(self, mu: Array) -> None:
        """Multipliers for which every cone's complementarity is its panel's mu (p,)."""
        aim = mu[self.sheet.panel, None]
        self.z_low, self.z_high = aim * cones.inverse(self.low), aim * cones.inverse(self.high)

    def gaps(self, P: Array, tau: Array) -> tuple[Array, Array]:
        """(m, 3) cones (a - alpha, w) and (beta - a, w) of every face."""
        bounds, panel = Bounds(tau, self.ratio, self.bend), self.sheet.panel
        w = P[:, 3:]
        return (
            np.column_stack([P[:, 0] - bounds.alpha[panel], w]),
            np.column_stack([bounds.beta[panel] - P[:, 0], w]),
        )

    def mu(self) -> Array:
        """(p,) mean complementarity: the bound on tau's excess is 2 faces mu."""
        dot = np.einsum("ij,ij->i", self.low, self.z_low)
        dot += np.einsum("ij,ij->i", self.high, self.z_high)
        return self.sheet.by_panel(dot) / (2 * self.faces)

    def gap(self) -> Array:
        """(p,) how far tau may be above its optimum at most, as a part of tau."""
        return 2 * self.faces * self.mu() / np.maximum(self.tau, SMALLEST)

    def step(self) -> float:
        """One predictor-corrector step; returns the step length of the flat (0 to 1)."""
        sheet, panel, P = self.sheet, self.sheet.panel, self.P
        seams, outline = self.couplings.seams, self.couplings.outline
        bounds = Bounds(self.tau, self.ratio, self.bend)
        a1, a2 = bounds.alpha_1[panel], bounds.alpha_2[panel]
        scale_low, scale_high = (
            cones.scale(self.low, self.z_low),
            cones.scale(self.high, self.z_high),
        )
        W_low, W_high = scale_low.weight(), scale_high.weight()
        second = np.empty((len(P), 7))
        second[:, :6] = W_low + W_high * np.array([1.0, -1.0, -1.0, 1.0, 1.0, 1.0])
        second[:, 6] = np.maximum(self.z_high[:, 0] - self.z_low[:, 0], 0.0) / P[:, 0]
        excess = energies(sheet, P) - 4.0
        self.mean = MEAN * self.tau / np.maximum(excess, 0.1 * self.tau**2)
        mean_by, mean_second = derivatives(
            P, (self.mean / sheet.by_panel(sheet.area))[panel] * sheet.area
        )
        sheet.factor.clear()
        sheet.add_hessian(P, second + mean_second)
        c = seams.residual(self.U)
        rows = seams.gradient(self.U)
        seams.add_stiffness(sheet, self.U, self.stiffness, self.force)
        fixed = sheet.pull_back(P, mean_by)
        seams.rows.pull_back(rows, self.force + self.stiffness * c, fixed)
        outline.add(sheet, self.U, FAIRNESS, fixed)
        sheet.add_floor(1e-12)
        if not sheet.factor.factor():
            return 0.0
        # How the cones' forces on the flat change with each panel's tau.
        turn = np.array([-1.0, 1.0, 1.0])
        mixed = sheet.pull_back(P, -a1[:, None] * W_low[:, :3] + turn * W_high[:, :3])
        tau_tau = sheet.by_panel(a1 * a1 * W_low[:, 0] + W_high[:, 0] + a2 * self.z_low[:, 0])
        p, n = sheet.panels, len(self.U)
        right = np.zeros((n, 2, p + 1))
        right[:, :, 0] = fixed
        right[np.arange(n), :, 1 + sheet.panel_of] = mixed
        right = right.reshape(2 * n, p + 1)
        X = sheet.factor.solve(right)
        by_tau, x_tau = right[:, 1:], X[:, 1:]
        schur = np.diag(tau_tau) - by_tau.T @ x_tau

        def direction(x: Array, aim_low: Array, aim_high: Array):
            """The step for which the cones' forces become aim (m, 3) to first order.

            x : the solution for all forces on the flat at once
            """
            pull = 1.0 - sheet.by_panel(aim_high[:, 0] - a1 * aim_low[:, 0])
            tau_step = np.linalg.solve(schur, by_tau.T @ x - pull)
            D = -(x + x_tau @ tau_step).reshape(-1, 2)
            Q = sheet.parts(D)
            da = Q[:, 0] * (Q[:, 1] * P[:, 1] + Q[:, 2] * P[:, 2])
            t = tau_step[panel]
            d_low = np.column_stack([da - a1 * t, Q[:, 3:]])
            d_high = np.column_stack([t - da, Q[:, 3:]])
            z_low = aim_low - self.z_low - cones.multiply(W_low, d_low)
            z_high = aim_high - self.z_high - cones.multiply(W_high, d_high)
            return D, tau_step, d_low, d_high, z_low, z_high

        zero = np.zeros_like(self.low)
        D, tau_step, d_low, d_high, z_low, z_high = direction(X[:, 0], zero, zero)
        t_g, t_z = self.reaches(d_low, d_high, z_low, z_high)
        t_faces = t_z[panel, None]
        ahead = sheet.by_panel(
            np.einsum("ij,ij->i", self.low + t_g * d_low, self.z_low + t_faces * z_low)
            + np.einsum("ij,ij->i", self.high + t_g * d_high, self.z_high + t_faces * z_high)
        ) / (2 * self.faces)
        mu = self.mu()
        centre = np.maximum(np.clip(ahead / mu, 0.0, 1.0) ** 3, self.least_centre)
        self.centre = centre
        # The path bends: what the gaps and the seams do beyond their first order along the step.
        s = max(t_g, 1e-3)
        trial = self.U + s * D
        low, high = self.gaps(sheet.parts(trial), self.tau + s * tau_step)
        bow_low = (low[:, 0] - self.low[:, 0]) / s - d_low[:, 0]
        bow_high = (high[:, 0] - self.high[:, 0]) / s - d_high[:, 0]
        bow_seams = (seams.residual(trial) - c) / s - (rows * D[seams.rows.vertices]).sum(
            axis=(1, 2)
        )

        def corrected(
            g: Array, k: cones.Scaling, dg: Array, dz: Array, W: Array, bow: Array
        ) -> Array:
            second_order = cones.product(k.backward(dg), k.forward(dz))
            aim = (centre * mu)[panel, None] * cones.inverse(g)
            aim -= k.backward(cones.divide(k.scaled, second_order))
            return aim - bow[:, None] * W[:, :3]

        aim_low = corrected(self.low, scale_low, d_low, z_low, W_low, bow_low)
        aim_high = corrected(self.high, scale_high, d_high, z_high, W_high, bow_high)
        force = sheet.pull_back(P, -aim_low + aim_high * np.array([1.0, -1.0, -1.0]))
        seams.rows.pull_back(rows, self.stiffness * bow_seams, force)
        x = X[:, 0] + sheet.factor.solve(force.ravel())
        D, tau_step, d_low, d_high, z_low, z_high = direction(x, aim_low, aim_high)
        d_low[:, 0] += bow_low
        d_high[:, 0] += bow_high
        t_g, t_z = self.reaches(d_low, d_high, z_low, z_high)
        self.linear = t_g
        t_g = self._hold_inside(min(1.0, 0.95 * t_g), D, tau_step)
        t_z = np.minimum(1.0, 0.95 * t_z)[panel, None]
        self.z_low = self.z_low + t_z * z_low
        self.z_high = self.z_high + t_z * z_high
        self.t_z = t_z.min()
        self.least_centre = 0.5 * (1 - t_g / min(1.0, 0.95 * self.linear))
        predicted = c + bow_seams + (rows * D[seams.rows.vertices]).sum(axis=(1, 2))
        self.force = self.force + t_g * self.stiffness * predicted
        return t_g

    def reaches(self, d_low: Array, d_high: Array, z_low: Array, z_high: Array):
        """The step of all flats to the first cone's edge, and (p,) that of the multipliers."""
        primal = min(
            float(cones.longest_step(self.low, d_low).min()),
            float(cones.longest_step(self.high, d_high).min()),
        )
        dual = np.minimum(
            cones.longest_step(self.z_low, z_low), cones.longest_step(self.z_high, z_high)
        )
        return min(primal, 1.0), np.minimum(-self.sheet.worst(-dual), 1.0)

    def _hold_inside(self, t: float, D: Array, tau_step: Array) -> float:
        """Takes the step t, shortened until the bent path too ends well inside every cone."""
        for _ in range(40):
            U, tau = self.U + t * D, self.tau + t * tau_step
            P = self.sheet.parts(U)
            low, high = self.gaps(P, tau)
            least = np.minimum(
                (low[:, 0] - cones.radius(low)) / (self.low[:, 0] - cones.radius(self.low)),
                (high[:, 0] - cones.radius(high)) / (self.high[:, 0] - cones.radius(self.high)),
            ).min()
            if least > 0.04:
                self.U, self.tau, self.P, self.low, self.high = U, tau, P, low, high
                return t
            t *= 0.8
        return 0.0


def least_peak(
    sheet: Sheet,
    U: Array,
    ratio: float,
    couplings: Couplings,
    *,
    steps: int = 60,
    told: Callable[[LeastPeak, float], None] = lambda _state, _step: None,
) -> LeastPeak:
    """The flats U (n, 2) of least peak strain, from a start without flips and with equal seams.

    ratio : stretch limit over squeeze limit
    told : called with the state and the step's length after every step

    Stops when tau can fall by no more than `GAP` of itself in any panel (the duality gap), or when
    steps get too short to matter; the state tells which.
    """
    state = LeastPeak(sheet, U, ratio, couplings)
    for _ in range(steps):
        t = state.step()
        told(state, t)
        if t < 1e-4:
            break
        if t > 0.3:
            state.stiffness = min(3.0 * state.stiffness, STIFFEST)
        if state.gap().max() < GAP:
            break
    return state
