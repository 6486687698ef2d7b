"""Finds room for lettering on a template: inside the outline, clear of everything drawn there."""

from collections.abc import Iterable

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import rotate
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from flatten.geometry.curves import arc_length
from flatten.geometry.lettering import ABOVE, BELOW, text_width
from flatten.geometry.plane_curves import along, outward
from flatten.records.drawing import Circle, Ink, Layer, Polyline, Text

Array = NDArray[np.float64]

CLEAR_MM = 0.8  # between lettering and any line


def text_box(text: Text) -> Polygon:
    """The rectangle a text takes up, mm."""
    width = text_width(text.text, text.height)
    x, y = text.at
    flat = box(x, y - BELOW * text.height, x + width, y + ABOVE * text.height)
    return rotate(flat, text.angle_deg, origin=(x, y))


def shape_of(ink: Ink) -> BaseGeometry:
    """What a drawn thing keeps other lettering off."""
    if isinstance(ink, Text):
        return text_box(ink)
    if isinstance(ink, Circle):
        return Point(ink.centre).buffer(ink.radius)
    points = ink.points
    if len(points) == 1:
        return Point(points[0])
    return LineString(np.vstack([points, points[:1]]) if ink.closed else points)


def upright(angle_deg: float) -> float:
    """The angle, turned by 180 degrees where text at it would be read upside down; (-90, 90]."""
    angle = (angle_deg + 180.0) % 360.0 - 180.0
    if angle > 90.0 + 1e-6:
        return angle - 180.0
    return angle + 180.0 if angle <= -90.0 + 1e-6 else angle


class FreeSpace:
    """The inside of a template and what already stands in it."""

    def __init__(self, inside: Polygon, taken: Iterable[BaseGeometry] = ()) -> None:
        self.outline = inside
        self.inside = inside.buffer(-CLEAR_MM)
        shapely.prepare(self.inside)
        self.taken = list(taken)

    def free(self, shape: BaseGeometry) -> bool:
        """Whether a shape lies inside and clear of everything."""
        if not shapely.contains(self.inside, shape):
            return False
        if not self.taken:
            return True
        return bool((shapely.distance(np.array(self.taken), shape) >= CLEAR_MM).all())

    def take(self, ink: Ink) -> Ink:
        """Keeps what follows off `ink`, and returns it."""
        self.taken.append(shape_of(ink))
        return ink

    def room(self, clear: float = CLEAR_MM) -> BaseGeometry:
        """Everything still free, `clear` mm away from all lines."""
        inside = self.outline.buffer(-clear)
        if not self.taken:
            return inside
        return inside.difference(shapely.union_all(shapely.buffer(self.taken, clear)))

    def search(self, clear: float = CLEAR_MM) -> "BoxSearch":
        """Looks for places for boxes in what is free now."""
        return BoxSearch(self.room(clear))


class BoxSearch:
    """Finds places for boxes of many sizes and angles in one room."""

    def __init__(self, room: BaseGeometry) -> None:
        self.room = room
        self.grids: dict[float, _Grid] = {}

    def find(self, width: float, height: float, angle: float) -> Array | None:
        """Lower left corner (seen at the angle) of a free box nearest to the room's middle."""
        if self.room.is_empty:
            return None
        if angle not in self.grids:
            self.grids[angle] = _Grid(self.room, angle)
        return self.grids[angle].find(width, height)


