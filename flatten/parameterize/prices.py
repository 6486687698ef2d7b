"""What a missed wish costs: much where a panel has strain to spare, little at its material's limits.

A price is a parameter of every step, not a function that is minimised, lest more strain should pay
by making wishes cheap. It follows the panel's load, which follows the price; each time it would turn
back it may move half as fast, so that both settle.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

DEARER = 8.0  # where strain is to be had, beside where it is not
EASY, HARD = 0.85, 1.0  # loads between which the price falls


class Prices:
    """The prices now (p,) of panels, `least` where they are at their limits."""

    def __init__(self, loads: Array, least: float) -> None:
        self._least, self._log = least, _wanted(loads)
        self._pace = np.full(len(loads), np.log(DEARER))
        self._way = np.zeros(len(loads))

    @property
    def now(self) -> Array:
        return self._least * np.exp(self._log)

    def follow(self, loads: Array) -> None:
        """Moves the prices toward those for other loads (p,)."""
        move = _wanted(loads) - self._log
        self._pace = np.where(move * self._way < 0, 0.5 * self._pace, self._pace)
        self._way = np.where(move == 0, self._way, np.sign(move))
        self._log = self._log + np.clip(move, -self._pace, self._pace)


def _wanted(loads: Array) -> Array:
    """(p,) logarithm of the price over the least one."""
    x = np.clip((loads - EASY) / (HARD - EASY), 0.0, 1.0)
    return np.log(DEARER + (1 - DEARER) * x * x * (3 - 2 * x))
