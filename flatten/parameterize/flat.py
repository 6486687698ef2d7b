"""Lays the panels of a ply flat, all at once, since partner edges couple them."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from flatten.parameterize.couplings import Couplings, make_sheet
from flatten.parameterize.dirichlet import descend, sigmas
from flatten.parameterize.orient import upright
from flatten.parameterize.peak import GAP, LeastPeak, least_peak
from flatten.parameterize.settle import close, settle
from flatten.parameterize.sheet import Sheet
from flatten.parameterize.start import signed_areas, start
from flatten.records.flat import Flat, FlatSet
from flatten.records.material import Material
from flatten.records.panels import PanelSet

Array = NDArray[np.float64]
Progress = Callable[[float], None]

# Strain below this (a part of one) is rounding; nothing is to be gained there.
NOTHING = 1e-7


def flatten_panels(
    panel_set: PanelSet, material: Material, *, ply: str, progress: Progress | None = None
) -> FlatSet:
    """Flats of all panels for one material: true size, outside up, the wearer's up +y, no flips.

    Every panel's worst strain is made as small as the material's limits weigh it, with partner
    edges of equal length at every vertex (their wanted ease aside).

    progress : called with the done part of the work, 0 to 1
    """
    say = progress or (lambda _: None)
    if not panel_set.panels:
        return FlatSet(ply=ply, material=material, panel_set=panel_set, flats=())
    with threadpool_limits(limits=1, user_api="blas"):
        U, notes = _solve(panel_set, material, say)
    flats = tuple(
        Flat(U=upright(panel.V, panel.F, flat), notes=tuple(note))
        for panel, flat, note in zip(panel_set.panels, U, notes, strict=True)
    )
    return FlatSet(ply=ply, material=material, panel_set=panel_set, flats=flats)


def _solve(
    panel_set: PanelSet, material: Material, say: Progress
) -> tuple[list[Array], list[list[str]]]:
    sheet, couplings = make_sheet(panel_set)
    U = np.concatenate([start(panel.V, panel.F)[0] for panel in panel_set.panels])
    say(0.1)
    notes: list[list[str]] = [[] for _ in panel_set.panels]
    sound = sheet.by_panel(signed_areas(sheet.F, U) <= 0) == 0
    if not sound.all():
        for i in np.flatnonzero(~sound):
            notes[i].append("no start without flipped faces was found; cut this panel open further")
    else:
        U = _refine(sheet, couplings, U, _ratio(material), notes, say)
    say(1.0)
    return np.split(U, sheet.start[1:-1]), notes


def _ratio(material: Material) -> float:
    """Stretch limit over squeeze limit, the mean of all directions."""
    a, b = material.stretch_pct, material.squeeze_pct
    return (a.warp + a.weft + 2 * a.bias) / (b.warp + b.weft + 2 * b.bias)


def _refine(
    sheet: Sheet,
    couplings: Couplings,
    U: Array,
    ratio: float,
    notes: list[list[str]],
    say: Progress,
) -> Array:
    U = descend(sheet, U, steps=3)
    say(0.2)
    if len(couplings.seams):
        U = settle(sheet, U, couplings)
    say(0.3)
    s1, s2 = sigmas(sheet.parts(U))
    apart = np.abs(couplings.seams.residual(U)).max(initial=0.0)
    if max(s1.max() - 1, 1 - s2.min()) < NOTHING and apart < NOTHING:
        return U

    def told(state: LeastPeak, _: float) -> None:
        done = 1 - np.log(max(float(state.gap().max()), GAP)) / np.log(GAP)
        say(0.3 + 0.6 * min(max(1 - done, 0.0), 1.0))

    state = least_peak(sheet, U, ratio, couplings, told=told)
    for note, gap in zip(notes, state.gap(), strict=True):
        if gap > 2 * GAP:
            note.append(f"stopped early: the peak may be up to {100 * gap:.0f} % above the least")
    return close(sheet, state.U, couplings)
