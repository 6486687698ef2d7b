"""A flat panel made ready to cut: net line, cut line, and all that is marked on it."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from flatten.records.arrays import lock, lock_fields
from flatten.records.drawing import Ink
from flatten.records.effort import Handwork
from flatten.records.flat import FlatSet
from flatten.records.material import Stock


@dataclass(frozen=True, eq=False, kw_only=True)
class NetEdge:
    """One border run on the template.

    points : (k, 2) mm, in the border's direction; consecutive edges share an end point
    name : the seam stretch's or rim's name; partner : the panel on the other side, "" at a rim
    joint, fixing : as this ply has them ("fold" for a folded dart); finish : how a rim ends
    under : whether it goes under in a lap
    allowance_mm : what was added outside it
    holes : how many stitch, lace or rivet holes run along it
    notches : (mm along the edge, ticks in the group) for every match mark
    bevels : (mm along the edge, half-angle from square in degrees) at steps; positive where the
        outer face is the longer one
    """

    name: str
    points: NDArray[np.float64]
    seam: int = -1
    side: int = 0
    joint: str = ""
    fixing: str = ""
    finish: str = ""
    partner: str = ""
    under: bool = False
    allowance_mm: float = 0.0
    holes: int = 0
    notches: tuple[tuple[float, int], ...] = ()
    bevels: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        lock_fields(self, points=lock(self.points, np.float64, None, 2, name="points"))


@dataclass(frozen=True, eq=False, kw_only=True)
class Hooping:
    """One field of an embroidery hoop on a template.

    of : the detail, or the piece, that it works on; number, count : which of how many
    corners : (4, 2) mm, lower left first, counterclockwise seen along the hoop's own up
    registers : (r, 2) mm, places that it shares with neighbouring fields
    angle_deg : how far the hoop is turned from level on the template
    """

    of: str
    number: int
    count: int
    corners: NDArray[np.float64]
    registers: NDArray[np.float64]
    angle_deg: float = 0.0

    def __post_init__(self) -> None:
        lock_fields(
            self,
            corners=lock(self.corners, np.float64, 4, 2, name="corners"),
            registers=lock(self.registers, np.float64, None, 2, name="registers"),
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class Template:
    """One piece to cut.

    Coordinates are those of its face: where `face` is "back" the flat is already mirrored in x.
    net : edges in order (counterclockwise on a "face" template, clockwise on a "back" one)
    cut : (k, 2) outer cut line, closed; inner : closed cut lines inside it (relief holes, cut-outs)
    ink : everything else on its layers (NET, NOTCH, HOLE, DETAIL, SCORE, GRAIN, LABEL; not CUT)
    grain_deg : direction of the grain line on the template
    fold : half a symmetric piece: `cut` from its first to its last point is cut, and what closes it
        lies on the fold of the cloth
    mirror_ink : the same for the second of a pair, mirrored, in its own words; () where it is the
        only one
    revision : under which it was last issued
    hoopings : the fields of the embroidery hoop, where the ply has one
    """

    name: str
    ply: str
    panel: str
    net: tuple[NetEdge, ...]
    cut: NDArray[np.float64]
    inner: tuple[NDArray[np.float64], ...] = ()
    ink: tuple[Ink, ...] = ()
    grain_deg: float = 90.0
    face: Literal["face", "back"] = "face"
    quantity: int = 1
    fold: bool = False
    notes: tuple[str, ...] = ()
    mirror_ink: tuple[Ink, ...] = ()
    revision: int = 1
    hoopings: tuple[Hooping, ...] = ()

    def __post_init__(self) -> None:
        lock_fields(self, cut=lock(self.cut, np.float64, None, 2, name="cut"))

    @property
    def piece(self) -> str:
        """What it is called within its ply."""
        return self.name.removeprefix(f"{self.ply} ")


@dataclass(frozen=True, eq=False, kw_only=True)
class TemplateSet:
    """All templates of one ply, and the flats they were made from.

    every : all of them, where `templates` are only those to be cut now; else ()
    panel_edges : the net edges of every panel, the outside up, by index; those of a panel that is
        cut from its twin's template too
    """

    flat_set: FlatSet
    templates: tuple[Template, ...]
    notes: tuple[str, ...] = ()
    panel_edges: tuple[tuple[NetEdge, ...], ...] = ()
    every: tuple[Template, ...] = ()

    @property
    def seam_edges(self) -> dict[tuple[int, int], NetEdge]:
        """The edge of every (seam, side)."""
        return {(e.seam, e.side): e for edges in self.panel_edges for e in edges if e.seam >= 0}

    @property
    def split_edges(self) -> list[tuple[Template, NetEdge]]:
        """Where pieces are put together of parts: each join once, with the part that comes first."""
        return [
            (template, edge)
            for template in self.templates
            for edge in template.net
            if edge.seam < 0
            and edge.partner
            and (len(template.piece), template.piece) < (len(edge.partner), edge.partner)
        ]


@dataclass(frozen=True, kw_only=True)
class Placement:
    """A template on the stock: turned about its own origin, then moved; `sheet` counts from 0."""

    template: int
    sheet: int
    at: tuple[float, float]
    angle_deg: float
    mirrored: bool = False


@dataclass(frozen=True, kw_only=True)
class Usage:
    """What a ply takes: sheets or length, and the share of it that ends up in pieces.

    buy : (what, how much), one row of buy.csv each
    cost : of the stock at its price; None where no price is given
    taken : (stock, sheets of it or mm of a roll)
    """

    sheets: int
    used_length_mm: float
    yield_pct: float
    cut_mm: float
    buy: tuple[tuple[str, str], ...] = ()
    cost: float | None = None
    taken: tuple[tuple[str, float], ...] = ()


WayKind = Literal["turn", "split", "other stock", "buy"]


@dataclass(frozen=True, kw_only=True)
class WayOut:
    """One way to lay what does not fit, planned and found to hold.

    words : what to do, as a sentence; cost : money, where a price is known
    minutes : more handwork it makes
    """

    kind: WayKind
    words: str
    cost: float | None = None
    minutes: float = 0.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Offcut:
    """What a plan leaves of a sheet, large enough to keep: in mm, the grain along x, from (0, 0).

    stock : what it is left of; outline (k, 2); holes : flaws and cut places inside it
    """

    stock: str
    material: str
    thickness_mm: float
    outline: NDArray[np.float64]
    holes: tuple[NDArray[np.float64], ...] = ()

    def __post_init__(self) -> None:
        lock_fields(self, outline=lock(self.outline, np.float64, None, 2, name="outline"))


@dataclass(frozen=True, eq=False, kw_only=True)
class LayPlan:
    """Where every template of a ply lies on its stock.

    stock : the first one's name
    sheet_sizes : (width, length) of each sheet; width lies along y, length (and the grain) along x
    sheet_stocks : what each sheet is of, as it is drawn
    unplaced : (template index, reason in words), empty when everything fits
    ways : what can be done about the unplaced, the cheapest first; each has been planned
    handwork : what cutting and joining the pieces takes
    offcuts : what is left and worth keeping
    """

    template_set: TemplateSet
    stock: str
    sheet_sizes: tuple[tuple[float, float], ...]
    placements: tuple[Placement, ...]
    usage: Usage
    sheet_stocks: tuple[Stock, ...] = ()
    unplaced: tuple[tuple[int, str], ...] = ()
    ways: tuple[WayOut, ...] = ()
    notes: tuple[str, ...] = ()
    handwork: Handwork | None = None
    offcuts: tuple[Offcut, ...] = ()
