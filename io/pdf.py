"""Writes templates as PDF at true size: an overview with check squares, then the pages.

ISO 32000: user space of 1/72 inch, ViewerPreferences PrintScaling None.
"""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from reportlab.pdfgen.canvas import Canvas

from flatten.errors import CannotWrite
from flatten.geometry.placing import bounds, moved, sheet_ink, stroked
from flatten.io.pdf_ink import POINTS_PER_MM, STYLES, InkShelf, Pen, Style
from flatten.records.drawing import LAYERS, Circle, Drawing, Layer, Polyline, block_words
from flatten.records.pages import Tile, Tiling

# A page shows the templates, not the stock they were laid on.
_SHOWN: tuple[Layer, ...] = tuple(x for x in LAYERS if x not in ("STOCK", "TEST"))
_FONT = "Helvetica"
_GREY = (0.45, 0.45, 0.45)
_THIN = Style(width=0.15)
_FAINT = Style(width=0.15, colour=_GREY)
_INCH = 25.4
HEAD_LETTER_MM = 1.75  # width of a letter at 9 points, on the wide side


def write_pdf(tilings: Sequence[Tiling], path: str | Path, title: str = "") -> None:
    """Writes all tilings, one after the other, each with its overview first.

    Every page has a bar to measure, its name on the map, and crosses by which it is laid on its
    neighbours. The same tilings always give the same bytes.

    Raises
    ------
    CannotWrite : the file cannot be written
    """
    canvas = Canvas(str(path), invariant=1, pageCompression=1)
    canvas.setTitle(title or (tilings[0].drawing.title if tilings else ""))
    canvas.setViewerPreference("PrintScaling", "None")
    for number, tiling in enumerate(tilings, start=1):
        parts = _parts(tiling.drawing)
        sheet = f"sheet {number} of {len(tilings)}, " if len(tilings) > 1 else ""
        _overview(canvas, tiling, parts, sheet)
        for index, tile in enumerate(tiling.tiles, start=1):
            _page(canvas, tiling, tile, parts, f"{sheet}page {index} of {len(tiling.tiles)}")
    try:
        canvas.save()
    except OSError as error:
        raise CannotWrite(f"{path}: {error.strerror or error}") from None


def _parts(drawing: Drawing) -> dict[Layer, InkShelf]:
    """Everything shown, in sheet coordinates, by layer; lettering as strokes."""
    parts: dict[Layer, list[Polyline | Circle]] = {layer: [] for layer in _SHOWN}
    for _, ink in sheet_ink(drawing):
        if ink.layer in parts:
            parts[ink.layer] += stroked(ink)
    return {layer: InkShelf(inks) for layer, inks in parts.items()}


def _page(
    canvas: Canvas,
    tiling: Tiling,
    tile: Tile,
    parts: dict[Layer, InkShelf],
    place: str,
) -> None:
    width, height = tiling.page_mm
    margin = tiling.margin_mm
    canvas.setPageSize((width * POINTS_PER_MM, height * POINTS_PER_MM))
    shift = (margin - tile.low[0], margin - tile.low[1])
    _words(canvas, margin, height - margin + 2.5, _head(tiling, tile, place), 9)
    pen = Pen(canvas, shift, window=(*tile.low, *tile.high))
    for layer, shelf in parts.items():
        pen.style(STYLES[layer])
        pen.draw(*shelf.within(tile.low, tile.high))
    _joins(canvas, tiling, tile, pen)
    bar = 100.0 if width - 2 * margin >= 180.0 else 50.0
    foot = max(margin - 4.5, 1.5)
    _bar(canvas, (margin, foot), bar, upright=False)
    _words(canvas, margin + bar + 14.0, foot - 0.5, "print at 100 %, do not fit to page", 7)
    canvas.showPage()


def _head(tiling: Tiling, tile: Tile, place: str) -> str:
    """What stands above a page: its name, whose it is, and the pieces that it shows."""
    head = f"{tile.name}   {tiling.drawing.title}   {place}"
    room = int((tiling.page_mm[0] - 2 * tiling.margin_mm) / HEAD_LETTER_MM) - len(head)
    names = list(tile.pieces)
    while names:
        more = len(tile.pieces) - len(names)
        said = f"   shows {', '.join(names)}" + (f" and {more} more" if more else "")
        if len(said) <= room:
            return head + said
        names.pop()
    return head


