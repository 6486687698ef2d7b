"""Lays panels that lie over themselves apart, where strain within the material's limits can.

The start is Tutte's embedding, which is convex; from there the mean distortion falls with a barrier
between the parts of the border that near one another, and the least peak is sought with the same
barrier. No step goes where a border crosses itself.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from flatten.parameterize.contact import Contacts
from flatten.parameterize.couplings import FAIRNESS, Couplings
from flatten.parameterize.dirichlet import derivatives, energies, search, sigmas
from flatten.parameterize.outline import Outline
from flatten.parameterize.overlap import over_itself, overlap_note
from flatten.parameterize.peak import LeastPeak, Step
from flatten.parameterize.settle import close, settle
from flatten.parameterize.sheet import Sheet
from flatten.parameterize.start import signed_areas, true_size
from flatten.parameterize.tutte import tutte
from flatten.parameterize.weave import Weave
from flatten.records.material import Material
from flatten.records.panels import Panel, PanelSet

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

BARRIER = 1e-3  # what one touching pair weighs against a panel's mean distortion
STEPS = 60
UNROLL_STEPS = 200
DISC_MM2 = 25 * np.pi  # strain counts where it covers a disc of 5 mm radius
# A panel within its limits may be strained up to them to lie apart, another so much more.
WORSE = 1.1


@dataclass(frozen=True, eq=False, kw_only=True)
class Apart:
    """Flats U (n, 2) with what could be laid apart so, the gap (p,) of each and why it is left,
    notes by panel."""

    U: Array
    gap: Array
    stopped: str
    notes: dict[int, str]


class ApartOutline(Outline):
    """The outlines' turning with the barrier between their parts added."""

    def __init__(self, panels: tuple[Panel, ...], start: Ints, contacts: Contacts) -> None:
        super().__init__(panels, start)
        self.contacts = contacts

    def energy(self, U: Array) -> float:
        return super().energy(U) + BARRIER / FAIRNESS * self.contacts.energy(U)

    def add(self, sheet: Sheet, U: Array, weight: float) -> None:
        super().add(sheet, U, weight)
        self.contacts.add(sheet, U, BARRIER / FAIRNESS * weight)

    def pull_back(self, U: Array, weight: float, out: Array) -> None:
        super().pull_back(U, weight, out)
        self.contacts.pull_back(U, BARRIER / FAIRNESS * weight, out)


class ApartPeak(LeastPeak):
    """The least peak, by steps that take no border over itself."""

    def __init__(
        self, sheet: Sheet, U: Array, weave: Weave, couplings: Couplings, contacts: Contacts
    ) -> None:
        super().__init__(sheet, U, weave, couplings)
        self.contacts = contacts

    def _take(self, t: float, step: Step) -> float:
        while t > 1e-6 and self.contacts.crossed(self.U + t * step.D):
            t *= 0.7
        return super()._take(t, step)


def lay_apart(
    panel_set: PanelSet,
    sheet: Sheet,
    couplings: Couplings,
    U: Array,
    gap: Array,
    stopped: str,
    weave: Weave,
    material: Material,
) -> Apart:
    """Flats U (n, 2) without those lying over themselves that strain within limits can part.

    gap : (p,) how far each panel's peak may be above the least; stopped : why. What stays over
    itself keeps its flat and gets a note that says where a cut would part it.
    """
    panels = panel_set.panels
    flats = np.split(U, sheet.start[1:-1])
    over = [
        k for k, (p, flat) in enumerate(zip(panels, flats, strict=True)) if over_itself(p, flat)
    ]
    notes: dict[int, str] = {}
    if not over:
        return Apart(U=U, gap=gap, stopped=stopped, notes=notes)
    before = _disc_loads(sheet, U, material)
    todo = list(over)
    while todo:
        found = _together(panels, sheet, couplings, U, weave, todo)
        if found is None:
            break
        after = _disc_loads(sheet, found.U, material)
        fit = [k for k in todo if after[k] <= max(1.0, WORSE * before[k])]
        for k in todo:
            notes[k] = _laid(before[k], after[k]) if k in fit else _not_laid(after[k])
        if len(fit) == len(todo):
            U, gap, stopped = found.U, found.gap, found.stopped
            flats = np.split(U, sheet.start[1:-1])
            break
        todo = fit
    for k in over:
        note = overlap_note(panels[k], flats[k], panel_set.cast, panel_set.offset_mm)
        if note is not None:
            notes[k] = "; ".join(x for x in (note, notes.get(k)) if x)
    return Apart(U=U, gap=gap, stopped=stopped, notes=notes)


def _laid(before: float, after: float) -> str:
    now, then = f"{100 * after:.0f}", f"{100 * before:.0f}"
    rather = f" instead of {then} %" if now != then else ", no more than before"
    return (
        "would lie over itself at the least strain; laid apart, which takes"
        f" {now} % of what the material can do{rather}"
    )


