"""Which way the grain runs on each flat: the wearer's up, or where the panel strains least.

The least peak is sought, roughly, with the grain in directions all round, for all panels at once;
a parabola through the best direction and its neighbours tells the best between them.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.parameterize.couplings import Couplings
from flatten.parameterize.mirrored import mirror_partner
from flatten.parameterize.peak import LeastPeak, least_peak
from flatten.parameterize.sheet import Sheet
from flatten.parameterize.weave import weave_of
from flatten.records.material import Limit, Material
from flatten.records.panels import Panel

Array = NDArray[np.float64]

UP = np.pi / 2
APART_DEG = 22.5  # between the directions that are tried
ROUGH = 0.1  # of tau: how near to the optimum tells one direction from another
WORTH = 0.01  # of the worst strain: for less the grain stays upright


@dataclass(frozen=True, eq=False, kw_only=True)
class Grain:
    """The best direction of each panel's grain on its flat (p,), radians.

    upright (p,) : about what the panel's load is with the grain upright
    """

    angle: Array
    upright: Array


def best_grain(
    panels: tuple[Panel, ...],
    sheet: Sheet,
    U: Array,
    material: Material,
    couplings: Couplings,
    told: Callable[[LeastPeak], None],
) -> Grain:
    """The grain that strains every panel least, from flats U (n, 2) that stand upright."""
    square = _square(material.stretch_pct) and _square(material.squeeze_pct)
    period = 90.0 if square else 180.0
    tried = np.arange(0.0, period, APART_DEG)
    loads = np.empty((len(tried), sheet.panels))
    for i, turn in enumerate(tried):
        weave = weave_of(material, np.full(sheet.panels, UP + np.radians(turn)))
        loads[i] = least_peak(sheet, U, weave, couplings, near=ROUGH, told=told).loads()
    turn = np.zeros(sheet.panels)
    for k, panel in enumerate(panels):
        own = loads[:, k]
        twin = mirror_partner(panel, panels)
        if twin is not None:
            # Mirror images get mirrored grain, whatever the solver's last digits.
            own = 0.5 * (own + np.roll(loads[::-1, twin[0]], 1))
        if own.min() < (1 - WORTH) * own[0]:
            turn[k] = lowest(own, APART_DEG)
    turn = np.where(turn > 0.5 * period, turn - period, turn)
    return Grain(angle=UP + np.radians(turn), upright=loads[0])


def grain_note(turn: float, load: float, upright: float) -> str:
    """What to say of a grain turned by an angle, radians, from upright, for which loads."""
    degrees, side = abs(np.degrees(turn)), "left" if turn > 0 else "right"
    return (
        f"the grain, seen from outside, is turned {degrees:.0f}° to the {side} of upright: the worst"
        f" strain is {load:.2f} times its limit, upright it would be about {upright:.2f}"
    )


def lowest(values: Array, step: float) -> float:
    """Where a periodic function with `values` (k,) at 0, step, 2 step... is lowest, in whole units.

    Of equally low places the one nearest to 0 in either direction.
    """
    k = len(values)
    near = np.flatnonzero(values <= values.min() * (1 + 1e-6))
    i = int(near[np.argmin(np.minimum(near, k - near))])
    before, here, after = values[i - 1], values[i], values[(i + 1) % k]
    bend = before - 2 * here + after
    off = 0.5 * (before - after) / bend if bend > 0 else 0.0
    # Half a degree goes the same way on both sides of 0, so that mirror images stay so.
    signed = step * (i + off - (k if i > k / 2 else 0))
    return float(np.sign(signed) * np.floor(abs(signed) + 0.5)) % (k * step)


def _square(limit: Limit) -> bool:
    """Whether warp and weft may be exchanged."""
    return limit.warp == limit.weft
