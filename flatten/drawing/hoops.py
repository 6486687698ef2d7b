"""Sheets for the embroidery hoop: every field of every template by itself, true size, on its cross."""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Point, Polygon, box

from flatten.geometry.lettering import text_width
from flatten.geometry.placing import moved
from flatten.geometry.polygons import stretches_in
from flatten.records.drawing import Block, Circle, Drawing, Ink, Insert, Polyline, Text
from flatten.records.template import Hooping, Template, TemplateSet

Array = NDArray[np.float64]

GAP_MM = 20.0
LETTERS_MM = 4.0
CROSS_MM = 8.0
REGISTER_MM = 4.0
# What is worked in the hoop, or shows where it lies.
_SHOWN = ("CUT", "NET", "SCORE", "DETAIL", "HOLE")


def hoop_sheet(template_set: TemplateSet, title: str = "") -> Drawing | None:
    """One drawing with a block for each hooping, or None where there are none.

    A block holds what lies in its field, the field's edge (STOCK), a cross at its middle, which is
    the block's origin, and a cross at every place that it shares with a neighbour (DETAIL). The
    same mark in two fields is the same place on the template; each names the field it is shared
    with.
    """
    fields = [(t, h) for t in template_set.templates for h in t.hoopings]
    if not fields:
        return None
    sizes = np.array([np.ptp(_square(h), axis=0) for _, h in fields])
    room = max(text_width(_title(t, h), LETTERS_MM) for t, h in fields)
    low, high = sizes.max(axis=0)
    step = np.array([max(low, room) + GAP_MM, high + GAP_MM + 2.0 * LETTERS_MM])
    columns = math.ceil(math.sqrt(len(fields)))
    rows = math.ceil(len(fields) / columns)
    blocks, inserts = [], []
    for i, (template, hooping) in enumerate(fields):
        name = f"HOOP-{i + 1}"
        mates = [h for t, h in fields if t is template and h.of == hooping.of]
        blocks.append(Block(name=name, ink=tuple(field_ink(template, hooping, mates))))
        row, column = divmod(i, columns)
        at = (step * [column + 0.5, rows - row - 0.5]).tolist()
        inserts.append(Insert(block=name, at=(at[0], at[1])))
    return Drawing(
        title=title,
        width_mm=float(step[0] * columns),
        height_mm=float(step[1] * rows),
        blocks=tuple(blocks),
        inserts=tuple(inserts),
    )


def field_ink(template: Template, hooping: Hooping, mates: list[Hooping]) -> list[Ink]:
    """What one field shows, its middle at the origin and its sides level."""
    square = _square(hooping)
    half = np.ptp(square, axis=0) / 2
    field = box(-half[0], -half[1], half[0], half[1])
    corners = np.array(field.exterior.coords)[:-1]
    ink: list[Ink] = [Polyline(layer="STOCK", points=corners, closed=True)]
    ink.append(_text(_title(template, hooping), -half + [0.0, 2 * half[1] + 6.0]))
    ink.append(_text(f"hoop {hooping.number} of {hooping.count}", -half + [0.0, 2 * half[1] + 1.0]))
    outline = Polyline(layer="CUT", points=template.cut, closed=True)
    inner = [Polyline(layer="CUT", points=points, closed=True) for points in template.inner]
    own = np.vstack([_places(h) for h in template.hoopings])
    for item in (outline, *inner, *template.ink):
        if item.layer in _SHOWN and not _is_cross(item, own):
            ink += _clipped(_levelled(item, hooping), field)
    ink += _cross(np.zeros(2), CROSS_MM)
    here = _level(hooping.registers, hooping)
    for mate in mates:
        if mate is hooping or len(mate.registers) == 0 or len(here) == 0:
            continue
        theirs = _level(mate.registers, hooping)
        shared = np.linalg.norm(here[:, None] - theirs[None], axis=2).min(axis=1) < 1e-6
        for place in here[shared]:
            ink += _cross(place, REGISTER_MM)
            word = str(mate.number)
            ink.append(_text(word, place + [1.5, 1.5]))
    return ink


def _title(template: Template, hooping: Hooping) -> str:
    """The piece, and what of it is worked."""
    return template.name + ("" if template.name.endswith(hooping.of) else f", {hooping.of}")


def _places(hooping: Hooping) -> Array:
    """(1 + r, 2) the field's middle and its register marks, on the template."""
    return np.vstack([hooping.corners.mean(axis=0), hooping.registers])


def _is_cross(ink: Ink, places: Array) -> bool:
    """Whether ink is an arm of one of the template's own crosses, which the sheet draws anew."""
    if not isinstance(ink, Polyline) or ink.layer != "DETAIL" or len(ink.points) != 2:
        return False
    middle = ink.points.mean(axis=0)
    return bool((np.linalg.norm(places - middle, axis=1) < 1e-6).any())


def _square(hooping: Hooping) -> Array:
    """(4, 2) the field's corners with its middle at the origin and its sides level."""
    return _level(hooping.corners, hooping)


def _level(points: Array, hooping: Hooping) -> Array:
    turn = np.radians(hooping.angle_deg)
    c, s = np.cos(turn), np.sin(turn)
    return (points - hooping.corners.mean(axis=0)) @ np.array([[c, -s], [s, c]])


def _levelled(ink: Ink, hooping: Hooping) -> Ink:
    at = _level(np.zeros((1, 2)), hooping)[0]
    where = (float(at[0]), float(at[1]))
    return moved(ink, Insert(block="", at=where, angle_deg=-hooping.angle_deg))


def _clipped(ink: Ink, field: Polygon) -> list[Ink]:
    """The part of a line or circle that lies in a field."""
    if isinstance(ink, Text):
        return []
    if isinstance(ink, Circle):
        inside = field.contains(Point(ink.centre).buffer(ink.radius))
        return [ink] if inside else []
    return [
        replace(ink, points=points, closed=ink.closed and whole)
        for points, whole in stretches_in(ink.points, ink.closed, field)
    ]


def _cross(centre: Array, arm: float) -> list[Ink]:
    return [
        Polyline(layer="DETAIL", points=np.array([centre - way, centre + way]))
        for way in (np.array([arm, 0.0]), np.array([0.0, arm]))
    ]


def _text(words: str, at: Array) -> Text:
    return Text(text=words, at=(float(at[0]), float(at[1])), height=LETTERS_MM)
