"""How long to look for a lay plan, and what making the pieces by hand takes."""

from collections.abc import Mapping
from dataclasses import dataclass

from flatten.errors import BadInput


@dataclass(frozen=True, kw_only=True)
class Effort:
    """How hard to look for a tight lay plan.

    iterations : arrangements tried; None lets the number of pieces decide. The same number gives
        the same plan everywhere.
    seconds : where given, the clock ends the search instead, and the plan says so
    seed : another seed tries other arrangements
    """

    iterations: int | None = None
    seconds: float | None = None
    seed: int = 0

    def __post_init__(self) -> None:
        if self.iterations is not None and self.iterations < 0:
            raise BadInput("iterations below 0", "nesting.iterations", "give 0 or more")
        if self.seconds is not None and not 0.0 < self.seconds <= 86400.0:
            raise BadInput("seconds out of range", "nesting.seconds", "give 1 to 86400")
        if self.seed < 0:
            raise BadInput("seed below 0", "nesting.seed", "give 0 or more")


@dataclass(frozen=True, kw_only=True)
class Rates:
    """Speeds of handwork, all common practice; whoever has timed themselves sets their own.

    cut_mm_per_min : by the family of the material, with a knife or shears
    corner_s : more at every sharp corner; hole_s : punching one hole; stitch_s : one saddle stitch
    sew_mm_per_min : cloth pinned and sewn by machine
    glue_mm_per_min : both faces of a joint coated and closed; fastener_s : one rivet or eyelet
    lace_s : one lace hole threaded
    mark_mm_per_min, score_mm_per_min : detail lines carried over and drawn; lines creased or scored
    """

    cut_mm_per_min: Mapping[str, float] | None = None
    corner_s: float = 3.0
    hole_s: float = 4.0
    stitch_s: float = 8.0
    sew_mm_per_min: float = 120.0
    glue_mm_per_min: float = 150.0
    fastener_s: float = 60.0
    lace_s: float = 5.0
    mark_mm_per_min: float = 250.0
    score_mm_per_min: float = 150.0


@dataclass(frozen=True, kw_only=True)
class Fastening:
    """An eyelet, rivet, slit or buttonhole set at a point; stack_mm : all that it goes through."""

    kind: str
    stack_mm: float
    diameter_mm: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Handwork:
    """What a ply takes in handwork.

    pieces, cut_mm, corners : pieces cut, the length of their cut lines, their sharp corners
    holes : holes punched; stitches, stitch_mm : saddle stitches and the seams they close
    glue_mm : glued joints; rivets, eyelets : fasteners set
    mark_mm, score_mm : detail lines to carry over, lines to score
    minutes : the estimate, by kind of work, from the rates
    details : of those minutes, what the details take, by kind: what could be left off
    """

    pieces: int = 0
    cut_mm: float = 0.0
    corners: int = 0
    holes: int = 0
    stitches: int = 0
    stitch_mm: float = 0.0
    glue_mm: float = 0.0
    rivets: int = 0
    eyelets: int = 0
    mark_mm: float = 0.0
    score_mm: float = 0.0
    minutes: tuple[tuple[str, float], ...] = ()
    details: tuple[tuple[str, float], ...] = ()

    @property
    def total_minutes(self) -> float:
        return sum(minutes for _, minutes in self.minutes)
