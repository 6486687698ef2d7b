"""Darts by material: a wedge cut out of foam, a butt in leather, a fold in cloth."""

import numpy as np
from numpy.typing import NDArray

from flatten.records.drawing import Circle, Polyline
from flatten.records.material import Material
from flatten.template.cutline import Dart, darts_of
from flatten.template.piece import EdgeText, Piece
from flatten.template.spec import TemplateSpec

Array = NDArray[np.float64]

DRILL_MM = 1.0  # diameter of a drill mark


def prepare_darts(piece: Piece, material: Material) -> None:
    """A dart's legs meet edge to edge, or are sewn along the net line of a fold: no allowance."""
    for edge in piece.edges:
        if edge.dart:
            edge.allowance_mm = 0.0
            edge.joint = "fold" if material.family == "cloth" else "butt"


def draw_darts(piece: Piece, material: Material, spec: TemplateSpec, up: Array) -> None:
    """What the bench needs at each dart, after the cut line is known.

    Cloth: sewing lines to a point `dart_stop_mm` short of the dart's own, a drill mark there, the
    fold line, and which way to press (toward the wearer's middle, a level one down). Leather: a
    relief hole at the point. Foam: the wedge is the cut line's own.
    """
    for dart in darts_of(piece.edges):
        if not dart.opens:
            piece.notes.append(
                f"the legs of dart '{piece.edges[dart.first].name}' cross on the flat: material is"
                " missing there, not spare; let in a gusset instead"
            )
            continue
        if material.family == "cloth":
            _folded(piece, dart, spec, up)
            continue
        said = "wedge cut out" if material.family == "foam" else "edge to edge"
        if material.family == "leather":
            x, y = dart.point
            piece.ink.append(
                Circle(layer="HOLE", centre=(float(x), float(y)), radius=spec.relief_mm / 2)
            )
        name = piece.edges[dart.first].name
        piece.words.append(
            EdgeText(edge=dart.first, wordings=(f"{name}, dart: {said}", f"{name}, dart", name))
        )


def _folded(piece: Piece, dart: Dart, spec: TemplateSpec, up: Array) -> None:
    stop = min(spec.dart_stop_mm, 0.3 * dart.length)
    end = dart.point + dart.axis * stop
    lines = [np.array([dart.mouth[0], end]), np.array([dart.mouth[1], end])]
    lines.append(np.array([end, dart.mouth.mean(axis=0)]))
    piece.ink += [Polyline(layer="DETAIL", points=line) for line in lines]
    piece.ink.append(
        Circle(layer="HOLE", centre=(float(end[0]), float(end[1])), radius=DRILL_MM / 2)
    )
    way = "toward the middle" if abs(float(dart.axis @ up)) > 0.7 else "down"
    name = piece.edges[dart.first].name
    said = f"{name}, dart {dart.intake:.0f} mm"
    piece.words.append(
        EdgeText(
            edge=dart.first,
            wordings=(f"{said}: fold, press {way}", f"{name}: press {way}", f"press {way}"),
        )
    )
