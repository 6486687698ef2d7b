"""Lettering of a template: the label, the up arrow, the grain line and the words along edges."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from flatten.geometry.curves import arc_length
from flatten.geometry.freespace import FreeSpace, shape_of
from flatten.geometry.lettering import ABOVE, BELOW, text_width
from flatten.records.drawing import Ink, Text
from flatten.template.piece import EdgeText
from flatten.template.place import arrow, text_along, upright

Array = NDArray[np.float64]

HEIGHTS = (6.0, 5.0, 4.0, 3.2, 2.6, 2.0)  # of capitals, mm, the first that fits
HEAD = 1.4  # the panel's name over the lines below it
LEADING = 1.8  # from baseline to baseline, of the height


@dataclass(frozen=True, kw_only=True)
class Label:
    """What a label says; `up_deg` is the direction of the wearer's up on the template."""

    title: str
    wearer: str
    panel: str
    place: str
    ply: str
    material: str
    quantity: str
    piece: str
    revision: str
    face: str
    up_deg: float
    remark: str = ""

    def layouts(self) -> list[list[str]]:
        """The same words on many lines, on fewer, and on one: the panel's name always first."""
        parts = [self.place, self.quantity, self.piece, f"this side up: {self.face}", self.ply]
        parts += [self.material, self.title, f"for {self.wearer}" if self.wearer else ""]
        parts = [part for part in (*parts, self.revision, self.remark) if part]
        pairs = [
            self.place,
            f"{self.quantity}, {self.piece}",
            f"this side up: {self.face}",
            f"{self.ply}, {self.material}",
            ", ".join(w for w in (self.title, f"for {self.wearer}" if self.wearer else "") if w),
            self.revision,
            self.remark,
        ]
        found = [[self.panel, *(line for line in pairs if line)], [self.panel, *parts]]
        for lines in range(6, 1, -1):
            found.append([self.panel, *_wrapped(parts, lines - 1)])
        return [*found, [", ".join((self.panel, *parts))]]

    def short(self) -> list[list[str]]:
        """For a piece too small for the label: the panel, the number and the face, or less."""
        number = self.piece.removeprefix("piece ").replace(" of ", "/")
        face = f"{self.face} up"
        return [
            [self.panel, f"{number}, {self.ply}, {face}"],
            [f"{self.panel}, {number}, {face}"],
            [self.panel, f"{number}, {face}"],
            [f"{self.panel} {number}"],
            [number],
        ]


def _wrapped(parts: list[str], lines: int) -> list[str]:
    """Parts joined to as many lines, the widest as narrow as can be."""
    widths = [text_width(part + ", ", 1.0) for part in parts]
    low, high = max(widths), sum(widths)
    for _ in range(12):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if len(_filled(widths, middle)) <= lines else (middle, high)
    made, start = [], 0
    for count in _filled(widths, high):
        made.append(", ".join(parts[start : start + count]))
        start += count
    return made


def _filled(widths: list[float], room: float) -> list[int]:
    """How many parts go on each line of a width."""
    counts, used = [0], 0.0
    for width in widths:
        if counts[-1] and used + width > room:
            counts.append(0)
            used = 0.0
        counts[-1] += 1
        used += width
    return counts


def letter_edges(
    space: FreeSpace, edges: list[Array], words: list[EdgeText]
) -> tuple[list[Ink], list[str]]:
    """Words along the edges, and a note for every edge that has no room for any of them."""
    ink: list[Ink] = []
    notes: list[str] = []
    for item in words:
        text = None
        for wording in item.wordings:
            for height in item.heights:
                text = text_along(space, edges[item.edge], wording, height, item.at)
                if text is not None:
                    break
            if text is not None:
                break
        if text is None and item.needed:
            notes.append(f"no room along its edge for '{item.wordings[-1]}'")
        elif text is not None:
            ink.append(space.take(text))
    return ink, notes


