"""Flats to templates: net and cut line, marks, grain line and lettering of every piece."""

import numpy as np
from numpy.typing import NDArray
from shapely.affinity import scale

from flatten.geometry.polygons import grow, largest
from flatten.records.drawing import Circle, Ink, Polyline, Text
from flatten.records.flat import FlatSet
from flatten.records.material import Ply
from flatten.records.panels import Panel, PanelSet
from flatten.records.template import NetEdge, Template, TemplateSet
from flatten.template.label import Label, letter_edges, letter_grain, letter_label
from flatten.template.piece import EdgeText, Piece, net_piece, ring
from flatten.template.place import FreeSpace, shape_of
from flatten.template.spec import TemplateSpec

Array = NDArray[np.float64]


def build_templates(flat_set: FlatSet, ply: Ply, spec: TemplateSpec) -> TemplateSet:
    """A template for every flat of a ply.

    All geometry is made with the outside of the garment up; where `ply.face` is "back" it is then
    mirrored in x, before anything is lettered, so that words read on either face.
    """
    pieces = [net_piece(flat_set, i, ply) for i in range(len(flat_set.flats))]
    for piece in pieces:
        cut_line(piece)
        carry_marks(piece, flat_set)
        name_edges(piece)
    templates = tuple(
        finished(piece, flat_set, ply, spec, number, len(pieces))
        for number, piece in enumerate(pieces, start=1)
    )
    return TemplateSet(flat_set=flat_set, templates=templates)


def cut_line(piece: Piece) -> None:
    """The net line grown by the allowance of every edge."""
    widths = np.concatenate(
        [np.full((len(e.points) - 1, 2), e.allowance_mm) for e in piece.edges]
    )  # fmt: skip
    piece.cut = grow(ring(piece.edges), widths)


def carry_marks(piece: Piece, flat_set: FlatSet) -> None:
    """Detail and score lines of the panel, laid flat."""
    panel = flat_set.panel_set.panels[piece.panel]
    U = flat_set.flats[piece.panel].U
    for mark in panel.marks:
        points = np.einsum("kc,kcx->kx", mark.bary, U[panel.F[mark.face]])
        layer = "SCORE" if mark.kind == "score" else "DETAIL"
        piece.ink.append(Polyline(layer=layer, points=points, closed=mark.closed))


def name_edges(piece: Piece) -> None:
    """What is written along each edge: its name, its partner and how the two are joined."""
    for i, edge in enumerate(piece.edges):
        if edge.seam < 0:
            wordings = (edge.name,)
        elif edge.dart:
            wordings = (f"{edge.name}, dart, {edge.fixing}", f"{edge.name}, dart", edge.name)
        else:
            to = f"{edge.name} to {edge.partner}"
            wordings = (f"{to}: {edge.joint}, {edge.fixing}", to, edge.name)
        piece.words.append(EdgeText(edge=i, wordings=wordings))


