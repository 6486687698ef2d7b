"""Details carried on a panel, top-stitching, and facings behind gaps."""

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, Polygon

from flatten.geometry.polygons import grow, largest, signed_area
from flatten.records.drawing import Circle, Polyline
from flatten.records.flat import FlatSet
from flatten.records.material import Material
from flatten.template.cutline import without_repeats
from flatten.template.holes import RIM_MM
from flatten.template.piece import Edge, EdgeText, Piece
from flatten.template.practice import of_line
from flatten.template.spec import TemplateSpec

Array = NDArray[np.float64]


def carry_marks(piece: Piece, flat_set: FlatSet) -> None:
    """Draws the panel's detail and score lines, laid flat: where overlays lie, too."""
    panel = flat_set.panel_set.panels[piece.panel]
    U = flat_set.flats[piece.panel].U / (1.0 - flat_set.material.shrink_pct / 100.0)
    for mark in panel.marks:
        points = np.einsum("kc,kcx->kx", mark.bary, U[panel.F[mark.face]])
        layer = "SCORE" if mark.kind == "score" else "DETAIL"
        piece.ink.append(Polyline(layer=layer, points=points, closed=mark.closed))
        if mark.kind == "detail":
            piece.details.append((mark.line, points, mark.closed))


def facing_pieces(piece: Piece, material: Material, spec: TemplateSpec) -> list[Piece]:
    """A strip to lie behind every edge of a gap, with the holes that go through both.

    In cloth it is sewn to the edge with the allowance of a seam. Foam and card are not faced with
    themselves; a note asks for a strip of something that holds.
    """
    made = []
    for edge in piece.edges:
        if edge.joint != "gap" or edge.fixing not in ("lace", "closure"):
            continue
        if material.family in ("foam", "card"):
            piece.notes.append(
                f"back '{edge.name}' with a strip of leather or webbing {spec.facing_mm:.0f} mm wide"
            )
            continue
        line = LineString(edge.points)
        strip = largest(piece.net.intersection(line.buffer(spec.facing_mm, cap_style="flat")))
        if strip.is_empty or strip.area < 1.0:
            continue
        outline = np.array(strip.exterior.coords)[:-1]
        if signed_area(outline) < 0:
            outline = outline[::-1]
        width = 0.0
        if material.family == "cloth":
            width = material.allowance_mm.seam
        near = np.asarray(shapely.distance(line, shapely.points(outline))) < 1e-6
        widths = np.where(near, width, 0.0)
        facing = _facing(piece, f"facing of {edge.name}", outline, widths)
        facing.ink += [
            k
            for k in piece.ink
            if isinstance(k, Circle)
            and k.layer == "HOLE"
            and strip.buffer(-(k.radius + RIM_MM)).contains(shapely.Point(k.centre))
        ]
        made.append(facing)
    return made


def _facing(piece: Piece, name: str, outline: Array, width: Array) -> Piece:
    """A piece whose border is one edge; `width` is the allowance at every point of the outline."""
    points = np.vstack([outline, outline[:1]])
    edge = Edge(name=name, line=name, points=points, vertex_at=np.array([0.0, 1.0]))
    edge.allowance_mm = float(width.max(initial=0.0))
    both = np.minimum(width, np.roll(width, -1))
    made = Piece(
        panel=piece.panel,
        name=f"{piece.name}, {name}",
        edges=[edge],
        net=Polygon(outline),
        role="facing",
    )
    made.cut = without_repeats(grow(outline, np.stack([both, both], axis=1)))
    return made


def topstitch(piece: Piece, material: Material, spec: TemplateSpec) -> None:
    """Rows of stitching at distances inside the edges that the spec names, with their count."""
    for i, edge in enumerate(piece.edges):
        for inside in of_line(spec.topstitch, edge.name, edge.line) or ():
            line = LineString(edge.points).offset_curve(inside)  # left of the direction: inside
            line = line.intersection(piece.net.buffer(-0.5 * inside))
            parts = [
                p
                for p in getattr(line, "geoms", [line])
                if p.geom_type == "LineString" and p.length
            ]
            pitch = 4.0 if material.family == "leather" else 3.0
            stitches = 0
            for part in parts:
                piece.ink.append(Polyline(layer="DETAIL", points=np.array(part.coords)))
                stitches += max(1, round(part.length / pitch))
            if parts:
                words = (f"top-stitch {inside:g} mm, {stitches} stitches", f"top-stitch {inside:g}")
                piece.words.append(EdgeText(edge=i, wordings=words, needed=False))
