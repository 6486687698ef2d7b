"""Least peak strain: every panel's worst place is made as good as its material's limits allow.

Stretch and squeeze are weighed by their limits. With sigma the singular values of the map
surface -> flat (one over the report's) and tau >= 0 for each panel,

    alpha(tau) <= sigma2, sigma1 <= 1 + tau,   alpha = (1 + bend tau) / (1 + (bend + ratio) tau)

with ratio = stretch limit / squeeze limit and bend = 1 means that both are at the same load. (A
smaller bend takes over where a start is so strained that alpha would not reach it.) With the two
complex derivatives of a face's map these are two second-order cones, |w| <= a - alpha and
|w| <= beta - a, of which only a's curvature is not convex (Lipman, Bounded Distortion Mapping
Spaces for Triangular Meshes, ACM TOG 31(4), 2012); `weave` has the cones of cloth. The sum of tau
over panels, and a little of the mean distortion, is minimised by a primal-dual interior point
method with Nesterov-Todd scaling and Mehrotra's corrector (Vandenberghe, The CVXOPT linear and
quadratic cone program solvers, 2010); partner edges are equations, kept by multipliers with a
proximal term, so that one sparse positive definite matrix is factored a step.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.parameterize import cones
from flatten.parameterize.bounds import Bounds, first_bounds
from flatten.parameterize.couplings import FAIRNESS, Couplings
from flatten.parameterize.dirichlet import derivatives, energies
from flatten.parameterize.prices import Prices
from flatten.parameterize.sheet import Sheet
from flatten.parameterize.weave import Frame, Weave
from flatten.parameterize.wishes import Slack, reach

Array = NDArray[np.float64]

MEAN = 0.1  # what a part of the mean distortion weighs against the same part of tau
# What even edges weigh, priced as a missed wish is: a border changed in length by as large parts as
# tau counts so much of tau, halved. A panel's strain rises by 1 to 2 % for it, and what a tape is
# off along an edge falls to a half.
EVEN = 0.08
GAP = 0.05  # of tau: how near to the optimum is near enough
SMALLEST = 1e-3  # tau below this (0.1 % strain) need not be known more closely
STIFFEST = 100.0  # of the seams, per mm²
TO_EDGE = 0.95  # the part of the way to a cone's edge that a step may go
# What a missed wish costs beside strain that is dear: below 1 a whole panel is not scaled for it.
PRICE = 0.8
STEPS = 60  # at most
# Why a solution went no further.
NEAR_ENOUGH, STUCK, RAN_OUT = "near enough", "no step got any further", "its steps ran out"
FLOORS = (1e-12, 1e-9, 1e-6)  # of the mean diagonal, added to it
DEEPEST = 0.04  # a step leaves at least this part of every face's distance to its cones' edges


@dataclass(frozen=True, eq=False, kw_only=True)
class Step:
    """A step of everything: flat, tau, and each cone's numbers and multipliers to first order.

    slack : the changes of each wish's distances and multipliers
    """

    D: Array
    tau: Array
    low: Array
    high: Array
    z_low: Array
    z_high: Array
    slack: list[tuple[Array, Array]]


class LeastPeak:
    """The iteration's state: the flat U (n, 2), tau (p,), cones, multipliers."""

    def __init__(self, sheet: Sheet, U: Array, weave: Weave, couplings: Couplings) -> None:
        self.sheet, self.U, self.weave, self.couplings = sheet, U, weave, couplings
        self.faces = np.diff(sheet.face_start).astype(np.float64)
        self.force = np.zeros(len(couplings.seams))
        self.stiffness = 1.0
        self.least_centre = 0.0
        self.stopped = RAN_OUT
        self.P = sheet.parts(U)
        self.frame = Frame(sheet, self.P, weave)
        self.bend, self.tau = first_bounds(sheet, self.frame, weave)
        bounds = Bounds(sheet, self.tau, self.bend, weave)
        self.low, self.high = bounds.cones(self.frame)
        # The multipliers for which tau is in balance and every cone as far from its edge.
        low, high = cones.inverse(self.low), cones.inverse(self.high)
        mu = 1.0 / np.maximum(self._by_tau(bounds, low, high), 1.0)
        aim = mu[sheet.panel, None]
        self.z_low, self.z_high = aim * low, aim * high
        self.prices = Prices(self.loads(), PRICE / weave.ratio)
        self.slacks = [Slack(wish, U, self.prices.now) for wish in couplings.wishes]

    def loads(self) -> Array:
        """(p,) strain of each panel's worst place over its material's limit."""
        squeeze = self.weave.squeeze.straight
        return self.tau * (1 - squeeze) / squeeze

    def _evenness(self) -> Array:
        """(p,) the weight of even edges, which like the mean distortion keeps pace with tau."""
        return EVEN * self.prices.now / np.maximum(self.tau, SMALLEST)

    def _by_tau(self, bounds: Bounds, low: Array, high: Array) -> Array:
        """(p,) the forces (m, 3) on both cones as each panel's tau feels them."""
        return self.sheet.by_panel(
            np.einsum("ij,ij->i", bounds.low_1, low) + np.einsum("ij,ij->i", bounds.high_1, high)
        )

    def _forces(self, low: Array, high: Array) -> Array:
        """(m, 3) forces on both cones' numbers as forces on (a, omega)."""
        stretch = np.array([1.0, 1.0, self.weave.stretch.slack])
        squeeze = np.array([-1.0, 1.0, self.weave.squeeze.slack])
        return self.frame.forces(low * stretch + high * squeeze)

    def mu(self) -> Array:
        """(p,) mean complementarity of a panel's cones."""
        dot = np.einsum("ij,ij->i", self.low, self.z_low)
        dot += np.einsum("ij,ij->i", self.high, self.z_high)
        return self.sheet.by_panel(dot) / (2 * self.faces)

    def gap(self) -> Array:
        """(p,) how far tau may be above its optimum at most, as a part of tau.

        What wishes may still gain counts at the price that they have where strain is dear.
        """
        left = 2 * self.faces * self.mu()
        for s in self.slacks:
            left += np.bincount(s.panel, PRICE / self.weave.ratio * s.gap(), len(left))
        return left / np.maximum(self.tau, SMALLEST)

    def advance(self, near: float = GAP) -> bool:
        """One step, after which the seams are stiffer; whether another is worth its while.

        near : how near to the optimum, as a part of tau, is near enough
        """
        t = self.step()
        if t < 1e-4:
            self.stopped = STUCK
            return False
        if t > 0.3:
            self.stiffness = min(3.0 * self.stiffness, STIFFEST)
        if self.gap().max() < near:
            self.stopped = NEAR_ENOUGH
            return False
        return True

    def step(self) -> float:
        """One predictor-corrector step; returns the step length of the flat (0 to 1)."""
        sheet, panel, frame, weave = self.sheet, self.sheet.panel, self.frame, self.weave
        seams, outline = self.couplings.seams, self.couplings.outline
        bounds = Bounds(sheet, self.tau, self.bend, weave)
        k_low = cones.scale(self.low, self.z_low)
        k_high = cones.scale(self.high, self.z_high)
        W_low, W_high = k_low.weight, k_high.weight

        # The matrix: cones, mean distortion, seams, outline.
        stretch, squeeze = weave.stretch.slack, weave.squeeze.slack
        both = W_low * np.array([1, 1, stretch, 1, stretch, stretch**2])
        both += W_high * np.array([1, -1, -squeeze, 1, squeeze, squeeze**2])
        twist = np.maximum(self.z_high[:, 0] - self.z_low[:, 0], 0.0)
        second = frame.hessian(both, twist / frame.P[:, 0])
        excess = energies(sheet, self.P) - 4.0
        share = MEAN * self.tau / np.maximum(excess, 4 * self.tau**2)
        by, mean_second = derivatives(
            self.P, (share / sheet.by_panel(sheet.area))[panel] * sheet.area
        )
        second[:, :7] += mean_second
        c, rows = seams.residual(self.U), seams.gradient(self.U)
        self.prices.follow(self.loads())
        for slack in self.slacks:
            slack.prepare(self.U, self.prices.now)
        if not self._factor(second):
            return 0.0
        fixed = sheet.pull_back(self.P, by)
        seams.rows.pull_back(rows, self.force + self.stiffness * c, fixed)
        outline.pull_back(self.U, FAIRNESS, fixed)
        self.couplings.stretch.pull_back(self.U, self._evenness(), fixed)
        for s in self.slacks:
            s.wish.rows.pull_back(s.G, s.force(np.zeros_like(s.z)), fixed)

        # How tau moves the cones' forces on the flat, and each panel's tau itself.
        low_t = cones.multiply(W_low, bounds.low_1)
        high_t = cones.multiply(W_high, bounds.high_1)
        mixed = sheet.pull_back(self.P, self._forces(low_t, high_t))
        bent = self.z_low[:, 0] + weave.stretch.shift * self.z_low[:, 1]
        tau_tau = self._by_tau(bounds, low_t, high_t) + sheet.by_panel(bounds.second * bent)
        # A flat whose grain matters may not turn away from it: forces hold every panel's mean turn.
        p, n = sheet.panels, len(self.U)
        held = 0 if weave.even else p
        right = np.zeros((n, 2, 1 + p + held))
        right[:, :, 0] = fixed
        right[np.arange(n), :, 1 + sheet.panel_of] = mixed
        if held:
            right[np.arange(n), :, 1 + p + sheet.panel_of] = sheet.turning(self.P)
        Y = sheet.factor.solve_lower(right.reshape(2 * n, -1))
        fixed_y, border_y = Y[0], Y[1:]
        schur = np.diag(np.concatenate([tau_tau, np.zeros(held)])) - border_y @ border_y.T

        def towards(
            y: Array, aim_low: Array, aim_high: Array, wishes: list[tuple[Array, Array]]
        ) -> Step:
            """The step for which the cones' forces become aim (m, 3) to first order.

            y : all forces on the flat, half solved for; wishes : their aims (r, 3) and bows (r,)
            """
            pull = border_y @ y
            pull[:p] -= 1 - self._by_tau(bounds, aim_low, aim_high)
            border = np.linalg.lstsq(schur, pull, rcond=None)[0]
            tau = border[:p]
            D = -sheet.factor.solve_upper((y + border @ border_y)[None])[:, 0].reshape(-1, 2)
            d = frame.changes(sheet.parts(D))
            low = d * np.array([1.0, 1.0, stretch]) + bounds.low_1 * tau[panel, None]
            high = d * np.array([-1.0, 1.0, squeeze]) + bounds.high_1 * tau[panel, None]
            return Step(
                D=D,
                tau=tau.astype(np.float64),
                low=low,
                high=high,
                z_low=aim_low - self.z_low - cones.multiply(W_low, low),
                z_high=aim_high - self.z_high - cones.multiply(W_high, high),
                slack=[
                    s.step(aim, s.moved(D) + bow)
                    for s, (aim, bow) in zip(self.slacks, wishes, strict=True)
                ],
            )

        # Predictor: straight for complementarity zero; how far it gets tells how much to centre.
        nothing = np.zeros_like(self.low)
        idle = [(np.zeros_like(s.z), np.zeros(len(s.z))) for s in self.slacks]
        guess = towards(fixed_y, nothing, nothing, idle)
        t_g, t_z = self._reaches(guess)
        mu = self.mu()
        centre = np.clip(self._ahead(guess, t_g, t_z) / mu, 0.0, 1.0) ** 3
        aim = (np.maximum(centre, self.least_centre) * mu)[panel]

        # Corrector: what the complementarity, the cones and the seams do to second order.
        t = max(t_g, 1e-3)
        ahead = self.U + t * guess.D
        low, high = Bounds(sheet, self.tau + t * guess.tau, self.bend, weave).cones(
            Frame(sheet, sheet.parts(ahead), weave)
        )
        bow_low, bow_high = (low - self.low) / t - guess.low, (high - self.high) / t - guess.high
        moved = (rows * guess.D[seams.rows.vertices]).sum(axis=(1, 2))
        bow_seams = (seams.residual(ahead) - c) / t - moved

        aim_low = k_low.centred(aim, self.low, guess.low, guess.z_low)
        aim_high = k_high.centred(aim, self.high, guess.high, guess.z_high)
        aim_low -= cones.multiply(W_low, bow_low)
        aim_high -= cones.multiply(W_high, bow_high)
        force = sheet.pull_back(self.P, self._forces(-aim_low, -aim_high))
        seams.rows.pull_back(rows, self.stiffness * bow_seams, force)
        wishes = []
        for s, (dg, dz) in zip(self.slacks, guess.slack, strict=True):
            bow = (s.wish.residual(ahead) - s.f) / t - s.moved(guess.D)
            now = s.mu(0.0, np.zeros(len(dz)), dg, dz, len(mu))
            own = np.clip(s.mu(t_g, reach(s.z, dz), dg, dz, len(mu)) / now, 0.0, 1.0) ** 3
            own = (np.maximum(own, self.least_centre) * now)[s.panel, None]
            aims = (own - dg * dz) / s.g
            more = s.force(aims) - s.force(np.zeros_like(aims)) + s.stiffness() * bow
            s.wish.rows.pull_back(s.G, more, force)
            wishes.append((aims, bow))
        y = fixed_y + sheet.factor.solve_lower(force.ravel())[0]
        step = towards(y, aim_low, aim_high, wishes)
        step.low[:] += bow_low
        step.high[:] += bow_high

        t_g, t_z = self._reaches(step)
        wanted = min(1.0, TO_EDGE * t_g)
        t_g = self._take(wanted, step)
        z_step = np.minimum(1.0, TO_EDGE * t_z)[panel, None]
        self.z_low = self.z_low + z_step * step.z_low
        self.z_high = self.z_high + z_step * step.z_high
        for s, (_, dz) in zip(self.slacks, step.slack, strict=True):
            s.z = s.z + np.minimum(1.0, TO_EDGE * reach(s.z, dz))[:, None] * dz
        # A path that bends away early asks for more centring the next time.
        self.least_centre = 0.5 * (1 - t_g / wanted)
        expected = c + bow_seams + (rows * step.D[seams.rows.vertices]).sum(axis=(1, 2))
        self.force = self.force + t_g * self.stiffness * expected
        return t_g

    def _factor(self, second: Array) -> bool:
        """Sums up and factors the matrix; with a thicker floor where rounding spoils it."""
        for floor in FLOORS:
            self.sheet.factor.clear()
            self.sheet.add_hessian(self.P, second)
            self.couplings.seams.add_stiffness(self.sheet, self.U, self.stiffness, self.force)
            self.couplings.outline.add(self.sheet, self.U, FAIRNESS)
            self.couplings.stretch.add(self.sheet, self.U, self._evenness())
            for slack in self.slacks:
                slack.add(self.sheet, self.U)
            self.sheet.add_floor(floor)
            if self.sheet.factor.factor():
                return True
        return False

    def _ahead(self, step: Step, t_g: float, t_z: Array) -> Array:
        """(p,) mean complementarity after a step."""
        t = t_z[self.sheet.panel, None]
        dot = np.einsum("ij,ij->i", self.low + t_g * step.low, self.z_low + t * step.z_low)
        dot += np.einsum("ij,ij->i", self.high + t_g * step.high, self.z_high + t * step.z_high)
        return self.sheet.by_panel(dot) / (2 * self.faces)

    def _reaches(self, step: Step) -> tuple[float, Array]:
        """The step, at most 1, of all flats to the first cone's edge; (p,) the cones' multipliers'."""
        primal = min(
            float(cones.longest_step(self.low, step.low).min()),
            float(cones.longest_step(self.high, step.high).min()),
        )
        dual = np.minimum(
            cones.longest_step(self.z_low, step.z_low),
            cones.longest_step(self.z_high, step.z_high),
        )
        t_z = -self.sheet.worst(-dual)
        for s, (dg, _) in zip(self.slacks, step.slack, strict=True):
            primal = min(primal, float(reach(s.g, dg).min(initial=np.inf)))
        return min(primal, 1.0), np.minimum(t_z, 1.0)

    def _take(self, t: float, step: Step) -> float:
        """Takes t of the step, shortened until the bent path too ends well inside every cone."""
        before = [g[:, 0] - cones.radius(g) for g in (self.low, self.high)]
        for _ in range(40):
            U, tau = self.U + t * step.D, self.tau + t * step.tau
            P = self.sheet.parts(U)
            frame = Frame(self.sheet, P, self.weave)
            low, high = Bounds(self.sheet, tau, self.bend, self.weave).cones(frame)
            left = [
                (g[:, 0] - cones.radius(g)) / b for g, b in zip((low, high), before, strict=True)
            ]
            ahead = [
                s.at(U, s.g[:, 2] + t * dg[:, 2])
                for s, (dg, _) in zip(self.slacks, step.slack, strict=True)
            ]
            left += [(g / s.g).min(axis=1) for s, g in zip(self.slacks, ahead, strict=True)]
            upright = (P[:, 0] > 1.000001 * np.hypot(P[:, 3], P[:, 4])).all()
            if upright and min(float(x.min(initial=1.0)) for x in left) > DEEPEST:
                self.U, self.tau, self.P, self.frame = U, tau, P, frame
                self.low, self.high = low, high
                for s, g in zip(self.slacks, ahead, strict=True):
                    s.g = g
                return t
            t *= 0.8
        return 0.0