def finished(
    piece: Piece, flat_set: FlatSet, ply: Ply, spec: TemplateSpec, number: int, count: int
) -> Template:
    """The template of a piece, turned to the face it is drawn for, and lettered."""
    panel_set = flat_set.panel_set
    panel, flat = panel_set.panels[piece.panel], flat_set.flats[piece.panel]
    sign = -1.0 if ply.face == "back" else 1.0
    flip = np.array([sign, 1.0])
    edges = [edge.points * flip for edge in piece.edges]
    grain_deg = flat.grain_deg if sign > 0 else 180.0 - flat.grain_deg
    up = wearers_up(panel, flat.U) * flip
    ink = [_flipped(item, sign) for item in piece.ink]
    net = tuple(
        NetEdge(
            name=edge.name,
            points=points,
            seam=edge.seam,
            side=edge.side,
            joint=edge.joint,
            fixing=edge.fixing,
            partner=edge.partner,
            allowance_mm=edge.allowance_mm,
        )
        for edge, points in zip(piece.edges, edges, strict=True)
    )
    outline = np.concatenate([points[:-1] for points in edges])
    ink.insert(0, Polyline(layer="NET", points=outline, closed=True))

    label = Label(
        title=spec.title,
        wearer=spec.wearer,
        panel=piece.name,
        place=wearers_side(panel, panel_set),
        ply=ply.name,
        material=flat_set.material.name,
        quantity="cut 1",
        piece=f"piece {number} of {count}",
        revision=f"revision {spec.revision}" + (f", {spec.date}" if spec.date else ""),
        face=ply.face,
        up_deg=float(np.degrees(np.arctan2(up[1], up[0]))),
    )
    lettering, notes = _lettered(piece, label, edges, ink, sign, grain_deg)
    return Template(
        name=f"{ply.name} {piece.name}",
        ply=ply.name,
        panel=piece.name,
        net=net,
        cut=np.array(piece.cut.exterior.coords)[:-1] * flip,
        inner=tuple(points * flip for points in piece.inner),
        ink=tuple(ink + lettering),
        grain_deg=grain_deg,
        face=ply.face,
        notes=tuple(piece.notes + notes),
    )


def _lettered(
    piece: Piece,
    label: Label,
    edges: list[Array],
    ink: list[Ink],
    sign: float,
    grain_deg: float,
) -> tuple[list[Ink], list[str]]:
    """Words along the edges, the label and the grain line; the label first where room is short."""
    inside = largest(piece.net.intersection(piece.cut))
    inside = scale(inside, xfact=sign, yfact=1.0, origin=(0.0, 0.0))
    # On a mirrored piece the inside lies on the right of an edge's direction: walk it backwards.
    walk = edges if sign > 0 else [points[::-1] for points in edges]
    x0, _, x1, y1 = piece.cut.bounds
    beside = np.array([(x1 if sign > 0 else -x0) + 3.0, y1])
    taken = [shape_of(item) for item in ink[1:]]
    space = FreeSpace(inside, taken)
    words, notes = letter_edges(space, walk, piece.words)
    block, said = letter_label(space, label, beside)
    if said:
        space = FreeSpace(inside, taken)
        block, said = letter_label(space, label, beside)
        words, notes = letter_edges(space, walk, piece.words)
    grain = letter_grain(space, grain_deg)
    return [*words, *block, *grain], notes + ([said] if said else [])


def _flipped(ink: Ink, sign: float) -> Ink:
    if sign > 0 or isinstance(ink, Text):
        return ink
    if isinstance(ink, Circle):
        return Circle(layer=ink.layer, centre=(-ink.centre[0], ink.centre[1]), radius=ink.radius)
    return Polyline(layer=ink.layer, points=ink.points * np.array([-1.0, 1.0]), closed=ink.closed)


def wearers_up(panel: Panel, U: Array) -> Array:
    """(2,) unit direction on the flat in which height on the wearer grows most; +y if none does.

    The least-squares plane through height over the flat, vertices alike.
    """
    A = np.column_stack([U - U.mean(axis=0), np.ones(len(U))])
    slope = np.asarray(np.linalg.lstsq(A, panel.V[:, 1], rcond=None)[0][:2], dtype=np.float64)
    size = float(np.linalg.norm(slope))
    return slope / size if size > 0.1 else np.array([0.0, 1.0])


def wearers_side(panel: Panel, panel_set: PanelSet) -> str:
    """Which side of the wearer a panel lies on."""
    cast = panel_set.cast
    middle = 0.5 * (cast.V[:, 0].min() + cast.V[:, 0].max())
    if cast.symmetry is not None:
        middle = float(cast.symmetry.point[0])
    x = panel.V[:, 0] - middle
    share = float((x > 0).mean())
    if share > 0.8:
        return "wearer's left"
    return "wearer's right" if share < 0.2 else "across the wearer's middle"
