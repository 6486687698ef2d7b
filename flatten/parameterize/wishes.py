"""What the flats should keep beside the least strain, each within a tolerance and at a price.

A wish is a function r of the flats, in mm, with |r| <= tolerance + excess, excess >= 0. A
millimetre of excess has a price in strain, so that a wish is met exactly where that costs less
strain, and is missed by no more than pays otherwise (an exact penalty: Nocedal & Wright,
Numerical Optimization, 2006, ch. 17.2). The excess is eliminated row by row.
"""

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from flatten.parameterize.rows import Rows
from flatten.parameterize.sheet import Sheet

Array = NDArray[np.float64]


class Wish(Protocol):
    """Functions of the flats that should be near zero: see `lengths.Lengths` for the fields."""

    rows: Rows
    tolerance: Array
    price: Array
    panel: NDArray[np.int64]

    @property
    def pairs(self) -> NDArray[np.int64]: ...
    def bind(self, sheet: Sheet) -> None: ...
    def residual(self, U: Array) -> Array: ...
    def gradient(self, U: Array) -> Array: ...
    def add_bend(self, sheet: Sheet, U: Array, force: Array) -> None: ...


class Slack:
    """The state of a wish in an interior point method: distances g (r, 3) and multipliers z (r, 3).

    g are the ways left above, below and of the excess; z their forces, which add up to the price
    at the end. prices (p,) : what a panel's missed wishes cost, at the panel that spares strain least
    """

    def __init__(self, wish: Wish, U: Array, prices: Array) -> None:
        self.wish, self.panel = wish, wish.panel[:, 0]
        self.cost = self._costs(prices)
        f = wish.residual(U)
        self.g, self.z = self._middle(f, 0.3 * self.cost * (wish.tolerance + np.abs(f)))

    def _middle(self, f: Array, mu: Array) -> tuple[Array, Array]:
        """g and z of complementarity mu (r,) whose forces add up to the price."""
        low = np.maximum(np.abs(f) - self.wish.tolerance, 0.0)
        high = low + 3 * mu / self.cost
        for _ in range(60):
            e = 0.5 * (low + high)
            g = self.distances(f, e)
            heavy = (mu[:, None] / np.maximum(g, 1e-300)).sum(axis=1) > self.cost
            low, high = np.where(heavy, e, low), np.where(heavy, high, e)
        g = self.distances(f, high)
        return g, mu[:, None] / g

    def _costs(self, prices: Array) -> Array:
        """(r,) what a millimetre of excess costs."""
        return prices[self.wish.panel].min(axis=1) * self.wish.price

    def _reprice(self, prices: Array) -> None:
        """Takes other prices, the forces still adding up: a rise goes to the excess's own force,
        which moves no flat by itself."""
        before, self.cost = self.cost, self._costs(prices)
        self.z = self.z * np.minimum(self.cost / before, 1.0)[:, None]
        self.z[:, 2] += np.maximum(self.cost - before, 0.0)

    def gap(self) -> Array:
        """(r,) how far each wish's part may be from its optimum, in parts of tau, at a price of 1."""
        left = (self.g * self.z).sum(axis=1)
        left += self.g[:, 2] * np.abs(self.cost - self.z.sum(axis=1))
        return left / self.cost * self.wish.price

    def mu(self, t: float, t_z: Array, dg: Array, dz: Array, panels: int) -> Array:
        """(panels,) mean complementarity after t of dg and t_z (r,), at most 1, of dz."""
        product = (self.g + t * dg) * (self.z + np.minimum(t_z, 1.0)[:, None] * dz)
        count = 3 * np.bincount(self.panel, minlength=panels)
        total = np.bincount(self.panel, product.sum(axis=1), panels)
        return np.maximum(total, 1e-300) / np.maximum(count, 1)

    def distances(self, f: Array, excess: Array) -> Array:
        reach = self.wish.tolerance + excess
        return np.column_stack([reach - f, reach + f, excess])

    def at(self, U: Array, excess: Array) -> Array:
        """The distances (r, 3) at another flat and excess."""
        return self.distances(self.wish.residual(U), excess)

    def prepare(self, U: Array, prices: Array) -> None:
        """Gradients and weights for one step from U."""
        self._reprice(prices)
        self.f, self.G = self.wish.residual(U), self.wish.gradient(U)
        self.w = self.z / self.g

    def add(self, sheet: Sheet, U: Array) -> None:
        """Adds the wishes' part to the sheet's matrix."""
        self.wish.rows.add_outer(sheet, self.G, self.stiffness())
        self.wish.add_bend(sheet, U, self.z[:, 0] - self.z[:, 1])

    def stiffness(self) -> Array:
        w = self.w
        return w[:, 0] + w[:, 1] - (w[:, 0] - w[:, 1]) ** 2 / w.sum(axis=1)

    def force(self, aim: Array) -> Array:
        """(r,) force on the flat when the forces on g become aim (r, 3), but for the stiffness."""
        lean = (self.w[:, 0] - self.w[:, 1]) / self.w.sum(axis=1)
        return aim[:, 0] - aim[:, 1] - lean * (aim.sum(axis=1) - self.cost)

    def moved(self, D: Array) -> Array:
        """(r,) first-order change of the functions along D (n, 2)."""
        return (self.G * D[self.wish.rows.vertices]).sum(axis=(1, 2))

    def step(self, aim: Array, df: Array) -> tuple[Array, Array]:
        """(r, 3) changes of g and of z that go with a change df (r,) of the functions."""
        w = self.w
        de = (aim.sum(axis=1) - self.cost + (w[:, 0] - w[:, 1]) * df) / w.sum(axis=1)
        dg = np.column_stack([de - df, de + df, de])
        return dg, aim - self.z - w * dg


def reach(g: Array, d: Array) -> Array:
    """(r,) step along d at which a row of g (r, 3) loses its first distance; inf where never."""
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(d < 0, -g / d, np.inf)
    return t.min(axis=1, initial=np.inf)