def letter_allowance(
    label: Label, edges: list[Array], allowance: BaseGeometry
) -> tuple[list[Ink], list[str]]:
    """All words in the allowance, where they are sewn or trimmed away: along the edge that takes most.

    edges : with the allowance on their left
    """
    rings = [p for p in getattr(allowance, "geoms", [allowance]) if isinstance(p, Polygon)]
    number = label.piece.removeprefix("piece ").replace(" of ", "/")
    full = ", ".join((label.panel, number, f"{label.face} up", label.ply, label.revision))
    wordings = [
        full,
        f"{label.panel}, {number}, {label.face} up",
        f"{label.panel} {number}",
        number,
    ]
    for words in wordings:
        for height in (4.0, 3.2, 2.6, 2.0):
            for ring in sorted(rings, key=lambda p: -p.area):
                space = FreeSpace(ring)
                for points in sorted(edges, key=lambda p: -float(arc_length(p)[-1])):
                    text = text_along(space, points, words, height, None)
                    if text is not None:
                        return [text], []
    return [], ["no allowance is wide enough for its label"]


def letter_label(space: FreeSpace, label: Label, beside: Array) -> tuple[list[Ink], str]:
    """The label with its up arrow, and a note where it had to be shortened or set beside.

    beside : (2,) upper left corner of the place for a label that does not fit at all
    """
    angles = _angles(space)
    level, small = HEIGHTS[:3], HEIGHTS[3:]
    layouts, short = label.layouts(), label.short()
    tries = [_Try(lines, h, 0.0) for h in level for lines in layouts]
    tries += [_Try(lines, h, a) for h in level for lines in layouts for a in angles[1:]]
    # A narrow, bent piece takes small lettering at any angle.
    angles += [a for a in range(-75, 90, 15) if a]
    tries += [_Try(lines, h, float(a)) for h in small for lines in layouts for a in angles]
    whole = len(tries)
    # A name that can be read says more than a number in large figures.
    for few in (short[:-1], short[-1:]):
        tries += [
            _Try(lines, h, a, arrow=with_arrow)
            for with_arrow in (True, False)
            for lines in few
            for h in HEIGHTS[2:]
            for a in angles
        ]
    tries += [_Try(lines, h, a, arrow=False) for h in (1.5, 1.2) for lines in short for a in angles]
    # Room to breathe where there is any; a small piece makes do with bare clearance.
    searches = {True: space.search(2.5), False: space.search()}
    for i, t in enumerate(tries):
        corner = searches[t.height > 2.6].find(*t.size, t.angle)
        if corner is not None:
            ink = _set(t, corner, label.up_deg)
            for item in ink:
                space.take(item)
            said = "; ".join(layouts[0])
            return ink, "" if i < whole else f"too small for its label: {said}"
    outside = _Try(layouts[0], 3.2, 0.0, arrow=False)
    corner = beside - np.array([0.0, outside.size[1]])
    return _set(outside, corner, label.up_deg), "its label stands beside it"


def letter_grain(space: FreeSpace, grain_deg: float, label: Sequence[Ink] = ()) -> list[Ink]:
    """The grain line: an arrow along the grain, long and near the middle, clear of the rest.

    It does not run through the label, between its lines and its arrow, if there is room elsewhere.
    """
    block = shapely.union_all([shape_of(item) for item in label]).convex_hull
    for clear, keep_off in ((4.0, block), (2.0, block), (2.0, None), (1.0, None)):
        room = space.room(clear)
        if keep_off is not None:
            room = room.difference(keep_off.buffer(clear))
        ink = _grain_in(space, room, grain_deg)
        if ink:
            return [space.take(item) for item in ink]
    return []


