"""Pieces to lay: outlines grown by half the gap, and the turns that grain and nap allow."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from flatten.geometry.polygons import largest
from flatten.records.material import Material, Stock
from flatten.records.template import Template

Array = NDArray[np.float64]

# Beyond this many points an outline is simplified, and grown by as much as that may cut off.
FEW_POINTS = 40
SLACK_MM = 0.06
# A corner is mitred up to a right angle's; sharper ones are cut off square, beyond the gap.
MITRE = 1.5
STEPS = 8  # turns tried of a piece that may lie any way


@dataclass(frozen=True, eq=False, kw_only=True)
class Shape:
    """One piece, as often as it is to be cut that way round.

    template : its index; mirrored : the second of a pair
    true : its outline (cut-outs are holes) as it lies unturned, mm
    grown : the same grown by half of the gap; where no two grown pieces overlap, the gap is kept
    angles : allowed turns in degrees, the plainest first; any : every other turn is allowed too
    """

    template: int
    mirrored: bool
    true: Polygon
    grown: Polygon
    angles: tuple[float, ...]
    any: bool


# Leather may lie this far off the backbone, degrees (common practice).
OFF_BACKBONE_DEG = 10.0


def shapes_of(
    template: Template, index: int, stock: Stock, material: Material, loose_deg: float = 0.0
) -> list[Shape]:
    """A shape for every piece that a template stands for; the second of a pair is mirrored.

    On a hide whose backbone is known every piece has its grain along it, so that it stretches
    toward the belly. `loose_deg` are more turns than the grain allows, either way.
    """
    true = true_outline(template)
    grown = grown_outline(template, true, stock, material)
    shapes = []
    for copy in range(template.quantity):
        flip = copy % 2 == 1
        a, b = (affinity.scale(p, -1.0, 1.0, origin=(0, 0)) if flip else p for p in (true, grown))
        grain = 180.0 - template.grain_deg if flip else template.grain_deg
        angles = turns(material, -grain, a)
        spine = stock.backbone_deg
        if spine is not None:
            way = spine - grain
            off = 0.0 if material.grain == "along" else OFF_BACKBONE_DEG
            ways = (way,) if material.one_way else (way, way + 180.0)
            angles = tuple(dict.fromkeys(a + d for d in (0.0, off, -off) for a in ways))
        if loose_deg:
            angles = tuple(a + d for a in angles for d in (0.0, loose_deg, -loose_deg))
        shapes.append(
            Shape(
                template=index,
                mirrored=flip,
                true=a,
                grown=b,
                angles=angles,
                any=material.grain == "free" and not material.one_way and spine is None,
            )
        )
    return shapes


def true_outline(template: Template) -> Polygon:
    """The piece as it is cut: its cut line, less its cut-outs."""
    outer = Polygon(template.cut) if len(template.cut) > 2 else Polygon()
    if not outer.is_valid:
        outer = largest(shapely.make_valid(outer))
    holes = [Polygon(ring) for ring in template.inner if len(ring) > 2]
    holes = [shapely.make_valid(hole) for hole in holes]
    return largest(outer.difference(shapely.union_all(holes)), eye=0.0) if holes else outer


def grown_outline(template: Template, true: Polygon, stock: Stock, material: Material) -> Polygon:
    """The piece and half of the clearance round it; more along bevelled edges.

    The clearance is the gap between the cuts as they are written, each moved out by half a kerf.
    A blade tilted for a bevel of half-angle a goes t tan(a) beyond the line at the other face.
    """
    half = 0.5 * (stock.gap_mm + material.kerf_mm)
    slack = SLACK_MM if shapely.get_num_coordinates(true) > FEW_POINTS else 0.0
    grown: BaseGeometry = true.buffer(half + slack, join_style="mitre", mitre_limit=MITRE)
    sides = []
    for edge in template.net:
        steepest = max((abs(turn) for _, turn in edge.bevels), default=0.0)
        if steepest > 0.0 and len(edge.points) > 1:
            under = material.thickness_mm * float(np.tan(np.radians(min(steepest, 80.0))))
            setout = max(material.k, 1.0 - material.k) * under
            reach = edge.allowance_mm + setout + under + half + slack
            sides.append(LineString(edge.points).buffer(reach, quad_segs=4))
    if sides:
        grown = shapely.union_all([grown, *sides])
    if slack > 0.0:
        grown = grown.simplify(slack)
    return largest(grown, eye=0.0)


def turns(material: Material, along: float, outline: Polygon) -> tuple[float, ...]:
    """Turns to try, degrees: along the grain (both ways unless one way), or all round.

    A material that is free but one way has a nap: its direction is the grain line's.
    """
    if material.grain == "along" or material.one_way:
        return (along,) if material.one_way else (along, along + 180.0)
    box = shapely.minimum_rotated_rectangle(outline)
    if isinstance(box, Polygon) and not box.is_empty:
        P = np.array(box.exterior.coords)
        sides = np.diff(P[:3], axis=0)
        long = sides[np.argmax(np.linalg.norm(sides, axis=1))]
        flat = -float(np.degrees(np.arctan2(long[1], long[0])))
    else:
        flat = along
    return tuple(flat + 360.0 * step / STEPS for step in range(STEPS))


def turned(shape: BaseGeometry, angle_deg: float) -> BaseGeometry:
    """A geometry turned about the origin."""
    return affinity.rotate(shape, angle_deg, origin=(0, 0))


def moved(shape: BaseGeometry, x: float, y: float) -> BaseGeometry:
    return affinity.translate(shape, x, y)


def extent(shape: BaseGeometry) -> tuple[float, float]:
    """Size along x and y."""
    x0, y0, x1, y1 = shape.bounds
    return x1 - x0, y1 - y0


def rings_of(shape: BaseGeometry) -> tuple[Array, NDArray[np.int64]]:
    """All border points of a polygon or several, and where each ring begins (and the last ends)."""
    rings = [
        np.array(ring.coords)[:-1]
        for part in shapely.get_parts(shape)
        if isinstance(part, Polygon) and not part.is_empty
        for ring in (part.exterior, *part.interiors)
    ]
    starts = np.cumsum([0, *(len(ring) for ring in rings)]).astype(np.int64)
    points = np.concatenate(rings) if rings else np.zeros((0, 2))
    return np.ascontiguousarray(points), starts
