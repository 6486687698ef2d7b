"""Whether a panel is a disk, and if not, what it is and which line would open it.

A connected surface with Euler characteristic x and b borders has (2 - b - x) / 2 handles
(classification of surfaces, Seifert & Threlfall, Lehrbuch der Topologie, 1934, ch. 6).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.geometry.curves import arc_length, resample
from flatten.panels.names import side_words
from flatten.panels.shortest import Border, Course, shortest_course
from flatten.records.cast import Cast
from flatten.records.lines import Proposal

# A proposed line is told by at most so many steps, each of at least so many millimetres.
MOST_STEPS = 8
LEAST_STEP_MM = 30.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Opening:
    """One border loop of a piece.

    vertices : (k,) in order; rims, seams : what it runs along
    loose : True where it is both sides of a cut that meets nothing else
    """

    vertices: NDArray[np.int64]
    rims: tuple[str, ...]
    seams: tuple[str, ...]
    loose: bool = False

    @property
    def said(self) -> str:
        kind, names = ("rim", self.rims) if self.rims else ("seam", self.seams[:3])
        return f"the {kind}{'s' if len(names) > 1 else ''} {_quoted(names)}"


def _quoted(names: Sequence[str]) -> str:
    return _listed([f"'{name}'" for name in names])


def _listed(words: Sequence[str]) -> str:
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


@dataclass(frozen=True, kw_only=True)
class Shape:
    """What a connected piece is: a disk has one border and no handle."""

    borders: int
    handles: int

    @property
    def is_disk(self) -> bool:
        return self.borders == 1 and self.handles == 0

    @property
    def seams_needed(self) -> int:
        return 2 * self.handles + abs(self.borders - 1)

    @property
    def said(self) -> str:
        if self.borders == 0:
            kind = "a closed shell"
        elif self.borders == 1:
            kind = "a shell with one opening"
        elif self.borders == 2:
            kind = "a tube"
        else:
            kind = f"a shell with {self.borders} openings"
        if self.handles == 0:
            return kind
        return f"{kind} and {'a handle' if self.handles == 1 else f'{self.handles} handles'}"


def shape_of(vertices: int, faces: int, openings: Sequence[int]) -> Shape:
    """Shape of a connected manifold piece by its counts; `openings` has each border's edges.

    Every face has three edges and every edge but those at a border has two faces.
    """
    edges = (3 * faces + sum(openings)) // 2
    euler = vertices - edges + faces
    return Shape(borders=len(openings), handles=(2 - len(openings) - euler) // 2)


def find_proposal(
    name: str,
    cast: Cast,
    V: NDArray[np.float64],
    N: NDArray[np.float64],
    F: NDArray[np.integer],
    openings: Sequence[Opening],
    lean: NDArray[np.float64],
) -> Proposal | None:
    """The one shortest line that would open a piece; None for a disk.

    V, N (n, 3), F (m, 3) the piece; `lean` (n, 3) how much each vertex leans to the wearer's left,
    up and front.
    """
    shape = shape_of(len(V), len(F), [len(o.vertices) for o in openings])
    if shape.is_disk:
        return None
    borders = [Border(vertices=o.vertices, loose=o.loose) for o in openings]
    course = shortest_course(V, F, N, borders, shape.handles)
    side = " ".join(w for w in side_words(_at(course, F, lean).mean(axis=0)) if w)
    loose = [opening for opening in openings if opening.loose]
    if loose and len(openings) > 1:
        lines = _quoted(loose[0].seams)
        fault = f"{lines} meets no rim and no other line, so its edges cannot be laid flat"
    else:
        between = f" between {_listed([o.said for o in openings])}" if len(openings) > 1 else ""
        fault = f"not a disk but {shape.said}{between}, which cannot lie flat"
    points = course.points - cast.offset_mm * _at(course, F, N)
    picked = _picked(points)
    back = np.linalg.inv(cast.to_cast)
    return Proposal(
        panel=name,
        fault=fault,
        course=f"{_ends(course, openings)}{f' along the {side}' if side else ''}",
        side=side,
        length_mm=course.length_mm,
        points=picked @ back[:3, :3].T + back[:3, 3],
        closed=course.closed,
        more=shape.seams_needed - 1,
        instead=_instead(openings),
    )


def _instead(openings: Sequence[Opening]) -> str:
    """What else to do where a line that meets nothing was meant otherwise."""
    alone = [o.seams[0] for o in openings if not o.rims and len(o.seams) == 1]
    if len(openings) < 2 or not alone:
        return ""
    return f"; or, if '{alone[0]}' only marks a place, give it kind = \"detail\""


def refuse(proposal: Proposal) -> BadInput:
    """The error for a piece that is not a disk, with the line that would open it."""
    count = "a seam" if proposal.more == 0 else f"{proposal.more + 1} seams, the first"
    return BadInput(
        proposal.fault,
        f"panel '{proposal.panel}'",
        f"draw {count} {proposal.said}; or accept that with --complete ([scan] complete = true)"
        f"{proposal.instead}",
    )


def _at(course: Course, F: NDArray[np.integer], values: NDArray[np.float64]) -> NDArray[np.float64]:
    """(k, 3) values at the vertices (n, 3), at the points of a course."""
    return np.einsum("ki,kij->kj", course.bary, values[F[course.face]])


def _picked(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Few points of a course (k, 3), far enough apart to be joined by shortest paths."""
    total = float(arc_length(points)[-1])
    return resample(points, max(total / MOST_STEPS, min(LEAST_STEP_MM, total)))


def _ends(course: Course, openings: Sequence[Opening]) -> str:
    """What a course joins, in words."""
    if course.closed:
        return "round the handle"
    if course.begin < 0:
        return "from the top to the bottom"
    if course.begin == course.end:
        return f"from {openings[course.begin].said} round the handle and back to it"
    return f"from {openings[course.begin].said} to {openings[course.end].said}"
