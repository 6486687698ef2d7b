"""The making guide: what is done in which order, and what can be measured on the way."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class GuideStep:
    """One thing to do.

    stage : the heading it stands under; what : the seam, rim or piece; how : a sentence
    pieces : the panels it is about; length_mm : of the edge, None where it has none
    notches, holes : on one side of it; bevel : the half-angles to cut, "" for a square edge
    """

    stage: str
    what: str
    how: str
    pieces: tuple[str, ...] = ()
    length_mm: float | None = None
    notches: int = 0
    holes: int = 0
    bevel: str = ""


@dataclass(frozen=True, kw_only=True)
class GuidePly:
    """The steps of one ply in the order they are done."""

    name: str
    material: str
    over: str
    steps: tuple[GuideStep, ...]


@dataclass(frozen=True, kw_only=True)
class TapeCheck:
    """A distance between two corners of a panel, to be measured with a tape.

    start, end : the corners in words; wrap_mm : over the wrap, the tape lying on it the shortest way
    piece_mm : straight, on the paper and on the piece while it is flat
    """

    ply: str
    panel: str
    start: str
    end: str
    wrap_mm: float
    piece_mm: float


@dataclass(frozen=True, kw_only=True)
class Guide:
    """Making order by ply, the innermost first, and what to measure."""

    plies: tuple[GuidePly, ...] = ()
    checks: tuple[TapeCheck, ...] = ()
