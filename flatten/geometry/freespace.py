"""Finds room for lettering on a piece: inside its outline, clear of everything drawn there."""

from collections.abc import Iterable

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import rotate
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from flatten.geometry.lettering import ABOVE, BELOW, text_width
from flatten.records.drawing import Circle, Ink, Text

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
