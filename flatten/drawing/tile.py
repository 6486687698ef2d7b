"""Drawing to pages: true size on sheets or a plotter roll, the way round that needs fewer."""

import math
from collections.abc import Iterable

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from flatten.errors import BadInput
from flatten.geometry.lettering import ABOVE, BELOW, text_width
from flatten.geometry.placing import bounds, sheet_ink
from flatten.records.drawing import Circle, Drawing, Ink, Text
from flatten.records.pages import PAPERS, ROLLS, SHEETS, Tile, Tiling

# A PDF page may be 14,400 units of 1/72 inch (ISO 32000, annex C).
LONGEST_MM = 5080.0
# Cut marks that the drawing has for the eye; pages carry their own.
_LEFT_OUT = ("STOCK", "TEST")


def tile(
    drawing: Drawing, paper: str = "A4", *, margin_mm: float = 10.0, overlap_mm: float = 10.0
) -> Tiling:
    """The pages that show all ink of the drawing's templates at true size.

    The stock's edge and the check square are left out. Neighbouring pages overlap; pages on which
    nothing lies, inside of templates included, are left out; upright or lying paper is taken, as
    needs fewer pages.

    Raises
    ------
    BadInput : the paper is unknown, or margins and overlap leave nothing of it
    """
    inks = [ink for _, ink in sheet_ink(drawing) if ink.layer not in _LEFT_OUT]
    region = bounds(inks) if inks else (0.0, 0.0, drawing.width_mm, drawing.height_mm)
    shapes = [shape for ink in inks for shape in _shapes(ink)]
    found: list[Tiling] = []
    for page in _pages(paper, region, margin_mm):
        printed = (page[0] - 2 * margin_mm, page[1] - 2 * margin_mm)
        if min(printed) <= 2 * overlap_mm or overlap_mm < 0 or margin_mm < 0:
            raise BadInput("margin and overlap leave no room on the page", paper, "make them less")
        columns, rows = (
            _count(region[i + 2] - region[i], printed[i], overlap_mm) for i in range(2)
        )
        tiles = _tiles(region, printed, overlap_mm, rows, columns, shapes)
        found.append(
            Tiling(
                drawing=drawing,
                paper=paper,
                page_mm=page,
                margin_mm=margin_mm,
                overlap_mm=overlap_mm,
                rows=rows,
                columns=columns,
                tiles=tiles,
            )
        )
    return min(found, key=lambda t: (len(t.tiles), t.rows * t.columns))


def _pages(
    paper: str, region: tuple[float, float, float, float], margin: float
) -> list[tuple[float, float]]:
    """Page sizes to choose from, upright first."""
    if paper in SHEETS:
        short, long = SHEETS[paper]
        return [(short, long), (long, short)]
    if paper in ROLLS:
        width = ROLLS[paper]
        # Never shorter than wide enough for the check bars.
        high = min(max(region[3] - region[1] + 2 * margin, 250.0), LONGEST_MM)
        wide = min(max(region[2] - region[0] + 2 * margin, 250.0), LONGEST_MM)
        return [(width, high), (wide, width)]
    raise BadInput(f"unknown paper '{paper}'", "paper", f"use one of {', '.join(PAPERS)}")


def _count(size: float, printed: float, overlap: float) -> int:
    """Pages in a row that cover `size`, each but the first adding less by the overlap."""
    return max(math.ceil((size - printed) / (printed - overlap) - 1e-9) + 1, 1)


def _tiles(
    region: tuple[float, float, float, float],
    printed: tuple[float, float],
    overlap: float,
    rows: int,
    columns: int,
    shapes: list[BaseGeometry],
) -> tuple[Tile, ...]:
    tree = shapely.STRtree(shapes)
    tiles: list[Tile] = []
    # What the pages can hold more than is needed is shared out to both sides.
    whole = [n * (p - overlap) + overlap for n, p in zip((columns, rows), printed, strict=True)]
    left = region[0] - (whole[0] - region[2] + region[0]) / 2
    top = region[3] + (whole[1] - region[3] + region[1]) / 2
    for row in range(rows):
        for column in range(columns):
            x = left + column * (printed[0] - overlap)
            y = top - row * (printed[1] - overlap) - printed[1]
            # Half of each overlap belongs to the neighbour; a hair less, so that touching is not
            # lying on it, and a hair more where there is no neighbour.
            mine = overlap / 2 + 1e-6
            own = box(
                x + (mine if column else -1e-6),
                y + (mine if row < rows - 1 else -1e-6),
                x + printed[0] - (mine if column < columns - 1 else -1e-6),
                y + printed[1] - (mine if row else -1e-6),
            )
            if len(tree.query(own, predicate="intersects")):
                tiles.append(
                    Tile(
                        name=f"{_letters(column)}{row + 1}",
                        row=row,
                        column=column,
                        low=(x, y),
                        high=(x + printed[0], y + printed[1]),
                    )
                )
    return tuple(tiles)


def _letters(number: int) -> str:
    """A to Z, then AA, AB, ..."""
    text = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def _shapes(ink: Ink) -> Iterable[BaseGeometry]:
    """What ink takes up: a cut line's inside too, since the paper under a template is needed."""
    if isinstance(ink, Circle):
        yield Point(ink.centre).buffer(ink.radius)
    elif isinstance(ink, Text):
        width = text_width(ink.text, ink.height)
        corners = [(0.0, -BELOW), (width, -BELOW), (width, ABOVE), (0.0, ABOVE)]
        angle = np.radians(ink.angle_deg)
        c, s = np.cos(angle), np.sin(angle)
        local = np.array([[x, y * ink.height] for x, y in corners])
        yield Polygon(local @ np.array([[c, s], [-s, c]]) + ink.at)
    elif len(ink.points) == 1:
        yield Point(ink.points[0])
    elif ink.closed and ink.layer == "CUT" and len(ink.points) > 2:
        yield shapely.make_valid(Polygon(ink.points))
    elif len(ink.points) > 1:
        yield LineString(np.vstack([ink.points, ink.points[:1]]) if ink.closed else ink.points)