def _not_laid(after: float) -> str:
    return f"strain alone would part it at {100 * after:.0f} % of what the material can do"


def _together(
    panels: tuple[Panel, ...],
    sheet: Sheet,
    couplings: Couplings,
    U: Array,
    weave: Weave,
    some: list[int],
) -> Apart | None:
    """All panels solved anew with some of them kept from lying over themselves."""
    U = U.copy()
    for k in some:
        part = slice(int(sheet.start[k]), int(sheet.start[k + 1]))
        begin = embedded(panels[k])
        if begin is None:
            return None
        U[part] = _turned_like(unroll(panels[k], begin), U[part])
    contacts = Contacts([panels[k] for k in some], [int(sheet.start[k]) for k in some])
    outline = ApartOutline(panels, sheet.start, contacts)
    tied = replace(couplings, outline=outline)

    tied.couple(sheet, contacts.wanted(U))
    if len(tied.seams):
        U = settle(sheet, U, tied)
    state = ApartPeak(sheet, U, weave, tied, contacts)
    for _ in range(STEPS):
        U = state.U
        if not contacts.bound(U):
            tied.couple(sheet, contacts.wanted(U))
        if not state.advance():
            break
    U = close(sheet, state.U, tied)
    return (
        None
        if contacts.crossed(U)
        else Apart(U=U, gap=state.gap(), stopped=state.stopped, notes={})
    )


def _disc_loads(sheet: Sheet, U: Array, material: Material) -> Array:
    """(p,) strain over limit of each panel, at the worst place as large as a disc of 5 mm radius."""
    s1, s2 = sigmas(sheet.parts(U))
    stretch, squeeze = material.stretch_pct, material.squeeze_pct
    with np.errstate(divide="ignore"):
        load = np.maximum(
            (1 / s2 - 1) * 100 / min(stretch.warp, stretch.weft),
            (1 - 1 / s1) * 100 / min(squeeze.warp, squeeze.weft),
        )
    load[sheet.loose] = 0.0
    order = np.lexsort((-load, sheet.panel))
    covered = np.cumsum(sheet.area[order])
    covered -= (covered - sheet.area[order])[sheet.face_start[:-1]][sheet.panel[order]]
    total = sheet.by_panel(sheet.area)[sheet.panel[order]]
    counts = covered >= np.minimum(DISC_MM2, 0.5 * total)
    return sheet.worst(np.where(counts, load[order], 0.0))


def _turned_like(U: Array, other: Array) -> Array:
    """U (n, 2) turned and moved onto another flat of the same panel as nearly as may be."""
    middle = other.mean(axis=0)
    u, v = U - U.mean(axis=0), other - middle
    turn = np.conj(u[:, 0] + 1j * u[:, 1]) @ (v[:, 0] + 1j * v[:, 1])
    angle = np.angle(turn)
    c, s = np.cos(angle), np.sin(angle)
    return u @ np.array([[c, s], [-s, c]]) + middle


def embedded(panel: Panel) -> Array | None:
    """U (n, 2) of a panel, convex, neither flipped nor over itself; None where none was found."""
    F = np.asarray(panel.F, dtype=np.int64)
    for even in (False, True):
        U = tutte(panel.V, F, even=even)
        if signed_areas(F, U).min() > 0:
            return true_size(panel.V, F, U)
    return None


def unroll(panel: Panel, U: Array) -> Array:
    """U (n, 2) lowered in mean distortion from a start that is not over itself, kept so."""
    sheet = Sheet([(panel.V, panel.F)])
    contacts = Contacts([panel], [0])
    sheet.couple(contacts.wanted(U))
    weight = sheet.area / sheet.area.sum()
    P = sheet.parts(U)

    def merit(U: Array, P: Array) -> float:
        e = float(energies(sheet, P)[0])
        return e + BARRIER * contacts.energy(U) if np.isfinite(e) else np.inf

    E = merit(U, P)
    for _ in range(UNROLL_STEPS):
        if not contacts.bound(U):
            sheet.couple(contacts.wanted(U))
        by, second = derivatives(P, weight)
        gradient = sheet.pull_back(P, by)
        sheet.factor.clear()
        sheet.add_hessian(P, second)
        contacts.add(sheet, U, BARRIER)
        contacts.pull_back(U, BARRIER, gradient)
        sheet.add_floor(1e-9)
        if not sheet.factor.factor():
            break
        D = -sheet.factor.solve(gradient.ravel()).reshape(-1, 2)
        found = search(sheet, U, D, gradient, merit, E, tries=40)
        if found is None:
            break
        gain = E - found.merit
        t, U, P, E = found.t, found.U, found.P, found.merit
        if gain < 1e-6 * max(E - 4.0, 1e-4) and t > 0.1:
            break
    return U
