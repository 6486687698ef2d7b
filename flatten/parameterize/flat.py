"""Lays the panels of a ply flat, all at once, since partner edges couple them."""

from collections.abc import Callable, Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from flatten.parameterize.apart import lay_apart
from flatten.parameterize.couplings import Couplings, make_sheet
from flatten.parameterize.dirichlet import descend, sigmas
from flatten.parameterize.grain import UP, best_grain, grain_note
from flatten.parameterize.mirrored import mirror_flats
from flatten.parameterize.orient import upright
from flatten.parameterize.peak import GAP, NEAR_ENOUGH, LeastPeak, least_peak, loads
from flatten.parameterize.settle import close, settle
from flatten.parameterize.sheet import Sheet
from flatten.parameterize.start import signed_areas, start
from flatten.parameterize.straight import carries_closure, straight_notes
from flatten.parameterize.weave import Weave, weave_of
from flatten.parameterize.zones import zone_notes
from flatten.records.flat import Flat, FlatSet
from flatten.records.material import Material
from flatten.records.panels import Panel, PanelSet

Array = NDArray[np.float64]
Progress = Callable[[float], None]

# Strain below this (a part of one) is rounding; nothing is to be gained there.
NOTHING = 1e-7
NO_START = "no start without flipped faces was found; cut this panel open further"


def flatten_panels(
    panel_set: PanelSet,
    material: Material,
    *,
    ply: str,
    closures: Collection[int] | None = None,
    progress: Progress | None = None,
) -> FlatSet:
    """Flats of all panels for one material: true size, outside up, the wearer's up +y, no flips.

    Every panel's worst strain is made as small as the material's limits weigh it, with partner
    edges of equal length at every vertex (their wanted ease aside).

    closures : the seams (indices) that will be laced or closed, which should come out straight
        where they are straight on the cast; those of the lines' own joints where left out
    progress : called with the done part of the work, 0 to 1
    """
    done = 0.0

    def say(part: float) -> None:
        nonlocal done
        if progress is not None and part > done:
            done = part
            progress(part)

    if not panel_set.panels:
        return FlatSet(ply=ply, material=material, panel_set=panel_set, flats=())
    if closures is None:
        seams = enumerate(panel_set.seams)
        closures = [i for i, seam in seams if carries_closure(seam.joint, seam.fixing)]
    with threadpool_limits(limits=1, user_api="blas"):
        flats = _solve(panel_set, material, frozenset(closures), say)
    say(1.0)
    return FlatSet(ply=ply, material=material, panel_set=panel_set, flats=flats)


def _solve(
    panel_set: PanelSet, material: Material, closures: frozenset[int], say: Progress
) -> tuple[Flat, ...]:
    panels = panel_set.panels
    sheet, couplings = make_sheet(panel_set, closures)
    starts = [start(panel.V, panel.F) for panel in panels]
    U = np.concatenate([flat for flat, _ in starts])
    say(0.1)
    sound = sheet.by_panel(signed_areas(sheet.F, U) <= 0) == 0
    if not sound.all():
        flats = zip(panels, np.split(U, sheet.start[1:-1]), sound, strict=True)
        return tuple(
            Flat(U=upright(panel.V, panel.F, flat), notes=() if good else (NO_START,))
            for panel, flat, good in flats
        )
    far = any(how == "embedding" for _, how in starts)
    if far:
        U = descend(sheet, U, steps=60, tolerance=1e-3)
    say(0.2)
    U = settle(sheet, U, couplings, steps=1)
    if not weave_of(material, np.full(sheet.panels, UP)).even:
        U = _stand(panels, sheet, U)
    say(0.3)
    begun = U
    found = _refine(panels, sheet, couplings, U, material, say)
    weave = found.weave
    apart = lay_apart(
        panel_set, sheet, couplings, found.U, found.gap, found.stopped, weave, material
    )
    U, gap = apart.U, apart.gap
    if weave.even:
        U = _stand(panels, sheet, U)
    said = straight_notes(couplings.straight, U, sheet.panels)
    if any(mark.no_stretch for panel in panels for mark in panel.marks):
        said = [
            [*one, *other]
            for one, other in zip(
                said, _zone_notes(panel_set, sheet, couplings, begun, U, weave), strict=True
            )
        ]
    return tuple(
        Flat(
            U=flat - 0.5 * (flat.min(axis=0) + flat.max(axis=0)),
            grain_deg=round(float(np.degrees(grain)), 6),
            above_least_pct=round(100 * float(g), 2),
            stopped=apart.stopped,
            notes=(*_notes(g, apart.stopped, apart.notes.get(k)), *found.notes[k], *said[k]),
        )
        for k, (flat, grain, g) in enumerate(
            zip(
                mirror_flats(panels, np.split(U, sheet.start[1:-1]), weave.grain),
                weave.grain,
                gap,
                strict=True,
            )
        )
    )


