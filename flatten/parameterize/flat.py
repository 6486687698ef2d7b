"""Lays the panels of a ply flat, all at once, since partner edges couple them."""

from collections.abc import Callable

import numpy as np

from flatten.parameterize.dirichlet import descend
from flatten.parameterize.orient import upright
from flatten.parameterize.sheet import Sheet
from flatten.parameterize.start import start
from flatten.records.flat import Flat, FlatSet
from flatten.records.material import Material
from flatten.records.panels import PanelSet

Progress = Callable[[float], None]


def flatten_panels(
    panel_set: PanelSet, material: Material, *, ply: str, progress: Progress | None = None
) -> FlatSet:
    """Flats of all panels for one material: true size, outside up, the wearer's up +y, no flips.

    progress : called with the done part of the work, 0 to 1
    """
    say = progress or (lambda _: None)
    meshes = [(panel.V, panel.F) for panel in panel_set.panels]
    if not meshes:
        return FlatSet(ply=ply, material=material, panel_set=panel_set, flats=())
    sheet = Sheet(meshes, np.zeros((0, 2), dtype=np.int64))
    U = np.concatenate([start(V, F)[0] for V, F in meshes])
    say(0.2)
    U = descend(sheet, U)
    say(1.0)
    flats = tuple(
        Flat(U=upright(V, F, U[low:high]))
        for (V, F), low, high in zip(meshes, sheet.start[:-1], sheet.start[1:], strict=True)
    )
    return FlatSet(ply=ply, material=material, panel_set=panel_set, flats=flats)
