"""What ties the flats' vertices together beyond the faces: partner edges and fair outlines."""

from dataclasses import dataclass

from flatten.parameterize.lengths import Lengths, edge_lengths
from flatten.parameterize.outline import Outline
from flatten.parameterize.seams import SeamEquations
from flatten.parameterize.sheet import Sheet
from flatten.records.panels import PanelSet

FAIRNESS = 0.1  # mm: what a wave in an outline weighs against the panels' distortion


@dataclass(frozen=True, eq=False, kw_only=True)
class Couplings:
    """The seams' equations and the outlines' turning, over one sheet."""

    seams: SeamEquations
    outline: Outline
    wishes: tuple[Lengths, ...] = ()


def make_sheet(panel_set: PanelSet) -> tuple[Sheet, Couplings]:
    """All panels of a set as one sheet, coupled by their seams."""
    meshes = [(panel.V, panel.F) for panel in panel_set.panels]
    sheet = Sheet(meshes)
    couplings = Couplings(
        seams=SeamEquations(panel_set, sheet.start),
        outline=Outline(panel_set.panels, sheet.start),
        wishes=(edge_lengths(panel_set, sheet.start),),
    )
    sheet.couple(
        couplings.seams.pairs, couplings.outline.pairs, *(w.pairs for w in couplings.wishes)
    )
    for wish in couplings.wishes:
        wish.bind(sheet)
    couplings.seams.bind(sheet)
    couplings.outline.bind(sheet)
    return sheet, couplings
