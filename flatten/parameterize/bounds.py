"""How the strain bounds of a panel depend on its tau: alpha below, beta above."""

import numpy as np
from numpy.typing import NDArray

from flatten.parameterize import cones
from flatten.parameterize.weave import Frame, Weave

Array = NDArray[np.float64]
Ints = NDArray[np.integer]


class Bounds:
    """The cones' edges at tau (p,): alpha, beta = 1 + tau, and their derivatives in tau.

    alpha = (1 + bend tau) / (1 + (bend + ratio) tau)
    """

    def __init__(self, tau: Array, bend: Array, weave: Weave) -> None:
        q = 1 + (bend + weave.ratio) * tau
        self.tau, self.weave = tau, weave
        self.alpha = (1 + bend * tau) / q
        first = -weave.ratio / q**2
        self.second = 2 * weave.ratio * (bend + weave.ratio) / q**3
        zero = np.zeros_like(tau)
        # Derivatives of the two cones' three numbers in tau.
        self.low_1 = np.column_stack([-first, -weave.stretch.shift * first, zero])
        self.high_1 = np.column_stack([zero + 1, zero - weave.squeeze.shift, zero])

    def cones(self, frame: Frame, panel: Ints) -> tuple[Array, Array]:
        """(m, 3) each: the cone of the stretch limit (low) and of the squeeze limit (high)."""
        a, omega, weave = frame.P[:, 0], frame.omega, self.weave
        alpha = self.alpha[panel]
        low = np.column_stack(
            [
                a - alpha,
                omega[:, 0] + weave.stretch.shift * (1 - alpha),
                weave.stretch.slack * omega[:, 1],
            ]
        )
        tau = self.tau[panel]
        high = np.column_stack(
            [
                1 + tau - a,
                omega[:, 0] - weave.squeeze.shift * tau,
                weave.squeeze.slack * omega[:, 1],
            ]
        )
        return low, high


def first_bounds(frame: Frame, weave: Weave, panel: Ints, start: Ints) -> tuple[Array, Array]:
    """(p,) bend and (p,) tau that leave every face well inside its cones.

    bend : as near to 1 as leaves twice the way that the most stretched face needs
    """
    a, omega = frame.P[:, 0], frame.omega
    low = a - np.hypot(omega[:, 0], weave.stretch.slack * omega[:, 1])
    high = a + np.hypot(omega[:, 0], weave.squeeze.slack * omega[:, 1])
    least = np.maximum(np.minimum.reduceat(low, start), 1e-12)
    most = np.maximum.reduceat(high, start)
    ratio = weave.ratio
    bend = np.minimum(1.0, 0.5 * least * ratio / np.maximum(1 - least, 1e-9))
    squeeze = (1 - least) / np.maximum(least * (bend + ratio) - bend, 1e-300)
    tau = 1.2 * np.maximum(np.maximum(most - 1, squeeze), 0.0) + 1e-5
    for _ in range(200):
        outside = np.zeros(len(tau), dtype=bool)
        for g in Bounds(tau, bend, weave).cones(frame, panel):
            outside |= np.bitwise_or.reduceat(~cones.inside(g), start)
        if not outside.any():
            break
        tau[outside] *= 1.2  # unequal warp and weft need more
    return bend, tau
