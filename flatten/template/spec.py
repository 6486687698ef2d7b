"""What the user may ask of the templates, with the defaults of the trade."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

Finish = Literal["raw", "bevelled", "bound", "turned", "piped"]
FINISHES: tuple[Finish, ...] = get_args(Finish)


@dataclass(frozen=True, kw_only=True)
class StitchChoice:
    """A user's own hole row along a line; None keeps what the material's family suggests.

    pitch_mm : between holes; inside_mm : from the edge (0: on the net line)
    hole_mm : diameter; rows : 1, or 2 for a paired row one pitch farther in
    """

    pitch_mm: float | None = None
    inside_mm: float | None = None
    hole_mm: float | None = None
    rows: int | None = None


@dataclass(frozen=True, kw_only=True)
class Alter:
    """A change found at the fitting: a seam let out, or a rim moved.

    line : the seam's line, a stretch of it, or a rim
    by_mm : outward on every side of the seam; negative takes in
    start, end : where along the stretch, as fractions in the seam's (or rim's) direction; between
        an end inside the edge and 15 % of the edge farther in, the change fades in
    """

    line: str
    by_mm: float
    start: float = 0.0
    end: float = 1.0


@dataclass(frozen=True, kw_only=True)
class TemplateSpec:
    """What goes on the templates of a job. Mappings go by line or rim name, "*" for all others.

    date : as it is to be printed, None for no date (so that the same job gives the same drawing)
    beneath_mm : thickness of the plies beneath this one, for edges turned round them
    turn_mm : what a turned edge takes beyond that thickness
    rim_finish : how rims end; left out: turned for cloth with an allowance and for covers, else raw
    binding_join_mm : what a binding needs beyond the rim's own length
    stitch : hole rows; facing_mm : width of the facing behind a gap; detail_pieces : patterns of
    the closed details that are cut as pieces of their own
    dart_stop_mm : how far short of its point a folded dart is sewn
    relief_mm : diameter of the hole at a leather dart's point
    topstitch : lines of stitching, mm inside the edge
    one_per_pair : one template for two panels that are mirror images, quantity 2
    pair_tolerance_mm : how nearly they must be
    """

    title: str = ""
    wearer: str = ""
    revision: int = 1
    date: str | None = None
    beneath_mm: float = 0.0
    turn_mm: float = 13.0
    rim_finish: Mapping[str, Finish] = field(default_factory=dict)
    binding_join_mm: float = 20.0
    stitch: Mapping[str, StitchChoice] = field(default_factory=dict)
    facing_mm: float = 28.0
    detail_pieces: tuple[str, ...] = ()
    dart_stop_mm: float = 15.0
    relief_mm: float = 2.5
    topstitch: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    alters: tuple[Alter, ...] = ()
    one_per_pair: bool = False
    pair_tolerance_mm: float = 2.0
