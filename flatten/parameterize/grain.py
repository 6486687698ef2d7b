"""Which way the grain runs on each flat: the wearer's up, or where the strain suits it best."""

import numpy as np
from numpy.typing import NDArray

from flatten.parameterize import cones
from flatten.parameterize.peak import LeastPeak
from flatten.parameterize.sheet import Sheet
from flatten.parameterize.weave import Frame, Weave, weave_of
from flatten.records.material import Material

Array = NDArray[np.float64]

UP = np.pi / 2
# Candidates; the warp's direction has no sense, so half a turn is all.
TRIED = UP + np.radians(np.arange(-90.0, 90.0, 7.5))
POWER = 8  # the mean of so high a power stands for the worst place and is not led by one face


def promising_grain(sheet: Sheet, U: Array, material: Material) -> Array:
    """(p,) grain of every panel, radians, that suits its flat U (n, 2) best as it is."""
    weave = weave_of(material, np.full(sheet.panels, UP))
    P = sheet.parts(U)
    loads = np.empty((len(TRIED), sheet.panels))
    for i, angle in enumerate(TRIED):
        tried = weave_of(material, np.full(sheet.panels, angle))
        cone = np.column_stack([P[:, 0], Frame(sheet, P, tried).omega])
        stretch = 1 - (P[:, 0] - cones.radius(cone * [1, 1, weave.stretch.slack]))
        squeeze = P[:, 0] + cones.radius(cone * [1, 1, weave.squeeze.slack]) - 1
        load = np.maximum(stretch / weave.stretch.straight, squeeze / weave.squeeze.straight)
        loads[i] = sheet.by_panel(sheet.area * np.maximum(load, 0.0) ** POWER)
    return TRIED[np.argmin(loads, axis=0)]


def best_of(material: Material, first: LeastPeak, second: LeastPeak) -> Weave:
    """Each panel's grain from whichever of two solutions strains it less; the first unless by 1 %."""
    better = second.tau < 0.99 * first.tau
    return weave_of(material, np.where(better, second.weave.grain, first.weave.grain))