class _Grid:
    """Free cells of a room seen at an angle, with running sums so that any box is one look-up.

    A place found on the grid is confirmed exactly before it is given.
    """

    def __init__(self, room: BaseGeometry, angle: float) -> None:
        self.angle, self.room = angle, room
        self.level = rotate(room, -angle, origin=(0.0, 0.0))
        x0, y0, x1, y1 = self.level.bounds
        self.cell = max(min(2.0, min(x1 - x0, y1 - y0) / 40.0), max(x1 - x0, y1 - y0) / 500.0)
        self.low = np.array([x0, y0])
        nx, ny = (np.ceil(np.array([x1 - x0, y1 - y0]) / self.cell).astype(int) + 1).tolist()
        X, Y = np.meshgrid(x0 + self.cell * np.arange(nx), y0 + self.cell * np.arange(ny))
        shapely.prepare(self.level)
        free = shapely.contains_xy(self.level, X, Y)
        self.sums = np.zeros((ny + 1, nx + 1), dtype=np.int64)
        self.sums[1:, 1:] = free.cumsum(axis=0).cumsum(axis=1)
        self.middle = np.array(self.level.centroid.coords[0])

    def find(self, width: float, height: float) -> Array | None:
        nx, ny = int(np.ceil(width / self.cell)) + 1, int(np.ceil(height / self.cell)) + 1
        S = self.sums
        if S.shape[0] <= ny or S.shape[1] <= nx:
            return None
        full = S[ny:, nx:] - S[:-ny, nx:] - S[ny:, :-nx] + S[:-ny, :-nx]
        rows, columns = np.nonzero(full == nx * ny)
        if len(rows) == 0:
            return None
        low = self.low + self.cell * np.column_stack([columns, rows])
        away = np.linalg.norm(low + np.array([width, height]) / 2 - self.middle, axis=1)
        for i in np.argsort(away, kind="stable")[:8]:
            x, y = low[i]
            if shapely.contains(self.level, box(x, y, x + width, y + height)):
                turn = np.radians(self.angle)
                return np.array(
                    [
                        x * np.cos(turn) - y * np.sin(turn),
                        x * np.sin(turn) + y * np.cos(turn),
                    ]
                )
        return None


def text_along(
    space: FreeSpace, points: Array, words: str, height: float, at: float | None
) -> Text | None:
    """Words along an edge, inside it (the inside on the left of its direction), as near as fits.

    at : length along the edge of the middle of the words, or within 16 mm of it; None tries the
        middle of the edge first and then places to both sides of it
    """
    total = float(arc_length(points)[-1])
    width = text_width(words, height)
    if at is None:
        if width > 0.95 * total:
            return None
        middle = total * (0.5 + np.array([0, -0.12, 0.12, -0.24, 0.24, -0.34, 0.34]))
        middle = np.clip(middle, width / 2, total - width / 2)
    else:
        middle = np.clip(at + np.array([0.0, -8.0, 8.0, -16.0, 16.0]), 0.0, total)
    tall = (ABOVE + BELOW) * height
    for m in dict.fromkeys(middle.tolist()):
        ends, _ = along(points, np.array([m - width / 2, m + width / 2]))
        here, tangent = along(points, m)
        chord = ends[1] - ends[0]
        length = float(np.linalg.norm(chord))
        direction = chord / length if length > 0.5 * width else tangent[0]
        inward = -outward(direction)
        angle = upright(float(np.degrees(np.arctan2(direction[1], direction[0]))))
        turn = np.radians(angle)
        right = np.array([np.cos(turn), np.sin(turn)])
        rise = np.array([-right[1], right[0]])
        sag = max(0.0, float(((part_between(points, m, width) - here[0]) @ inward).max()))
        for gap in sag + CLEAR_MM + 0.2 + height * np.array([0.0, 0.5, 1.0, 1.8, 2.8, 4.0, 6.0]):
            centre = here[0] + inward * (gap + tall / 2)
            foot = centre - right * (width / 2) + rise * (BELOW * height - tall / 2)
            text = Text(
                text=words, at=(float(foot[0]), float(foot[1])), height=height, angle_deg=angle
            )
            if space.free(text_box(text)):
                return text
    return None


def part_between(points: Array, middle: float, width: float) -> Array:
    """Places along the stretch of an edge that words of a width stand beside."""
    return along(points, middle + width * np.linspace(-0.5, 0.5, 9))[0]


def arrow(tail: Array, tip: Array, head: float, layer: Layer) -> list[Ink]:
    """An arrow as a shaft and an open head of the given length."""
    d = tip - tail
    d = d / np.linalg.norm(d)
    side = np.array([-d[1], d[0]])
    barbs = np.array([tip - head * (d + 0.5 * side), tip, tip - head * (d - 0.5 * side)])
    return [
        Polyline(layer=layer, points=np.array([tail, tip])),
        Polyline(layer=layer, points=barbs),
    ]
