"""Turned edges: slits where the rim is hollow, notches where it is round, and the skive zone."""

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import LineString, Point

from flatten.geometry.curves import arc_length
from flatten.geometry.plane_curves import along, beside, outward
from flatten.records.drawing import Polyline
from flatten.records.material import Material, Ply
from flatten.template.piece import Edge, EdgeText, Piece
from flatten.template.spec import TemplateSpec
from flatten.template.square import across

Array = NDArray[np.float64]

WINDOW_MM = 8.0  # the bend of a rim is measured over this much to either side at least
LEAST_GAIN = 0.06  # a turned width that must stretch or gather less than this needs no relief
CLOSE_MM, WIDE_MM = 12.0, 45.0  # least and greatest distance between slits or notches
RELIEF_MM = 3.0  # what one of them opens or takes out, as far as those distances allow


def relieve_turns(piece: Piece, ply: Ply, material: Material, spec: TemplateSpec) -> None:
    """Slits on hollow and V notches on round stretches of turned rims, and the skive line.

    Both stop short of the fold by the thickness that the edge goes round, at least 2 mm.
    """
    beneath = spec.beneath_mm if ply.over is not None else 0.0
    for i, edge in enumerate(piece.edges):
        if edge.seam >= 0 or edge.finish != "turned" or edge.allowance_mm <= 4.0:
            continue
        keep = max(2.0, beneath)
        if edge.allowance_mm > keep + 2.0:
            _relief(piece, edge, keep)
        if material.family == "leather":
            _skive(piece, i, edge, beneath)


def _relief(piece: Piece, edge: Edge, keep: float) -> None:
    """Cuts from the cut line toward the net line wherever the turned width must change length."""
    length, width = edge.length, edge.allowance_mm
    # What is narrower than the turned width itself (the rags of a rim) asks for no relief.
    window = max(WINDOW_MM, 0.75 * width)
    at = CLOSE_MM
    while at < length - CLOSE_MM / 2.0:
        t = along(edge.points, np.array([at - window, at + window]))[1]
        turn = float(np.arctan2(t[0, 0] * t[1, 1] - t[0, 1] * t[1, 0], t[0] @ t[1]))
        reach = min(at + window, length) - max(at - window, 0.0)
        gain = width * turn / reach  # positive: the cut edge is longer than where it will lie
        if abs(gain) < LEAST_GAIN:
            at += 0.5 * WINDOW_MM
            continue
        step = min(max(RELIEF_MM / abs(gain), CLOSE_MM), WIDE_MM)
        place, direction = across(edge.points, at)
        foot = place + direction * keep
        middle, side = place + direction * width, outward(direction)
        half = min(0.5 * gain * step, 0.35 * CLOSE_MM) if gain > 0.0 else 0.0
        mouths = [middle - side * half, middle + side * half] if half else [middle]
        ends = [_out_to_cut(piece, foot, mouth) for mouth in mouths]
        points = np.array([ends[0], foot, *ends[1:]])
        deep = all(np.linalg.norm(end - foot) >= 0.8 * (width - keep) for end in ends)
        if deep and piece.cut.buffer(1e-6).covers(LineString(points)):
            piece.ink.append(Polyline(layer="SNIP", points=points))
        at += step


def _out_to_cut(piece: Piece, foot: Array, mouth: Array) -> Array:
    """Where a slit from a place in an allowance out toward its mouth meets the cut line.

    At a bend that is a little beyond. Where two allowances run together, as in a hollow narrower
    than they are wide, it is far: there the slit ends at the mouth.
    """
    ray = LineString([foot, foot + 1.3 * (mouth - foot)]).intersection(piece.cut)
    if ray.geom_type != "LineString" or ray.is_empty:
        return mouth
    end = max(ray.coords, key=lambda p: float(np.linalg.norm(p - foot)))
    return np.array(end) if piece.cut.exterior.distance(Point(end)) < 1e-6 else mouth


def _skive(piece: Piece, index: int, edge: Edge, beneath: float) -> None:
    """The line outside which leather is thinned, as far as it lies in the piece."""
    reach = arc_length(edge.points)
    line = LineString(beside(edge.points, reach, max(beneath, 1.0)))
    inside = line.intersection(piece.cut.buffer(-0.5))
    for part in getattr(inside, "geoms", [inside]):
        if part.geom_type == "LineString" and part.length > 5.0:
            piece.ink.append(Polyline(layer="DETAIL", points=np.array(part.coords)))
    width = edge.allowance_mm
    words = (f"turn {width:.0f} mm, skive outside the line", f"turn {width:.0f} mm, skive")
    piece.words.append(EdgeText(edge=index, wordings=words, needed=False))