def _grain_in(space: FreeSpace, room: BaseGeometry, grain_deg: float) -> list[Ink]:
    """The arrow in a room, none where less than 8 mm of it would be left."""
    if room.is_empty:
        return []
    turn = np.radians(grain_deg)
    d = np.array([np.cos(turn), np.sin(turn)])
    side = np.array([-d[1], d[0]])
    middle = np.array(space.outline.centroid.coords[0])
    ring = np.array(space.outline.exterior.coords) - middle
    reach = float(np.abs(ring).max()) * 2.0
    across = ring @ side
    best: tuple[float, Array] | None = None
    for off in np.linspace(across.min(), across.max(), 41)[1:-1]:
        through = middle + side * off
        line = LineString([through - d * reach, through + d * reach])
        for piece in shapely.get_parts(line.intersection(room)):
            if not isinstance(piece, LineString) or piece.length < 8.0:
                continue
            ends = np.array(piece.coords)
            ends = ends if (ends[-1] - ends[0]) @ d > 0 else ends[::-1]
            score = min(piece.length, 160.0) - 0.35 * abs(float(off))
            if best is None or score > best[0]:
                best = (score, ends)
    if best is None:
        return []
    tail, tip = best[1][0], best[1][-1]
    length = float(np.linalg.norm(tip - tail))
    cut = max(0.12 * length, (length - 160.0) / 2.0)
    # The head is made to fit beside what stands there.
    for head in (6.0, 4.0, 2.5, 1.5):
        ink = arrow(tail + d * cut, tip - d * cut, min(head, 0.25 * length), "GRAIN")
        if all(space.free(shape_of(item)) for item in ink):
            return ink
    return []


def _angles(space: FreeSpace) -> list[float]:
    """Level, upright, and along the piece, the level one first."""
    box = np.array(shapely.get_coordinates(shapely.minimum_rotated_rectangle(space.outline)))
    if len(box) < 4:
        return [0.0, 90.0]
    sides = np.diff(box[:3], axis=0)
    long = sides[np.argmax(np.linalg.norm(sides, axis=1))]
    lean = upright(float(np.degrees(np.arctan2(long[1], long[0]))))
    angles = [0.0, 90.0]
    if all(abs(lean - a) > 4.0 for a in (0.0, 90.0, -90.0)):
        angles.append(lean)
    return angles


@dataclass(frozen=True)
class _Try:
    """One way of setting a label: its lines, their height and angle, with an up arrow or not."""

    lines: list[str]
    height: float
    angle: float
    arrow: bool = True

    @property
    def side(self) -> float:
        """Of the square that the arrow stands in: less beside a single line."""
        return self.height * min(4.5, max(2.6, self.tall / self.height)) if self.arrow else 0.0

    @property
    def tall(self) -> float:
        more = (HEAD - 1.0) * (ABOVE + BELOW) if len(self.lines) > 1 else 0.0
        return self.height * (LEADING * (len(self.lines) - 1) + ABOVE + BELOW + more)

    @property
    def size(self) -> tuple[float, float]:
        first = HEAD if len(self.lines) > 1 else 1.0
        widths = [text_width(line, self.height) for line in self.lines]
        width = max(first * widths[0], *widths)
        gap = 0.9 * self.height if self.arrow else 0.0
        return width + gap + self.side, max(self.tall, self.side)


def _set(t: _Try, corner: Array, up_deg: float) -> list[Ink]:
    """The lines in a box whose lower left corner, seen at the try's angle, is `corner`."""
    turn, h = np.radians(t.angle), t.height
    right, rise = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    width, tall = t.size
    ink: list[Ink] = []
    drop = 0.0
    for i, line in enumerate(t.lines):
        size = h * HEAD if i == 0 and len(t.lines) > 1 else h
        foot = drop + size * ABOVE
        ink.append(_text(line, corner + rise * (tall - foot), size, t.angle))
        drop = foot + size * BELOW + h * (LEADING - ABOVE - BELOW)
    if t.arrow:
        side = t.side
        centre = corner + right * (width - side / 2) + rise * (tall - side / 2)
        up = np.array([np.cos(np.radians(up_deg)), np.sin(np.radians(up_deg))])
        ink += arrow(centre - up * 0.48 * side, centre + up * 0.48 * side, 0.2 * side, "LABEL")
        # The word's box stands just clear of the shaft, whatever the shaft's direction.
        small = 0.155 * side
        wide = text_width("up", small)
        p = np.array([up[1], -up[0]])
        p = p if p @ right >= 0.0 else -p
        half = abs(p @ right) * wide / 2 + abs(p @ rise) * small / 2
        spot = centre + p * (half + 0.065 * side) - right * wide / 2 - rise * small / 2
        ink.append(_text("up", spot, small, t.angle))
    return ink


def _text(words: str, foot: Array, height: float, angle: float) -> Text:
    return Text(text=words, at=(float(foot[0]), float(foot[1])), height=height, angle_deg=angle)
