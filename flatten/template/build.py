"""Flats to templates: net and cut line, marks, holes, grain line and lettering of every piece."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from shapely.affinity import scale

from flatten.geometry.curves import arc_length
from flatten.geometry.freespace import FreeSpace, shape_of
from flatten.geometry.placing import mirrored
from flatten.geometry.polygons import largest
from flatten.records.drawing import Ink, Polyline
from flatten.records.flat import FlatSet
from flatten.records.material import Ply
from flatten.records.panels import Panel, PanelSet
from flatten.records.template import NetEdge, Template, TemplateSet
from flatten.template.alter import alter_edges, follow_edges
from flatten.template.bevel import Fold, set_bevels
from flatten.template.changes import changes
from flatten.template.cutline import cut_line
from flatten.template.darts import draw_darts, prepare_darts
from flatten.template.details import carry_marks, facing_pieces, topstitch
from flatten.template.holes import punch_details, punch_seams
from flatten.template.hoops import flipped, hoop_piece
from flatten.template.label import Label, letter_allowance, letter_edges, letter_grain, letter_label
from flatten.template.mockup import as_mock_up, draw_fitting_lines
from flatten.template.notches import junction_letters, mark_junctions, mark_seams, twin_seams
from flatten.template.pairs import Pair, mirror_pairs, mirrored_piece, twin_names, why_not_shared
from flatten.template.piece import Edge, EdgeText, Piece, close_net, net_piece, ring
from flatten.template.points import place_points
from flatten.template.practice import sewn_unasked
from flatten.template.spec import TemplateSpec
from flatten.template.split import Parting, drawn_over
from flatten.template.tracks import tracks
from flatten.template.turned import relieve_turns

Array = NDArray[np.float64]

NAMED_MM = 15.0  # a detail line shorter than this goes without its name
SAID_MM = 0.5  # a template that is farther than this off the mirror image it serves says so


def build_templates(flat_set: FlatSet, ply: Ply, spec: TemplateSpec) -> TemplateSet:
    """A template for every flat of a ply, for facings behind its gaps and details cut by themselves.

    All geometry is made with the outside of the garment up; where `ply.face` is "back" it is then
    mirrored in x, before anything is lettered, so that words read on either face.

    Raises
    ------
    BadInput : an alteration names nothing that is there
    """
    if ply.making.mock_up:
        ply, flat_set = as_mock_up(ply, flat_set)
        spec = replace(spec, rim_finish=ply.making.rim_finish, beneath_mm=0.0)
    if spec.marks == "back":
        ply = replace(ply, face="back")
    pieces = make_pieces(flat_set, ply, spec)
    notes = binding_notes(pieces, spec)
    shrink = flat_set.material.shrink_pct
    if shrink > 0.0:
        notes.append(
            f"net lines, details and marks are drawn larger, to be true once {shrink:g} % is lost in"
            " the forming; allowances, hole pitches and the flat sizes in the report are not"
        )
    if flat_set.material.family == "foam" and ply.face == "face":
        notes.append("match marks belong on the back of foam: carry them over, or draw the backs")
    if any(sewn_unasked(seam, ply.joints, flat_set.material) for seam in flat_set.panel_set.seams):
        notes.append(
            "cloth is sewn where the lines say no joint: 'joints' of the ply can name another"
        )
    sides = wearers_sides(pieces, flat_set.panel_set)
    pairs = mirror_pairs(pieces, sides, spec.pair_tolerance_mm)
    twins = twin_names(pairs, pieces)
    shared: dict[int, Pair] = {}
    if spec.one_per_pair:
        for pair in pairs:
            why = why_not_shared(pair, pieces)
            left, right = pieces[pair.left], pieces[pair.right]
            if why:
                notes.append(f"{left.name} and {right.name} have templates of their own: {why}")
                continue
            shared[pair.left] = pair
            left.quantity = 2
            if pair.away_mm > SAID_MM:
                notes.append(
                    f"{right.name} is cut from the template of {left.name}, which is up to"
                    f" {pair.away_mm:.1f} mm off it; make the cast symmetric to mend that"
                )
    dropped = {pair.right for pair in shared.values()}
    parted = Parting(flat_set, ply, spec, [piece.name for piece in pieces])
    kept = [
        (i, k, part)
        for i in range(len(pieces))
        if i not in dropped
        for k, part in enumerate(parted(pieces[i]))
    ]
    templates = []
    for number, (i, k, part) in enumerate(kept, start=1):
        count = f"piece {number} of {len(kept)}"
        if i not in shared:
            twin = twins.get(i, "")
            templates.append(finished(part, flat_set, ply, spec, count, _place(sides[i]), twin))
            continue
        other = parted(mirrored_piece(shared[i], pieces), of=pieces[i])[k]
        place = f"the wearer's left as drawn; turned over, {other.name}"
        one = finished(part, flat_set, ply, spec, count, place, "")
        place = f"the wearer's right; {part.name} turned over"
        second = finished(other, flat_set, ply, spec, count, place, "", of_twin=one)
        templates.append(replace(one, mirror_ink=second.ink))
    edges = tuple(
        tuple(net_edge(edge, edge.points) for edge in piece.edges)
        for piece in pieces[: len(flat_set.flats)]
    )
    return TemplateSet(
        flat_set=flat_set, templates=tuple(templates), notes=tuple(notes), panel_edges=edges
    )


def net_edge(edge: Edge, points: Array) -> NetEdge:
    """The record of an edge, with its points as they lie on the template."""
    return NetEdge(
        name=edge.name,
        points=points,
        seam=edge.seam,
        side=edge.side,
        joint=edge.joint,
        fixing=edge.fixing,
        finish="" if edge.seam >= 0 else edge.finish,
        partner=edge.partner,
        under=edge.under,
        allowance_mm=edge.allowance_mm,
        holes=edge.holes,
        notches=tuple(edge.notches),
        bevels=tuple(edge.bevels),
    )


def make_pieces(flat_set: FlatSet, ply: Ply, spec: TemplateSpec) -> list[Piece]:
    """Everything but the lettering, the outside up."""
    panel_set, material = flat_set.panel_set, flat_set.material
    pieces = [net_piece(flat_set, i, ply, spec) for i in range(len(flat_set.flats))]
    before = [ring(piece.edges) for piece in pieces]
    alter_edges(pieces, spec.alters, panel_set)
    folds: dict[int, Fold] = {}
    for piece, outline in zip(pieces, before, strict=True):
        prepare_darts(piece, material)
        close_net(piece)
        set_bevels(piece, panel_set, material, folds)
        cut_line(piece, folded=material.family == "cloth")
        carry_marks(piece, flat_set)
        if spec.alters:
            follow_edges(piece, outline)
        panel = panel_set.panels[piece.panel]
        draw_darts(piece, material, spec, wearers_up(panel, flat_set.flats[piece.panel].U))
        topstitch(piece, material, spec)
        relieve_turns(piece, ply, material, spec)
    ups = [wearers_up(p, f.U) for p, f in zip(panel_set.panels, flat_set.flats, strict=True)]
    if pieces:
        pieces[0].notes += place_points(pieces, flat_set, ply, spec.points, ups)
    if ply.making.mock_up:
        draw_fitting_lines(pieces, flat_set)
    seam_tracks = tracks(pieces, panel_set.seams)
    punch_seams(seam_tracks, material, spec)
    for piece in pieces:
        punch_details(piece, flat_set)
    pairs: list[Pair] = []
    if spec.one_per_pair:
        pairs = mirror_pairs(pieces, wearers_sides(pieces, panel_set), spec.pair_tolerance_mm)
    mark_seams(seam_tracks, material, twin_seams(pairs, pieces), outside=spec.marks == "allowance")
    letters = junction_letters(panel_set, pairs, pieces)
    for piece in pieces:
        mark_junctions(piece, panel_set, letters)
        name_edges(piece)
        if spec.hoop_mm is not None:
            # Where details are worked, the pieces without any are not; overlays are details.
            whole = piece.role == "detail" or not any(p.details for p in pieces)
            grain_deg = flat_set.flats[piece.panel].grain_deg
            hoop_piece(piece, grain_deg, spec.hoop_mm, whole=whole)
    return pieces + [made for piece in pieces for made in facing_pieces(piece, material, spec)]


def name_edges(piece: Piece) -> None:
    """What is written along each edge: its name, its partner and how the two are joined."""
    for i, edge in enumerate(piece.edges):
        if edge.dart or (piece.role == "detail" and edge.finish == "raw"):
            continue
        if edge.seam < 0:
            finish = "" if edge.finish == "raw" else f", {edge.finish}"
            wordings = (edge.name + finish, edge.name)
        else:
            to = f"{edge.name} to {edge.partner}"
            under = ""
            if edge.joint == "lap":
                under = ", this edge under" if edge.under else ", this edge on top"
            how = f"{to}: {edge.joint}, {edge.fixing}{under}"
            wordings = (how, to + under, edge.name + under, edge.name)
        piece.words.append(EdgeText(edge=i, wordings=tuple(dict.fromkeys(wordings))))


def binding_notes(pieces: list[Piece], spec: TemplateSpec) -> list[str]:
    """How long a binding or piping every bound or piped rim takes."""
    total: dict[tuple[str, str], float] = {}
    for piece in pieces:
        for edge in piece.edges:
            if edge.seam < 0 and edge.finish in ("bound", "piped"):
                key = (edge.name, "binding" if edge.finish == "bound" else "piping")
                total[key] = total.get(key, 0.0) + edge.length
    join = spec.binding_join_mm
    return [
        f"{what} for rim '{rim}': {length + join:.0f} mm ({length:.0f} + {join:.0f} for the join)"
        for (rim, what), length in total.items()
    ]


def finished(
    piece: Piece,
    flat_set: FlatSet,
    ply: Ply,
    spec: TemplateSpec,
    count: str,
    place: str,
    twin: str,
    of_twin: Template | None = None,
) -> Template:
    """The template of a piece, turned to the face it is drawn for, and lettered.

    A facing lies face down behind its edge, so that it is drawn mirrored against its panel.
    of_twin : the template that this one is the turned-over second of
    """
    panel = flat_set.panel_set.panels[piece.panel]
    flat = flat_set.flats[piece.panel]
    sign = -1.0 if drawn_over(ply, piece) else 1.0
    flip = np.array([sign, 1.0])
    edges = [edge.points * flip for edge in piece.edges]
    over = sign if of_twin is None else -sign  # the panel's flat against this piece
    grain_deg = flat.grain_deg if over > 0 else 180.0 - flat.grain_deg
    up = wearers_up(panel, flat.U) * [over, 1.0]
    ink = [mirrored(item) if sign < 0 else item for item in piece.ink]
    net = tuple(net_edge(edge, points) for edge, points in zip(piece.edges, edges, strict=True))
    outline = np.concatenate([points[:-1] for points in edges])
    cut = np.array(piece.cut.exterior.coords)[:-1] * flip
    ink.insert(0, Polyline(layer="NET", points=outline, closed=True))

    bare = Template(
        name=f"{ply.name} {piece.name}",
        ply=ply.name,
        panel=flat_set.panel_set.panels[piece.panel].name,
        net=net,
        cut=cut,
        inner=tuple(points * flip for points in piece.inner),
        ink=tuple(ink),
        grain_deg=grain_deg,
        face=ply.face,
        quantity=piece.quantity,
        hoopings=tuple(flipped(hooping, flip) for hooping in piece.hoopings),
    )
    revision = (
        revision_of(bare, flat_set.material.name, spec) if of_twin is None else of_twin.revision
    )
    quantity = "cut 1 pair (1 L, 1 R)" if piece.quantity == 2 else "cut 1"
    if twin and piece.quantity == 1:
        quantity += f", mirror of {twin}"
    label = Label(
        title=spec.title,
        wearer=spec.wearer,
        panel=piece.name,
        place=place,
        ply=ply.name,
        material=flat_set.material.name,
        quantity=quantity,
        piece=count,
        revision=f"revision {revision}" + (f", {spec.date}" if spec.date else ""),
        face=ply.face,
        up_deg=float(np.degrees(np.arctan2(up[1], up[0]))),
        remark=remark(piece),
    )
    lettering, notes = _lettered(piece, label, edges, ink, sign, grain_deg, spec.marks)
    return replace(
        bare, ink=tuple(ink + lettering), revision=revision, notes=tuple(piece.notes + notes)
    )


def revision_of(template: Template, material: str, spec: TemplateSpec) -> int:
    """The revision a template is issued under: its last one if it is as it was then."""
    earlier = spec.earlier
    if earlier is None:
        return spec.revisions.get(template.name, spec.revision)
    before = earlier.templates.get(template.name)
    same = before is not None and earlier.materials.get(template.ply) == material
    if before is None or not same or changes(template, before):
        return spec.revision
    return before.revision


def remark(piece: Piece) -> str:
    """What the label adds: which face a bevelled cut line is for."""
    turns = [turn for edge in piece.edges for _, turn in edge.bevels if turn]
    if not turns:
        return ""
    if all(turn > 0 for turn in turns):
        return "cut line: the face's edge, bevel the back away"
    if all(turn < 0 for turn in turns):
        return "cut line: the back's edge, bevel the face away"
    return "cut line: the longer face's edge, see each bevel"


def _lettered(
    piece: Piece,
    label: Label,
    edges: list[Array],
    ink: list[Ink],
    sign: float,
    grain_deg: float,
    marks: str,
) -> tuple[list[Ink], list[str]]:
    """Words along the edges, the label and the grain line; the label first where room is short."""
    inside = largest(piece.net.intersection(piece.cut))
    inside = scale(inside, xfact=sign, yfact=1.0, origin=(0.0, 0.0))
    # On a mirrored piece the inside lies on the right of an edge's direction: walk it backwards.
    lines = [*edges, *(points * [sign, 1.0] for points in piece.inner_lines)]
    walk = lines if sign > 0 else [points[::-1] for points in lines]
    wanted = piece.words
    if sign < 0:
        wanted = [
            w if w.at is None else replace(w, at=piece.edges[w.edge].length - w.at) for w in wanted
        ]
    named = len(walk)
    lines = [points for _, points, _ in piece.details if arc_length(points)[-1] >= NAMED_MM]
    walk = walk + [p if sign > 0 else (p * [-1.0, 1.0])[::-1] for p in lines]
    names = [name for name, points, _ in piece.details if arc_length(points)[-1] >= NAMED_MM]
    wanted = wanted + [
        EdgeText(edge=named + i, wordings=(name,), heights=(3.0, 2.5, 2.0), needed=False)
        for i, name in enumerate(names)
    ]
    if marks == "allowance":
        net = scale(piece.net, xfact=sign, yfact=1.0, origin=(0.0, 0.0))
        cut = scale(piece.cut, xfact=sign, yfact=1.0, origin=(0.0, 0.0))
        outward = [points[::-1] for points in walk[: len(edges)]]
        return letter_allowance(label, outward, cut.difference(net.buffer(0.2)))
    x0, _, x1, y1 = piece.cut.bounds
    beside = np.array([(x1 if sign > 0 else -x0) + 3.0, y1])
    taken = [shape_of(item) for item in ink if item.layer != "NET"]
    space = FreeSpace(inside, taken)
    words, notes = letter_edges(space, walk, wanted)
    block, said = letter_label(space, label, beside)
    if said:
        space = FreeSpace(inside, taken)
        block, said = letter_label(space, label, beside)
        words, notes = letter_edges(space, walk, wanted)
    grain = letter_grain(space, grain_deg, block)
    return [*words, *block, *grain], notes + ([said] if said else [])


def wearers_up(panel: Panel, U: Array) -> Array:
    """(2,) unit direction on the flat in which height on the wearer grows most; +y if none does.

    The least-squares plane through height over the flat, vertices alike.
    """
    A = np.column_stack([U - U.mean(axis=0), np.ones(len(U))])
    slope = np.asarray(np.linalg.lstsq(A, panel.V[:, 1], rcond=None)[0][:2], dtype=np.float64)
    size = float(np.linalg.norm(slope))
    return slope / size if size > 0.1 else np.array([0.0, 1.0])


def wearers_side(panel: Panel, panel_set: PanelSet) -> str:
    """ "left" or "right" of the wearer, "" for a panel across the middle."""
    cast = panel_set.cast
    middle = 0.5 * (cast.V[:, 0].min() + cast.V[:, 0].max())
    if cast.symmetry is not None:
        middle = float(cast.symmetry.point[0])
    share = float((panel.V[:, 0] > middle).mean())
    if share > 0.8:
        return "left"
    return "right" if share < 0.2 else ""


def wearers_sides(pieces: list[Piece], panel_set: PanelSet) -> list[str]:
    """The side of every piece's panel."""
    return [wearers_side(panel_set.panels[piece.panel], panel_set) for piece in pieces]


def _place(side: str) -> str:
    return f"toward the wearer's {side}" if side else "across the middle"
