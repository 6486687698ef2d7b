"""Where the ink of a drawing comes to lie: blocks turned and moved onto the sheet."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.lettering import text_strokes, text_width
from flatten.records.drawing import Circle, Drawing, Ink, Insert, Polyline, Text

Array = NDArray[np.float64]


def moved(ink: Ink, insert: Insert) -> Ink:
    """Ink of a block as it lies on the sheet.

    Mirrored lettering is set anew over the same place, so that it reads the right way round.
    """
    if isinstance(ink, Circle):
        x, y = _placed(np.array([ink.centre]), insert)[0]
        return Circle(layer=ink.layer, centre=(float(x), float(y)), radius=ink.radius)
    if isinstance(ink, Polyline):
        return Polyline(layer=ink.layer, points=_placed(ink.points, insert), closed=ink.closed)
    if insert.mirrored:
        ink = mirrored_text(ink)
        insert = Insert(block=insert.block, at=insert.at, angle_deg=insert.angle_deg)
    x, y = _placed(np.array([ink.at]), insert)[0]
    angle = ink.angle_deg + insert.angle_deg
    return Text(
        text=ink.text, at=(float(x), float(y)), height=ink.height, angle_deg=angle, layer=ink.layer
    )


def mirrored(ink: Ink) -> Ink:
    """Ink mirrored in x; lettering keeps its place and its reading direction."""
    if isinstance(ink, Circle):
        return Circle(layer=ink.layer, centre=(-ink.centre[0], ink.centre[1]), radius=ink.radius)
    if isinstance(ink, Polyline):
        return Polyline(layer=ink.layer, points=ink.points * (-1.0, 1.0), closed=ink.closed)
    return mirrored_text(ink)


def mirrored_text(text: Text) -> Text:
    """A text over the mirror image (in x) of its own place, still readable."""
    angle = np.radians(text.angle_deg)
    end = np.array(text.at) + text_width(text.text, text.height) * np.array(
        [np.cos(angle), np.sin(angle)]
    )
    return Text(
        text=text.text,
        at=(-float(end[0]), float(end[1])),
        height=text.height,
        angle_deg=-text.angle_deg,
        layer=text.layer,
    )


def _placed(points: Array, insert: Insert) -> Array:
    angle = np.radians(insert.angle_deg)
    c, s = np.cos(angle), np.sin(angle)
    local = points * (-1.0, 1.0) if insert.mirrored else points
    return local @ np.array([[c, s], [-s, c]]) + insert.at


def sheet_ink(drawing: Drawing) -> Iterator[tuple[str, Ink]]:
    """(block name, ink in sheet coordinates) of everything drawn; loose ink has the name ""."""
    blocks = {block.name: block for block in drawing.blocks}
    for insert in drawing.inserts:
        for ink in blocks[insert.block].ink:
            yield insert.block, moved(ink, insert)
    for ink in drawing.ink:
        yield "", ink


def stroked(ink: Ink) -> list[Polyline | Circle]:
    """Lettering as its strokes; all else as it is."""
    return list(text_strokes(ink)) if isinstance(ink, Text) else [ink]


def bounds(inks: Iterator[Ink] | list[Ink]) -> tuple[float, float, float, float]:
    """Least x, least y, largest x, largest y of all ink.

    Raises
    ------
    ValueError : there is none
    """
    corners: list[Array] = []
    for ink in inks:
        for part in stroked(ink):
            if isinstance(part, Circle):
                centre = np.array([part.centre])
                corners += [centre - part.radius, centre + part.radius]
            elif len(part.points):
                corners += [part.points.min(axis=0)[None], part.points.max(axis=0)[None]]
    if not corners:
        raise ValueError("nothing is drawn")
    P = np.concatenate(corners)
    low, high = P.min(axis=0), P.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])
