"""Limits of strain as cones over the faces: equal in all directions, or in the grain's directions.

A face's map surface -> flat has the similarity part a and the anti-similarity part w; seen in the
flat and from the grain's direction the latter is omega = w e, e = (f_z / a) exp(-2i grain). To
first order the flat's threads along an angle t from the warp are a + Re(omega exp(-2it)) times as
long as on the surface. With limits that are the same along warp and weft the bounds are

    |(omega_r, slack omega_i)| <= a - alpha(tau)   and   <= beta(tau) - a,

where slack = straight limit / bias limit: on the bias the material gives more. For unequal warp
and weft the cone's middle is shifted along omega_r in proportion. In a material without grain
slack is 1 and omega may be w itself.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.parameterize.sheet import Sheet
from flatten.records.material import Limit, Material

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Side:
    """One limit: the mean of warp and weft (a part of one), the bias's slack, and the shift."""

    straight: float
    slack: float
    shift: float


def side_of(limit: Limit) -> Side:
    straight = 0.5 * (limit.warp + limit.weft)
    return Side(
        straight=straight / 100,
        slack=straight / limit.bias,
        shift=0.5 * (limit.warp - limit.weft) / straight,
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class Weave:
    """A material's limits, and each panel's grain direction (p,) on its flat, radians."""

    stretch: Side
    squeeze: Side
    grain: Array
    even: bool

    @property
    def ratio(self) -> float:
        return self.stretch.straight / self.squeeze.straight


def weave_of(material: Material, grain: Array) -> Weave:
    return Weave(
        stretch=side_of(material.stretch_pct),
        squeeze=side_of(material.squeeze_pct),
        grain=grain,
        even=material.isotropic,
    )


class Frame:
    """The faces' cone coordinates at one flat: (a, omega_r, omega_i) with their derivatives.

    P (m, 5) are the sheet's parts.
    """

    def __init__(self, sheet: Sheet, P: Array, weave: Weave) -> None:
        panel = sheet.panel
        self.P, self.weave = P, weave
        if weave.even:
            self.omega = P[:, 3:]
            return
        turn = np.exp(-2j * weave.grain)[panel]
        self.e = (P[:, 1] + 1j * P[:, 2]) * turn
        omega = self.e * (P[:, 3] + 1j * P[:, 4])
        self.omega = np.column_stack([omega.real, omega.imag])
        self._spin = omega / np.maximum(P[:, 0], 1e-300)

    def changes(self, Q: Array) -> Array:
        """(m, 3) first-order change of (a, omega), Q (m, 5) being the parts of a step."""
        P = self.P
        along = Q[:, 0] * (Q[:, 1] * P[:, 1] + Q[:, 2] * P[:, 2])
        if self.weave.even:
            return np.column_stack([along, Q[:, 3:]])
        across = Q[:, 0] * (Q[:, 2] * P[:, 1] - Q[:, 1] * P[:, 2])
        change = self.e * (Q[:, 3] + 1j * Q[:, 4]) + 1j * self._spin * across
        return np.column_stack([along, change.real, change.imag])

    def forces(self, f: Array) -> Array:
        """Derivatives f (m, 3) by (a, omega), as `Sheet.pull_back` takes them."""
        if self.weave.even:
            return f
        g = np.conj(self.e) * (f[:, 1] + 1j * f[:, 2])
        twist = f[:, 2] * self._spin.real - f[:, 1] * self._spin.imag
        return np.column_stack([f[:, 0], g.real, g.imag, twist])

    def hessian(self, M: Array, twist: Array) -> Array:
        """Second derivatives M (m, 6) by (a, omega) and the twist, as `Sheet.add_hessian` has it."""
        if self.weave.even:
            return np.column_stack([M, twist])
        er, ei = self.e.real, self.e.imag
        t1, t2 = -self._spin.imag, self._spin.real

        def times(x: Array, y: Array) -> tuple[Array, Array]:
            return M[:, 3] * x + M[:, 4] * y, M[:, 4] * x + M[:, 5] * y

        r1, r2 = times(er, ei)
        j1, j2 = times(-ei, er)
        s1, s2 = times(t1, t2)
        return np.column_stack(
            [
                M[:, 0],
                M[:, 1] * er + M[:, 2] * ei,
                M[:, 2] * er - M[:, 1] * ei,
                er * r1 + ei * r2,
                er * j1 + ei * j2,
                er * j2 - ei * j1,
                t1 * s1 + t2 * s2 + twist,
                M[:, 1] * t1 + M[:, 2] * t2,
                er * s1 + ei * s2,
                er * s2 - ei * s1,
            ]
        )
