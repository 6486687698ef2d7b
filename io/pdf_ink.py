"""Ink on a PDF page: mm to points, lines cut off at a window, a line style per layer."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from reportlab import rl_config
from reportlab.pdfgen.canvas import Canvas
from reportlab.pdfgen.pathobject import PDFPathObject
from shapely.geometry import LineString, box

from flatten.records.drawing import Circle, Layer, Polyline

# Streams as plain bytes: smaller files, written faster, than as letters.
rl_config.useA85 = 0

# ISO 32000, 8.3.2.3: the default unit of user space is 1/72 inch.
POINTS_PER_MM = 72.0 / 25.4

Array = NDArray[np.float64]
Colour = tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class Style:
    """Width and dashes, mm; colour as shares of red, green and blue."""

    width: float
    dashes: tuple[float, ...] = ()
    colour: Colour = (0.0, 0.0, 0.0)


# Told apart by width and dashes, so that a black and white print says as much.
STYLES: dict[Layer, Style] = {
    "CUT": Style(width=0.4),
    "NET": Style(width=0.2, dashes=(3.0, 1.5)),
    "SCORE": Style(width=0.3, dashes=(1.0, 1.0)),
    "NOTCH": Style(width=0.4),
    "SNIP": Style(width=0.4),
    "HOLE": Style(width=0.2),
    "DETAIL": Style(width=0.2, dashes=(4.0, 1.0, 0.6, 1.0)),
    "GRAIN": Style(width=0.25),
    "LABEL": Style(width=0.25),
    "STOCK": Style(width=0.2, colour=(0.6, 0.6, 0.6)),
    "TEST": Style(width=0.2),
}


class Pen:
    """Draws ink given in mm of the drawing on a page.

    Parameters
    ----------
    canvas : the page
    shift : (x, y) mm added to drawing coordinates
    scale : of the drawing on the page; 1 is true size
    window : (low x, low y, high x, high y) drawing mm outside which nothing is drawn; None draws all
    """

    def __init__(
        self,
        canvas: Canvas,
        shift: tuple[float, float],
        scale: float = 1.0,
        window: tuple[float, float, float, float] | None = None,
    ) -> None:
        self.canvas, self.shift, self.scale = canvas, np.array(shift), scale
        self.window = window
        self._box = None if window is None else box(*window)
        if self._box is not None:
            shapely.prepare(self._box)

    def style(self, style: Style) -> None:
        """Sets the line style for what follows."""
        canvas = self.canvas
        canvas.setLineWidth(style.width * POINTS_PER_MM)
        canvas.setDash([d * POINTS_PER_MM for d in style.dashes] or [])
        canvas.setStrokeColorRGB(*style.colour)

    def draw(self, *inks: Polyline | Circle) -> None:
        """Lines and circles in the style set last, cut off at the window, as one path."""
        path = self.canvas.beginPath()
        for ink in inks:
            if isinstance(ink, Circle):
                self._circle(path, ink)
            else:
                for run, closed in self._visible(ink.points, ink.closed):
                    self._polyline(path, run, closed)
        self.canvas.drawPath(path)

    def at(self, points: Array) -> Array:
        """Drawing mm -> points on the page."""
        return (points * self.scale + self.shift) * POINTS_PER_MM

    def _circle(self, path: PDFPathObject, ink: Circle) -> None:
        x, y = ink.centre
        if self.window is not None:
            low_x, low_y, high_x, high_y = self.window
            r = ink.radius
            if not (low_x - r < x < high_x + r and low_y - r < y < high_y + r):
                return
            inside = low_x + r <= x <= high_x - r and low_y + r <= y <= high_y - r
            if not inside:
                angle = np.linspace(0.0, 2 * np.pi, 65)[:-1]
                ring = np.column_stack([np.cos(angle), np.sin(angle)]) * r + ink.centre
                for run, closed in self._visible(ring, True):
                    self._polyline(path, run, closed)
                return
        px, py = self.at(np.array([x, y]))
        path.circle(px, py, ink.radius * self.scale * POINTS_PER_MM)

    def _visible(self, points: Array, closed: bool) -> Sequence[tuple[Array, bool]]:
        """The runs of a line inside the window."""
        if len(points) < 2:
            return []
        if self.window is None or self._box is None:
            return [(points, closed)]
        low, high = points.min(axis=0), points.max(axis=0)
        window = np.array(self.window)
        if (low >= window[:2]).all() and (high <= window[2:]).all():
            return [(points, closed)]
        if (high < window[:2]).any() or (low > window[2:]).any():
            return []
        line = LineString(np.vstack([points, points[:1]]) if closed else points)
        inside = shapely.line_merge(self._box.intersection(line))
        parts = getattr(inside, "geoms", [inside])
        return [
            (np.array(part.coords), False)
            for part in parts
            if isinstance(part, LineString) and not part.is_empty
        ]

    def _polyline(self, path: PDFPathObject, points: Array, closed: bool) -> None:
        (x, y), *rest = self.at(points).tolist()
        path.moveTo(x, y)
        for x, y in rest:
            path.lineTo(x, y)
        if closed:
            path.close()


class InkShelf:
    """Ink of one layer with its extents at hand, so that a page asks only for its own."""

    def __init__(self, inks: Sequence[Polyline | Circle]) -> None:
        self.inks = list(inks)
        boxes = [_extent(ink) for ink in self.inks]
        self._boxes = np.array(boxes, dtype=np.float64).reshape(-1, 4)

    def within(
        self, low: tuple[float, float], high: tuple[float, float]
    ) -> list[Polyline | Circle]:
        """What reaches into the rectangle."""
        touches = (self._boxes[:, :2] <= high).all(axis=1) & (self._boxes[:, 2:] >= low).all(axis=1)
        return [self.inks[i] for i in np.flatnonzero(touches)]


def _extent(ink: Polyline | Circle) -> list[float]:
    if isinstance(ink, Circle):
        (x, y), r = ink.centre, ink.radius
        return [x - r, y - r, x + r, y + r]
    return [*ink.points.min(axis=0), *ink.points.max(axis=0)]
