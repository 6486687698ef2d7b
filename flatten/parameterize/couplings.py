"""What ties the flats' vertices together beyond the faces: partner edges and fair outlines."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from flatten.parameterize.lengths import border_lengths, edge_lengths
from flatten.parameterize.outline import Outline
from flatten.parameterize.rims import rim_corners
from flatten.parameterize.seams import SeamEquations
from flatten.parameterize.sheet import Sheet
from flatten.parameterize.straight import StraightEdge, straight_edges, straight_wishes
from flatten.parameterize.stretch import EdgeStretch
from flatten.parameterize.wishes import Wish
from flatten.parameterize.zones import Zone, zone_wishes, zones_of
from flatten.records.panels import PanelSet

Ints = NDArray[np.int64]

FAIRNESS = 0.3  # mm: what a wave in an outline weighs against the panels' distortion


@dataclass(frozen=True, eq=False, kw_only=True)
class Couplings:
    """The seams' equations, the outlines' turning, the edges' stretch and the flats' wishes.

    straight : the closures' edges that should come out straight; zones : what must not stretch,
    whose wishes are the last where there are any
    """

    seams: SeamEquations
    outline: Outline
    stretch: EdgeStretch
    wishes: tuple[Wish, ...] = ()
    straight: tuple[StraightEdge, ...] = ()
    zones: tuple[Zone, ...] = ()

    def couple(self, sheet: Sheet, *more: Ints) -> None:
        """Makes the sheet's pattern, with more vertex pairs (k, 2), and finds the places in it."""
        ties = (self.seams, self.outline, self.stretch, *self.wishes)
        sheet.couple(*(tie.pairs for tie in ties), *more)
        for tie in ties:
            tie.bind(sheet)

    def without_zones(self) -> "Couplings":
        return replace(self, wishes=self.wishes[:-1], zones=())


def make_sheet(
    panel_set: PanelSet, closures: frozenset[int] = frozenset()
) -> tuple[Sheet, Couplings]:
    """All panels of a set as one sheet, coupled by their seams; closures are indices of seams."""
    meshes = [(panel.V, panel.F) for panel in panel_set.panels]
    sheet = Sheet(meshes)
    around = border_lengths(panel_set.panels)
    wishes: list[Wish] = [edge_lengths(panel_set, sheet.start, around)]
    corners = rim_corners(panel_set, sheet.start, around)
    if len(corners.rows):
        wishes.append(corners)
    straight = straight_edges(panel_set, sheet.start, closures)
    if straight:
        wishes.append(straight_wishes(straight, sheet.V, around))
    zones = zones_of(panel_set)
    if zones:
        wishes.append(zone_wishes(zones, sheet.V, sheet.start, around))
    couplings = Couplings(
        seams=SeamEquations(panel_set, sheet.start),
        outline=Outline(panel_set.panels, sheet.start),
        stretch=EdgeStretch(panel_set, sheet.start, around),
        wishes=tuple(wishes),
        straight=straight,
        zones=zones,
    )
    couplings.couple(sheet)
    return sheet, couplings
