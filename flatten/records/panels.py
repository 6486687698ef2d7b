"""Panels: the pieces of the cast between seams, and the edges that belong together."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from flatten.records.arrays import lock, lock_fields
from flatten.records.cast import Cast
from flatten.records.lines import Fixing, Joint, Kind


@dataclass(frozen=True, eq=False, kw_only=True)
class BorderRun:
    """A stretch of a panel's border between two corners.

    vertices : (k,) int32, panel vertices in order, the panel on the left (so the border runs
        counterclockwise on the flat with the outside up); consecutive runs share their end vertex,
        and a panel's runs in order make its whole border
    seam : index into PanelSet.seams, -1 for a rim or trimmed edge
    side : which of the seam's two sides this is (0 or 1)
    name : the seam stretch's or rim's name
    """

    vertices: NDArray[np.int32]
    seam: int
    side: int
    name: str

    def __post_init__(self) -> None:
        lock_fields(self, vertices=lock(self.vertices, np.int32, None, name="vertices"))


@dataclass(frozen=True, eq=False, kw_only=True)
class PanelMark:
    """A detail or score line carried on a panel as surface points: face (k,), bary (k, 3).

    no_stretch : lengths inside the closed curve are to stay as they are on the surface
    """

    line: str
    kind: Kind
    face: NDArray[np.int32]
    bary: NDArray[np.float64]
    closed: bool = False
    no_stretch: bool = False

    def __post_init__(self) -> None:
        k = len(self.face)
        lock_fields(
            self,
            face=lock(self.face, np.int32, None, name="face"),
            bary=lock(self.bary, np.float64, k, 3, name="bary"),
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class PanelHoles:
    """Holes along a detail line, as surface points: face (k,), bary (k, 3); diameter in mm.

    asked : how many there are along the whole line, on this panel and on others
    """

    line: str
    face: NDArray[np.int32]
    bary: NDArray[np.float64]
    diameter_mm: float
    asked: int

    def __post_init__(self) -> None:
        k = len(self.face)
        lock_fields(
            self,
            face=lock(self.face, np.int32, None, name="face"),
            bary=lock(self.bary, np.float64, k, 3, name="bary"),
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class Panel:
    """A topological disk cut from the cast.

    V : (n, 3) mm, F : (m, 3) counterclockwise seen from outside, N : (n, 3) unit normals
    cast_vertex : (n,) int32, the vertex of PanelSet.cut_V each panel vertex is a copy of
    border : the runs in order round the panel
    detail : the closed detail that an overlay is cut along, "" for a panel between seams
    holes : those that fix an overlay, on it and beneath it
    """

    name: str
    V: NDArray[np.float64]
    F: NDArray[np.int32]
    N: NDArray[np.float64]
    cast_vertex: NDArray[np.int32]
    border: tuple[BorderRun, ...]
    marks: tuple[PanelMark, ...] = ()
    detail: str = ""
    holes: tuple[PanelHoles, ...] = ()

    def __post_init__(self) -> None:
        n = len(self.V)
        lock_fields(
            self,
            V=lock(self.V, np.float64, None, 3, name="V"),
            F=lock(self.F, np.int32, None, 3, name="F"),
            N=lock(self.N, np.float64, n, 3, name="N"),
            cast_vertex=lock(self.cast_vertex, np.int32, n, name="cast_vertex"),
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class SeamSide:
    """One side of a seam stretch: the panel's index and its vertices, in the seam's direction."""

    panel: int
    vertices: NDArray[np.int32]

    def __post_init__(self) -> None:
        lock_fields(self, vertices=lock(self.vertices, np.int32, None, name="vertices"))


@dataclass(frozen=True, eq=False, kw_only=True)
class Seam:
    """The two partner edges of one stretch of a seam or dart between nodes.

    sides : vertex i of one side lies on vertex i of the other; side 0 lies left of the line's
        direction (seen from outside), side 1 right
    dart : True where both sides belong to one panel and meet at a point inside it
    under : which side goes under in a lap (0 or 1)
    ease : (k,) mm by which side `ease_side` is to be longer than the other, cumulative along the
        vertices; None where no ease is wanted
    """

    line: str
    name: str
    kind: Literal["seam", "dart"]
    joint: Joint
    fixing: Fixing
    sides: tuple[SeamSide, SeamSide]
    dart: bool = False
    under: int = 0
    ease: NDArray[np.float64] | None = None
    ease_side: int = 0

    def __post_init__(self) -> None:
        a, b = self.sides
        if len(a.vertices) != len(b.vertices):
            raise ValueError(f"seam {self.name}: sides of {len(a.vertices)} and {len(b.vertices)}")
        if self.ease is not None:
            lock_fields(self, ease=lock(self.ease, np.float64, len(a.vertices), name="ease"))


@dataclass(frozen=True, eq=False, kw_only=True)
class PanelSet:
    """All panels of one ply and the seams between them.

    cut_V, cut_N : (n, 3) vertices and normals of the cast refined along the lines; panels index it
    offset_mm : how far the panels lie from the cast (0 as cut; thickness beneath + K t once offset)
    offsets : (n,) the same for every vertex, None where it is the same for all
    """

    cast: Cast
    cut_V: NDArray[np.float64]
    cut_N: NDArray[np.float64]
    panels: tuple[Panel, ...]
    seams: tuple[Seam, ...]
    offset_mm: float = 0.0
    notes: tuple[str, ...] = ()
    offsets: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        n = len(self.cut_V)
        lock_fields(
            self,
            cut_V=lock(self.cut_V, np.float64, None, 3, name="cut_V"),
            cut_N=lock(self.cut_N, np.float64, n, 3, name="cut_N"),
        )
        if self.offsets is not None:
            lock_fields(self, offsets=lock(self.offsets, np.float64, n, name="offsets"))
