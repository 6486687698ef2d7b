"""How the strain bounds of a panel depend on its tau: alpha below, beta above."""

import numpy as np
from numpy.typing import NDArray

from flatten.parameterize import cones
from flatten.parameterize.sheet import Sheet
from flatten.parameterize.weave import Frame, Weave

Array = NDArray[np.float64]

FAR = 1e6  # as good as no bound


class Bounds:
    """The cones' edges at tau (p,), face by face: alpha, beta = 1 + tau, and their derivatives.

    alpha = (1 + bend tau) / (1 + (bend + ratio) tau)
    """

    def __init__(self, sheet: Sheet, tau: Array, bend: Array, weave: Weave) -> None:
        self.weave = weave
        q = 1 + (bend + weave.ratio) * tau
        alpha, first = (1 + bend * tau) / q, -weave.ratio / q**2
        panel, self._loose = sheet.panel, sheet.loose if sheet.loose.any() else None
        self.alpha, self.tau = self._free(alpha[panel], 0.0), self._free(tau[panel], FAR)
        zero = np.zeros(len(panel))
        first = self._free(first[panel], 0.0)
        one = self._free(zero + 1, 0.0)
        # Derivatives of the two cones' three numbers in tau, and the lower's second derivative.
        self.low_1 = np.column_stack([-first, -weave.stretch.shift * first, zero])
        self.high_1 = np.column_stack([one, -weave.squeeze.shift * one, zero])
        second = 2 * weave.ratio * (bend + weave.ratio) / q**3
        self.second = self._free(second[panel], 0.0)

    def _free(self, x: Array, value: float) -> Array:
        """x (m,) with another value for the faces that have no shape: they may only not flip."""
        return x if self._loose is None else np.where(self._loose, value, x)

    def cones(self, frame: Frame) -> tuple[Array, Array]:
        """(m, 3) each: the cone of the stretch limit (low) and of the squeeze limit (high)."""
        a, omega, weave = frame.P[:, 0], frame.omega, self.weave
        low = np.column_stack(
            [
                a - self.alpha,
                omega[:, 0] + self._free(weave.stretch.shift * (1 - self.alpha), 0.0),
                weave.stretch.slack * omega[:, 1],
            ]
        )
        high = np.column_stack(
            [
                1 + self.tau - a,
                omega[:, 0] - self._free(weave.squeeze.shift * self.tau, 0.0),
                weave.squeeze.slack * omega[:, 1],
            ]
        )
        return low, high


def first_bounds(sheet: Sheet, frame: Frame, weave: Weave) -> tuple[Array, Array]:
    """(p,) bend and (p,) tau that leave every face well inside its cones.

    bend : as near to 1 as leaves twice the way that the most stretched face needs
    """
    a, omega = frame.P[:, 0], frame.omega
    low = a - np.hypot(omega[:, 0], weave.stretch.slack * omega[:, 1])
    high = a + np.hypot(omega[:, 0], weave.squeeze.slack * omega[:, 1])
    least = np.maximum(-sheet.worst(-np.where(sheet.loose, 1.0, low)), 1e-12)
    most = sheet.worst(np.where(sheet.loose, 1.0, high))
    ratio = weave.ratio
    bend = np.minimum(1.0, 0.5 * least * ratio / np.maximum(1 - least, 1e-9))
    squeeze = (1 - least) / np.maximum(least * (bend + ratio) - bend, 1e-300)
    tau = 1.5 * np.maximum(np.maximum(most - 1, squeeze), 0.0) + 1e-5
    for _ in range(200):
        low, high = Bounds(sheet, tau, bend, weave).cones(frame)
        outside = sheet.by_panel((~cones.inside(low) | ~cones.inside(high)).astype(float)) > 0
        if not outside.any():
            break
        tau[outside] *= 1.2  # unequal warp and weft need more
    return bend, tau
