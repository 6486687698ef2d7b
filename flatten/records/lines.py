"""Lines as drawn, and the network they make on the cast."""

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from flatten.records.arrays import lock, lock_fields
from flatten.records.cast import Cast

Kind = Literal["seam", "dart", "trim", "detail", "score"]
Joint = Literal["butt", "seam", "lap", "gap"]
Fixing = Literal["glue", "stitch", "rivet", "lace", "closure"]
KINDS: tuple[str, ...] = get_args(Kind)
JOINTS: tuple[str, ...] = get_args(Joint)
FIXINGS: tuple[str, ...] = get_args(Fixing)


@dataclass(frozen=True, eq=False, kw_only=True)
class Line:
    """One drawn line, in the scan file's own numbers (before unit, pose and scale).

    points : (k, 3) float64, joined by shortest paths on the surface
    ink : "#rrggbb" where it was read off the scan, else None
    under : for a lap, which side of the line's direction goes under (None: the default)
    ease_mm : wanted extra length on the side `ease_side` between `ease_from` and `ease_to`
        (fractions of the line's length)
    no_stretch : what a closed detail line encloses keeps its lengths (tooling, print)
    source : the file or "pen" the line came from, for messages
    """

    name: str
    kind: Kind
    points: NDArray[np.float64]
    closed: bool = False
    mirror: bool = False
    joint: Joint = "butt"
    fixing: Fixing = "glue"
    under: Literal["left", "right"] | None = None
    ink: str | None = None
    ease_mm: float = 0.0
    ease_side: Literal["left", "right"] = "left"
    ease_from: float = 0.0
    ease_to: float = 1.0
    no_stretch: bool = False
    source: str = ""

    def __post_init__(self) -> None:
        lock_fields(self, points=lock(self.points, np.float64, None, 3, name="points"))


@dataclass(frozen=True, eq=False, kw_only=True)
class Node:
    """A place where lines meet each other or a rim, or where one ends inside a panel.

    kind : "rim" (ends on a rim), "junction" (lines meet or cross), "inside" (a dart's point, a
        free end)
    face, bary : the surface point (a vertex or edge point has zeros in `bary`)
    rim : index into cast.rims, -1 where it lies on none
    lines : names of the lines that meet here
    """

    kind: Literal["rim", "junction", "inside"]
    point: NDArray[np.float64]
    face: int
    bary: NDArray[np.float64]
    rim: int = -1
    lines: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        lock_fields(
            self,
            point=lock(self.point, np.float64, 3, name="point"),
            bary=lock(self.bary, np.float64, 3, name="bary"),
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class SurfacePath:
    """One arc of a line between two nodes, straight inside every face it crosses.

    face : (k,) int32, a face that holds point i; points i and i+1 share face `segment_face[i]`
    bary : (k, 3) barycentric place in `face[i]`; points on edges have one zero, on vertices two
    points : (k, 3) mm, cast frame
    segment_face : (k - 1,) int32, for a closed path (k,)
    start, end : indices into the network's nodes; -1 for a closed path that meets nothing
    """

    line: str
    kind: Kind
    stretch: int
    face: NDArray[np.int32]
    bary: NDArray[np.float64]
    points: NDArray[np.float64]
    segment_face: NDArray[np.int32]
    closed: bool = False
    start: int = -1
    end: int = -1

    def __post_init__(self) -> None:
        k = len(self.points)
        lock_fields(
            self,
            face=lock(self.face, np.int32, k, name="face"),
            bary=lock(self.bary, np.float64, k, 3, name="bary"),
            points=lock(self.points, np.float64, k, 3, name="points"),
            segment_face=lock(
                self.segment_face, np.int32, k if self.closed else k - 1, name="segment_face"
            ),
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class LineNetwork:
    """All lines on the cast, joined: every end is a node, no two arcs cross except at nodes.

    lines : the lines the arcs belong to (mirrored ones included), by unique name
    notes : what was snapped, bridged or projected, with distances in mm
    """

    cast: Cast
    lines: tuple[Line, ...]
    paths: tuple[SurfacePath, ...]
    nodes: tuple[Node, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class Proposal:
    """The one shortest line that would open a piece of the cast which is not yet a disk.

    panel : the piece's name; fault : what it is instead of a disk
    course : where the line runs, in words; side : the wearer's side it lies on, "" for none
    points : (k, 3) in the scan file's own numbers, joined by shortest paths on the surface
    more : how many further lines the piece needs after this one
    instead : what else could be done, as the end of a sentence; "" where there is nothing
    """

    panel: str
    fault: str
    course: str
    side: str
    length_mm: float
    points: NDArray[np.float64]
    closed: bool = False
    more: int = 0
    instead: str = ""

    def __post_init__(self) -> None:
        lock_fields(self, points=lock(self.points, np.float64, None, 3, name="points"))

    @property
    def said(self) -> str:
        """The line for a person: its course, its length, its points."""
        places = ", ".join(
            f"({x:.5g}, {y:.5g}, {z:.5g})" for x, y, z in np.round(self.points, 6) + 0.0
        )
        return f"{self.course}, about {self.length_mm:.0f} mm long, by way of {places}"
