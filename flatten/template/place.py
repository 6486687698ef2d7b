"""Sets lettering along edges, and draws arrows."""

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.curves import arc_length
from flatten.geometry.freespace import CLEAR_MM, FreeSpace, text_box
from flatten.geometry.lettering import ABOVE, BELOW, text_width
from flatten.geometry.plane_curves import along, outward
from flatten.records.drawing import Ink, Layer, Polyline, Text

Array = NDArray[np.float64]


def upright(angle_deg: float) -> float:
    """The angle, turned by 180 degrees where text at it would be read upside down; (-90, 90]."""
    angle = (angle_deg + 180.0) % 360.0 - 180.0
    if angle > 90.0 + 1e-6:
        return angle - 180.0
    return angle + 180.0 if angle <= -90.0 + 1e-6 else angle


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
