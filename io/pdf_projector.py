"""Writes a drawing as one page for a projector over the table: light lines on black, true size."""

from pathlib import Path

import numpy as np
from reportlab.pdfgen.canvas import Canvas

from flatten.errors import CannotWrite
from flatten.geometry.placing import bounds, sheet_ink, stroked
from flatten.io.pdf_ink import POINTS_PER_MM, STYLES, Pen, Style
from flatten.records.drawing import Drawing, Polyline

_NIGHT = (0.0, 0.0, 0.0)
_GRID_MM = 100.0
_EDGE_MM = 50.0
# A PDF page may be 14,400 units of 1/72 inch (ISO 32000, annex C).
_LONGEST_MM = 5080.0


def write_projector(drawing: Drawing, path: str | Path) -> None:
    """Writes one page for a projector over the table: thick light lines on black, a 100 mm grid.

    The page is as large as the templates and their stock need, true size, 5,080 mm at most.

    Raises
    ------
    CannotWrite : the file cannot be written
    """
    inks = [ink for _, ink in sheet_ink(drawing)]
    low_x, low_y, high_x, high_y = (
        bounds(inks) if inks else (0.0, 0.0, drawing.width_mm, drawing.height_mm)
    )
    low = (low_x - _EDGE_MM, low_y - _EDGE_MM)
    size = (
        min(high_x - low_x + 2 * _EDGE_MM, _LONGEST_MM),
        min(high_y - low_y + 2 * _EDGE_MM, _LONGEST_MM),
    )
    canvas = Canvas(
        str(path), pagesize=(size[0] * POINTS_PER_MM, size[1] * POINTS_PER_MM), invariant=1
    )
    canvas.setTitle(drawing.title)
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.setFillColorRGB(*_NIGHT)
    canvas.rect(0, 0, size[0] * POINTS_PER_MM, size[1] * POINTS_PER_MM, stroke=0, fill=1)
    pen = Pen(canvas, (-low[0], -low[1]), window=(*low, low[0] + size[0], low[1] + size[1]))
    pen.style(Style(width=0.6, colour=(0.25, 0.25, 0.25)))
    for axis in range(2):
        first = int(np.ceil(low[axis] / _GRID_MM))
        last = int(np.floor((low[axis] + size[axis]) / _GRID_MM))
        for i in range(first, last + 1):
            ends = np.array([low, (low[0] + size[0], low[1] + size[1])], dtype=np.float64)
            ends[:, axis] = i * _GRID_MM
            pen.draw(Polyline(layer="TEST", points=ends))
    for ink in inks:
        style = STYLES[ink.layer]
        light = (1.0, 1.0, 0.4) if ink.layer == "CUT" else (0.7, 1.0, 1.0)
        pen.style(Style(width=4.0 * style.width, dashes=style.dashes, colour=light))
        pen.draw(*stroked(ink))
    try:
        canvas.save()
    except OSError as error:
        raise CannotWrite(f"{path}: {error.strerror or error}") from None