def _joins(canvas: Canvas, tiling: Tiling, tile: Tile, pen: Pen) -> None:
    """Where neighbours join: a faint line down the middle of the overlap, crosses, their names."""
    there = {(t.row, t.column): t.name for t in tiling.tiles}
    (x0, y0), (x1, y1) = tile.low, tile.high
    half = tiling.overlap_mm / 2
    sides = (
        (0, 1, (x1 - half, y0), (x1 - half, y1)),
        (0, -1, (x0 + half, y0), (x0 + half, y1)),
        (1, 0, (x0, y0 + half), (x1, y0 + half)),
        (-1, 0, (x0, y1 - half), (x1, y1 - half)),
    )
    for down, right, start, end in sides:
        name = there.get((tile.row + down, tile.column + right))
        if name is None:
            continue
        a, b = np.array(start), np.array(end)
        pen.style(_FAINT)
        pen.draw(Polyline(layer="TEST", points=np.array([a, b])))
        pen.style(_THIN)
        for share in (0.25, 0.75):
            centre = a + share * (b - a)
            for arm in ((2.5, 0.0), (0.0, 2.5)):
                pen.draw(Polyline(layer="TEST", points=np.array([centre - arm, centre + arm])))
            pen.draw(Circle(layer="TEST", centre=(centre[0], centre[1]), radius=1.2))
        # The neighbour's name, on its side of the line.
        at = (a + b) / 2 + np.array([right * half * 0.5, -down * half * 0.5])
        x, y = pen.at(at)
        canvas.setFillColorRGB(*_GREY)
        canvas.setFont(_FONT, 7)
        canvas.saveState()
        canvas.translate(x, y)
        canvas.rotate(90 if right else 0)
        canvas.drawCentredString(0, -2.5, name)
        canvas.restoreState()
        canvas.setFillColorRGB(0, 0, 0)


def _overview(
    canvas: Canvas,
    tiling: Tiling,
    parts: dict[Layer, InkShelf],
    sheet: str,
) -> None:
    """The map of the pages, the check squares and bars, and what the lines mean."""
    width, height = tiling.page_mm
    margin = max(tiling.margin_mm, 8.0)
    canvas.setPageSize((width * POINTS_PER_MM, height * POINTS_PER_MM))
    top = height - margin - 6.0
    _words(canvas, margin, top, tiling.drawing.title, 14)
    count = len(tiling.tiles)
    _words(
        canvas,
        margin,
        top - 6.0,
        f"{sheet}{count} page{'s' if count != 1 else ''} of {tiling.paper} after this one, "
        f"overlap {tiling.overlap_mm:g} mm, true size. Print at 100 % and measure:",
        8,
    )
    below = _checks(canvas, margin, top - 10.0, width, height)
    _legend(canvas, margin + 64.0, top - 14.0)
    if width > height:
        room = (margin + 118.0, margin + 10.0, width - margin - 12.0, top - 10.0)
    else:
        room = (margin, margin, width - margin - 12.0, below - 4.0)
    _map(canvas, tiling, parts, room)
    canvas.showPage()


def _checks(canvas: Canvas, left: float, top: float, width: float, height: float) -> float:
    """Squares of 50 mm and 1 inch, bars of 200 mm (100 where there is no room); their lower end."""
    _square(canvas, left, top - 50.0, 50.0, "50 mm")
    _square(canvas, left + 12.3, top - 80.0, _INCH, "1 inch")
    across = 200.0 if width - 2 * left >= 212.0 else 100.0
    row = left + 2.0 if width > height else top - 90.0
    _bar(canvas, (left, row), across, upright=False)
    along = 200.0 if height - 2 * left >= 240.0 else 100.0
    _bar(canvas, (width - left - 3.0, top - along), along, upright=True)
    return top - 97.0


def _square(canvas: Canvas, x: float, y: float, size: float, words: str) -> None:
    pen = Pen(canvas, (0.0, 0.0))
    pen.style(_THIN)
    ring = np.array([[x, y], [x + size, y], [x + size, y + size], [x, y + size]])
    pen.draw(Polyline(layer="TEST", points=ring, closed=True))
    canvas.setFont(_FONT, 8)
    canvas.drawCentredString((x + size / 2) * POINTS_PER_MM, (y + size / 2) * POINTS_PER_MM, words)