def _zone_notes(
    panel_set: PanelSet, sheet: Sheet, couplings: Couplings, begun: Array, U: Array, weave: Weave
) -> list[list[str]]:
    """What the no-stretch zones came to; what they cost shows beside a solution without them."""
    load = without = np.zeros(sheet.panels)
    if couplings.zones:
        load = loads(sheet, U, weave)
        free = least_peak(sheet, begun, weave, couplings.without_zones())
        without = loads(sheet, free.U, weave)
    flats = np.split(U, sheet.start[1:-1])
    return zone_notes(panel_set, couplings.zones, flats, load, without)


def _stand(panels: tuple[Panel, ...], sheet: Sheet, U: Array) -> Array:
    """U (n, 2) with every flat turned so that the wearer's up is +y."""
    flats = np.split(U, sheet.start[1:-1])
    turned = [upright(p.V, p.F, flat) for p, flat in zip(panels, flats, strict=True)]
    return np.concatenate(turned)


def _notes(gap: float, stopped: str, apart: str | None) -> tuple[str, ...]:
    notes = []
    if gap > 2 * GAP:
        notes.append(
            f"stopped early, as {stopped}: the worst strain may be up to {100 * gap:.0f} % above the"
            " least possible"
        )
    if apart is not None:
        notes.append(apart)
    return tuple(notes)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Refined:
    """Flats U (n, 2) of least peak, how far above the optimum each may be (p,), as a part of it,
    and why, their grain, and notes by panel."""

    U: Array
    gap: Array
    stopped: str
    weave: Weave
    notes: list[list[str]]


def _refine(
    panels: tuple[Panel, ...],
    sheet: Sheet,
    couplings: Couplings,
    U: Array,
    material: Material,
    say: Progress,
) -> _Refined:
    """The flats of least peak; a grain that is free runs where it strains each panel least."""
    weave = weave_of(material, np.full(sheet.panels, UP))
    notes: list[list[str]] = [[] for _ in panels]
    s1, s2 = sigmas(sheet.parts(U))
    apart = np.abs(couplings.seams.residual(U)).max(initial=0.0)
    if max(s1.max() - 1, 1 - s2.min()) < NOTHING and apart < NOTHING:
        return _Refined(
            U=U, gap=np.zeros(sheet.panels), stopped=NEAR_ENOUGH, weave=weave, notes=notes
        )

    def told(state: LeastPeak) -> None:
        left = np.log(max(float(state.gap().max()), GAP) / GAP) / np.log(1 / GAP)
        say(0.3 + 0.6 * min(max(1 - left, 0.0), 1.0))

    if weave.even or material.grain != "free":
        state = least_peak(sheet, U, weave, couplings, told=told)
    else:
        grain = best_grain(panels, sheet, U, material, couplings, told)
        weave = weave_of(material, grain.angle)
        state = least_peak(sheet, U, weave, couplings, told=told)
        for k, load in enumerate(state.loads()):
            if grain.angle[k] != UP:
                notes[k].append(grain_note(grain.angle[k] - UP, load, grain.upright[k]))
    U = close(sheet, state.U, couplings)
    return _Refined(U=U, gap=state.gap(), stopped=state.stopped, weave=weave, notes=notes)
