"""Hoopings: what is larger than the embroidery hoop is worked field by field, each centred on a cross."""

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import rotate
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from flatten.records.drawing import Polyline
from flatten.records.template import Hooping
from flatten.template.piece import Piece

Array = NDArray[np.float64]

OVERLAP_MM = 15.0  # least width that two neighbouring fields share
CROSS_MM = 6.0  # arms of a centre cross
REGISTER_MM = 2.5  # arms of a register mark, which stands in the middle of an overlap


def hoop_piece(
    piece: Piece, grain_deg: float, hoop_mm: tuple[float, float], *, whole: bool
) -> None:
    """Plans the hoopings of each detail on a piece; `whole`: of the piece itself where it has none.

    Sets `piece.hoopings`, and draws the centre crosses and register marks that lie on the piece.
    """
    wanted: list[tuple[str, BaseGeometry]] = []
    for name, parts in _by_name(piece.details).items():
        wanted.append(
            (name, shapely.union_all([_shape(points, closed) for points, closed in parts]))
        )
    if not wanted and whole:
        wanted = [(piece.name, piece.net)]
    for name, shape in wanted:
        piece.hoopings += plan_hoopings(name, shape, grain_deg, hoop_mm)
    shapely.prepare(piece.cut)
    for hooping in piece.hoopings:
        for mark in hoop_marks(hooping):
            if piece.cut.contains(LineString(mark.points)):
                piece.ink.append(mark)


def plan_hoopings(
    name: str, shape: BaseGeometry, grain_deg: float, hoop_mm: tuple[float, float]
) -> list[Hooping]:
    """Fields that cover a shape, squared up with the grain, the way round that needs fewer.

    hoop_mm : width and length of the field that the machine can sew. Neighbours share at least
        `OVERLAP_MM`, more where the fields hold more than is needed; a field in which nothing lies
        is left out.
    """
    level = rotate(shape, 90.0 - grain_deg, origin=(0.0, 0.0))
    tries = [_fields(level, *size) for size in (hoop_mm, hoop_mm[::-1])]
    size, fields = min(tries, key=lambda t: len(t[1]))
    turn = np.radians(grain_deg - 90.0)
    back = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    low = np.array([-0.5, -0.5]) * size
    hoopings = []
    for number, middle in enumerate(fields, start=1):
        marks = []
        for other in fields:
            step = other - middle
            near = np.abs(step) < size - 0.5 * OVERLAP_MM
            if near.all() and np.count_nonzero(np.abs(step) > 1e-9) == 1:
                along = (np.abs(step) < 1e-9) * 0.15 * size
                marks += [0.5 * (middle + other) + sign * along for sign in (-1.0, 1.0)]
        registers = np.array(marks).reshape(-1, 2) @ back
        hoopings.append(
            Hooping(
                of=name,
                number=number,
                count=len(fields),
                corners=(middle + low * [[1, 1], [-1, 1], [-1, -1], [1, -1]]) @ back,
                registers=registers,
                angle_deg=grain_deg - 90.0,
            )
        )
    return hoopings


def _fields(shape: BaseGeometry, width: float, length: float) -> tuple[Array, list[Array]]:
    """The size of the field, and the middles of those needed, row by row from the upper left."""
    x0, y0, x1, y1 = shape.bounds
    size = np.array([width, length])
    xs, ys = _middles(x0, x1, width), _middles(y0, y1, length)[::-1]
    middles = []
    for y in ys:
        for x in xs:
            field = box(x - width / 2, y - length / 2, x + width / 2, y + length / 2)
            if shapely.intersects(field, shape):
                middles.append(np.array([x, y]))
    return size, middles


def _middles(low: float, high: float, field: float) -> list[float]:
    """Evenly spaced middles of fields that together reach from low to high."""
    span = high - low
    count = 1
    if span > field:
        count = 1 + int(np.ceil((span - field) / max(field - OVERLAP_MM, 1.0) - 1e-9))
    if count == 1:
        return [0.5 * (low + high)]
    return np.linspace(low + field / 2, high - field / 2, count).tolist()


def hoop_marks(hooping: Hooping) -> list[Polyline]:
    """A cross at the field's middle and a smaller one at each register mark."""
    turn = np.radians(hooping.angle_deg)
    right = np.array([np.cos(turn), np.sin(turn)])
    up = np.array([-right[1], right[0]])
    middle = hooping.corners.mean(axis=0)
    marks = []
    for centre, arm in [(middle, CROSS_MM), *((p, REGISTER_MM) for p in hooping.registers)]:
        for way in (right, up):
            ends = np.array([centre - arm * way, centre + arm * way])
            marks.append(Polyline(layer="DETAIL", points=ends))
    return marks


def _by_name(
    details: list[tuple[str, Array, bool]],
) -> dict[str, list[tuple[Array, bool]]]:
    found: dict[str, list[tuple[Array, bool]]] = {}
    for name, points, closed in details:
        found.setdefault(name, []).append((points, closed))
    return found


def _shape(points: Array, closed: bool) -> BaseGeometry:
    if len(points) == 1:
        return Point(points[0])
    if closed and len(points) > 2:
        return shapely.make_valid(Polygon(points))
    return LineString(points)


def flipped(hooping: Hooping, flip: Array) -> Hooping:
    """The hooping on the other face of its piece; `flip` is (-1, 1) or (1, 1)."""
    if flip[0] > 0.0:
        return hooping
    return Hooping(
        of=hooping.of,
        number=hooping.number,
        count=hooping.count,
        corners=hooping.corners[[1, 0, 3, 2]] * flip,
        registers=hooping.registers * flip,
        angle_deg=-hooping.angle_deg,
    )