def _bar(canvas: Canvas, start: tuple[float, float], length: float, *, upright: bool) -> None:
    """A bar with end ticks and one every 10 mm, its length written at its end."""
    pen = Pen(canvas, (0.0, 0.0))
    pen.style(_THIN)
    origin = np.array(start)
    along = np.array([0.0, 1.0] if upright else [1.0, 0.0])
    across = along[::-1]
    pen.draw(Polyline(layer="TEST", points=np.array([origin, origin + length * along])))
    for i in range(int(length // 10) + 1):
        tall = 2.0 if i % 5 == 0 else 1.0
        foot = origin + 10.0 * i * along
        pen.draw(Polyline(layer="TEST", points=np.array([foot, foot + tall * across])))
    if upright:
        x, y = (origin + [-2.0, length - 12.0]) * POINTS_PER_MM
        canvas.saveState()
        canvas.setFont(_FONT, 7)
        canvas.translate(x, y)
        canvas.rotate(90)
        canvas.drawString(0, 0, f"{length:g} mm")
        canvas.restoreState()
    else:
        _words(canvas, start[0] + length + 1.5, start[1] - 0.5, f"{length:g} mm", 7)


_MEANINGS: dict[Layer, str] = {
    "CUT": "cut", "NET": "net line", "SCORE": "score", "NOTCH": "match mark", "HOLE": "hole",
    "DETAIL": "detail, top-stitch", "GRAIN": "grain, along the stock",
}  # fmt: skip


def _legend(canvas: Canvas, x: float, y: float) -> None:
    pen = Pen(canvas, (0.0, 0.0))
    for i, (layer, words) in enumerate(_MEANINGS.items()):
        row = y - 6.0 * i
        pen.style(STYLES[layer])
        pen.draw(Polyline(layer=layer, points=np.array([[x, row], [x + 18.0, row]])))
        _words(canvas, x + 21.0, row - 1.0, words, 8)


def _map(
    canvas: Canvas,
    tiling: Tiling,
    parts: dict[Layer, InkShelf],
    room: tuple[float, float, float, float],
) -> None:
    """The drawing made small, with the grid of pages and their names over it."""
    corners = np.array([c for t in tiling.tiles for c in (t.low, t.high)])
    if not len(corners):
        return
    low, size = corners.min(axis=0), np.ptp(corners, axis=0)
    scale = float(min((room[2] - room[0]) / size[0], (room[3] - room[1]) / size[1]))
    shift = np.array([room[0], room[1]]) - low * scale
    pen = Pen(canvas, (float(shift[0]), float(shift[1])), scale)
    pen.style(Style(width=0.2))
    pen.draw(*parts["CUT"].inks)
    _piece_names(canvas, tiling.drawing, pen)
    half = tiling.overlap_mm / 2
    for tile in tiling.tiles:
        x0 = tile.low[0] + half * (tile.column > 0)
        x1 = tile.high[0] - half * (tile.column < tiling.columns - 1)
        y0 = tile.low[1] + half * (tile.row < tiling.rows - 1)
        y1 = tile.high[1] - half * (tile.row > 0)
        ring = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
        pen.style(_FAINT)
        pen.draw(Polyline(layer="TEST", points=ring, closed=True))
        x, y = pen.at(ring.mean(axis=0))
        canvas.setFont(_FONT, 9)
        canvas.setFillColorRGB(*_GREY)
        canvas.drawCentredString(x, y - 3.0, tile.name)
        canvas.setFillColorRGB(0, 0, 0)


def _piece_names(canvas: Canvas, drawing: Drawing, pen: Pen) -> None:
    """The name of every piece in the middle of its largest outline."""
    blocks = {block.name: block for block in drawing.blocks}
    canvas.setFont(_FONT, 7)
    for insert in drawing.inserts:
        outlines = [
            moved(item, insert)
            for item in blocks[insert.block].ink
            if isinstance(item, Polyline) and item.layer == "CUT"
        ]
        if outlines:
            low_x, low_y, high_x, high_y = bounds(outlines)
            x, y = pen.at(np.array([(low_x + high_x) / 2, (low_y + high_y) / 2]))
            canvas.drawCentredString(x, y + 9.0, block_words(insert.block))


def _words(canvas: Canvas, x: float, y: float, text: str, size: float) -> None:
    """Text in the page's own font; what it lacks is shown as a question mark."""
    plain = text.encode("cp1252", "replace").decode("cp1252")
    canvas.setFillColorRGB(0, 0, 0)
    canvas.setFont(_FONT, size)
    canvas.drawString(x * POINTS_PER_MM, y * POINTS_PER_MM, plain)
