"""What was read off the colours of a scan: pen lines, inks, writing, doubts and match ticks."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from flatten.records.arrays import lock, lock_fields
from flatten.records.lines import Kind, Line


@dataclass(frozen=True, kw_only=True)
class Ink:
    """One pen: its colour as "#rrggbb", what its lines became, and how much of it there is.

    share : part of the scanned surface that it covers, 0 to 1
    by_rule : the job's own [[ink]] decided the kind
    """

    colour: str
    kind: Kind
    length_mm: float
    share: float
    by_rule: bool = False


@dataclass(frozen=True, eq=False, kw_only=True)
class Writing:
    """Ink that was taken for writing: what it looks like, and its strokes in file numbers.

    at : (3,) its middle, in the scan file's own numbers
    """

    what: Literal["letters", "arrow", "cross", "hatching", "crossed out", "marks"]
    at: NDArray[np.float64]
    size_mm: float
    ink: str
    strokes: tuple[NDArray[np.float64], ...] = ()

    def __post_init__(self) -> None:
        lock_fields(self, at=lock(self.at, np.float64, 3, name="at"))


@dataclass(frozen=True, eq=False, kw_only=True)
class Doubt:
    """Something a person should look at.

    what : "weak" (a stroke too faint to be sure of, not taken), "gap" (two ends that face each
        other too far apart to be joined), "open end" (a seam that ends short of everything)
    at : (3,) its place in the scan file's own numbers; points : the stroke or the gap, likewise
    """

    what: Literal["weak", "gap", "open end"]
    said: str
    at: NDArray[np.float64]
    line: str = ""
    length_mm: float = 0.0
    ink: str | None = None
    points: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        lock_fields(self, at=lock(self.at, np.float64, 3, name="at"))
        if self.points is not None:
            lock_fields(self, points=lock(self.points, np.float64, None, 3, name="points"))


@dataclass(frozen=True, eq=False, kw_only=True)
class Tick:
    """A short stroke across a line: a match mark on it, at a place in file numbers.

    count : strokes side by side (one tick, two ticks)
    """

    line: str
    at: NDArray[np.float64]
    count: int = 1

    def __post_init__(self) -> None:
        lock_fields(self, at=lock(self.at, np.float64, 3, name="at"))


@dataclass(frozen=True, eq=False, kw_only=True)
class InkReading:
    """The pen lines of a scan and all that was found beside them.

    lines : in the scan file's own numbers, named, with their ink; inks : most length first
    """

    lines: tuple[Line, ...]
    inks: tuple[Ink, ...] = ()
    writing: tuple[Writing, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    marks: tuple[Tick, ...] = ()
    notes: tuple[str, ...] = ()
