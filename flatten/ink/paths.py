"""A line in the making: a stroke, or several that were put together."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.curves import arc_length, at_lengths
from flatten.ink.fit import STEP_MM, Stroke, path_length

END_FIT_MM = 12.0
CHORD_MM = 8.0
CLEAR = 0.3  # of the stroke's usual ink
TAIL_POINTS = 4
HIDDEN_MM = 2.0  # of the half width of a pen, measured over pens of 2.5 to 7 mm
Points = NDArray[np.float64]


@dataclass(eq=False)
class Path:
    """Points (k, 3) mm in the working frame; a closed one does not repeat its first point.

    pieces : lengths of ink and of gaps in turn, starting and ending with ink
    faint : too weak to be a line by itself; worth counting as part of one, or of writing
    kinks : the corner that each end was cut off at, -1 for none
    dashed : a row of dashes, from the first to the last
    ends : what each end reaches: "open", "rim" or "line"; aims : the path reached there, or -1
    """

    points: Points
    normals: Points
    closed: bool
    ink: int
    width: float
    contrast: Points
    colour: Points
    pieces: list[float]
    faint: bool = False
    dashed: bool = False
    kinks: tuple[int, int] = (-1, -1)
    ends: list[str] = field(default_factory=lambda: ["open", "open"])
    aims: list[int] = field(default_factory=lambda: [-1, -1])

    @property
    def length(self) -> float:
        return path_length(self.points, self.closed)

    @property
    def extent(self) -> float:
        """Diagonal of the box round it, mm."""
        return float(np.linalg.norm(np.ptp(self.points, axis=0)))

    @property
    def straight(self) -> bool:
        """Whether it goes somewhere: its ends lie three quarters of its length apart."""
        apart = float(np.linalg.norm(self.points[-1] - self.points[0]))
        return not self.closed and apart > 0.75 * self.length

    @property
    def curl(self) -> float:
        """Degrees that it turns in all, by chords of some 8 mm."""
        q = self.around()
        count = max(int(arc_length(q)[-1] / CHORD_MM), 1)
        d = np.diff(at_lengths(q, np.linspace(0.0, arc_length(q)[-1], count + 1)), axis=0)
        d /= np.maximum(np.linalg.norm(d, axis=1, keepdims=True), 1e-9)
        return float(np.degrees(np.arccos(np.clip((d[1:] * d[:-1]).sum(axis=1), -1, 1))).sum())

    def tip(self, end: int) -> Points:
        """The first (0) or last (1) point."""
        return self.points[-1 if end else 0]

    def around(self) -> Points:
        """Its points, with the first repeated at the end where it is closed."""
        return np.vstack([self.points, self.points[:1]]) if self.closed else self.points

    def filled(self, step: float = 0.5) -> Points:
        """Points along it at most `step` mm apart."""
        q = self.around()
        total = arc_length(q)[-1]
        return at_lengths(q, np.linspace(0.0, total, max(int(total / step), 1) + 1))


def path_of(stroke: Stroke, ink: int, faint: bool, kinks: tuple[int, int]) -> Path | None:
    """The stroke without bare points at its ends, None where nothing is left."""
    p, n = stroke.points, stroke.normals
    if not stroke.closed:
        inked = np.flatnonzero(stroke.cover > 0.5)
        if len(inked) < 2:
            return None
        first, last = inked[0], inked[-1]
        # A tail that stands out from nothing was followed past the stroke's end: along a shadow,
        # or into another line, whose far side may be bare.
        clear = np.flatnonzero(stroke.standing > CLEAR)
        if len(clear) and clear[0] - first > TAIL_POINTS:
            first = clear[0]
        if len(clear) and last - clear[-1] > TAIL_POINTS:
            last = clear[-1]
        p, n = p[first : last + 1], n[first : last + 1]
        if len(p) < 2:
            return None
    return Path(
        points=p,
        normals=n,
        closed=stroke.closed,
        ink=ink,
        width=stroke.width,
        contrast=stroke.contrast,
        colour=stroke.colour,
        pieces=_ink_and_gaps(stroke),
        faint=faint,
        dashed=stroke.dashed,
        kinks=kinks,
    )


def without_caps(p: Path) -> None:
    """Takes the round cap of a broad pen off the ends in the open: the pen's middle stopped half a
    width before its ink, of which the blur of an end already hides some. Changes the path."""
    cap = max(0.5 * p.width - HIDDEN_MM, 0.0)
    if p.closed or cap == 0.0 or p.length < 8.0 * p.width:
        return
    s = arc_length(p.points)
    low, high = (cap if end == "open" else 0.0 for end in p.ends)
    t = np.unique(np.concatenate([[low], s[(s > low) & (s < s[-1] - high)], [s[-1] - high]]))
    near = np.clip(np.searchsorted(s, t), 0, len(s) - 1)
    p.points, p.normals = at_lengths(p.points, t), p.normals[near]


def _ink_and_gaps(stroke: Stroke) -> list[float]:
    """Lengths of ink and of bare places in turn along the stroke."""
    on = stroke.cover > 0.45
    first = np.flatnonzero(on)
    if len(first) == 0 or stroke.closed:
        return [stroke.length]
    on = on[first[0] : first[-1] + 1]
    cuts = np.flatnonzero(np.diff(on.astype(int)) != 0)
    runs = np.diff(np.concatenate([[-1], cuts, [len(on) - 1]]))
    return [float(r * STEP_MM) for r in runs]


def outward(points: Points, end: int, reach: float = END_FIT_MM) -> Points:
    """Unit direction in which an open polyline leaves through end 0 or 1."""
    q = points[::-1] if end else points
    s = arc_length(q)
    k = max(int(np.searchsorted(s, reach)), min(2, len(q) - 1))
    head = q[: k + 1]
    if len(head) < 2:
        return np.zeros(3)
    axis = np.linalg.svd(head - head.mean(axis=0), full_matrices=False)[2][0]
    return axis if axis @ (head[0] - head[-1]) > 0 else -axis