def loads(sheet: Sheet, U: Array, weave: Weave) -> Array:
    """(p,) strain of each panel's worst face on the flats U (n, 2), over its material's limit."""
    frame = Frame(sheet, sheet.parts(U), weave)
    a, stretch, squeeze = frame.P[:, 0], weave.stretch, weave.squeeze
    low = a - np.hypot(frame.omega[:, 0], stretch.slack * frame.omega[:, 1])
    high = a + np.hypot(frame.omega[:, 0], squeeze.slack * frame.omega[:, 1])
    load = np.maximum((1 / low - 1) / stretch.straight, (1 - 1 / high) / squeeze.straight)
    return sheet.worst(np.where(sheet.loose, 0.0, load))


def least_peak(
    sheet: Sheet,
    U: Array,
    weave: Weave,
    couplings: Couplings,
    *,
    near: float = GAP,
    told: Callable[[LeastPeak], None] = lambda _state: None,
) -> LeastPeak:
    """The flats U (n, 2) of least peak strain, from a start without flips and with equal seams.

    near : how near to the optimum is near enough
    told : called with the state after every step

    Stops when tau can fall by no more than `near` of itself in any panel (the duality gap), or when
    steps get too short to matter; the state's `gap` tells how near it came.
    """
    state = LeastPeak(sheet, U, weave, couplings)
    for _ in range(STEPS):
        more = state.advance(near)
        told(state)
        # Bent bounds weigh stretch too lightly: they are for the way out of a strained start only.
        if (state.bend < 1).any() and (first_bounds(sheet, state.frame, weave)[0] == 1).all():
            state = LeastPeak(sheet, state.U, weave, couplings)
        elif not more:
            break
    return state
