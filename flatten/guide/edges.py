"""Steps in words: what is done to flat pieces, to seams and to rims."""

from collections import defaultdict

from flatten.geometry.curves import arc_length
from flatten.records.guide import GuideStep
from flatten.records.material import Material, Ply
from flatten.records.template import NetEdge, TemplateSet

FLAT = "While flat: cut, mark, punch, top-stitch"
SHAPE = "Bevel, seal and form"
EDGES = "Edges and straps"


def edge_length(edge: NetEdge) -> float:
    """Length of a net edge, mm."""
    return float(arc_length(edge.points)[-1])


def bevel_words(edge: NetEdge) -> str:
    """The half-angles along an edge, and which face they are cut away from."""
    turns = [turn for _, turn in edge.bevels]
    if not any(turns):
        return ""
    low, high = min(turns), max(turns)
    if low < 0.0 < high:
        return f"{-low:g}° off the face to {high:g}° off the back, as marked"
    sizes = sorted((abs(low), abs(high)))
    range_ = f"{sizes[1]:g}°" if sizes[0] == sizes[1] else f"{sizes[0]:g} to {sizes[1]:g}°"
    return f"{range_} off the {'back' if high > 0.0 else 'face'}"


def flat_steps(ply: Ply, material: Material, templates: TemplateSet) -> list[GuideStep]:
    """What is done before anything is joined or bent."""
    steps = []
    for template in templates.templates:
        piece = template.piece
        notches = sum(len(edge.notches) for edge in template.net)
        holes = sum(edge.holes for edge in template.net)
        count = f"{template.quantity} pieces, the second mirrored" if template.quantity > 1 else "1"
        how = f"cut {count}, {template.face} up"
        how += ", copy the match marks" if notches else ""
        how += f", punch {holes} holes" if holes else ""
        steps.append(
            GuideStep(
                stage=FLAT, what=piece, how=how, pieces=(piece,), notches=notches, holes=holes
            )
        )
    rows: dict[tuple[float, ...], list[str]] = defaultdict(list)
    for name, distances in _topstitched(ply, templates).items():
        rows[distances].append(name)
    for distances, names in rows.items():
        how = f"top-stitch {', '.join(f'{d:g}' for d in distances)} mm inside the edge"
        steps.append(GuideStep(stage=FLAT, what=", ".join(names), how=how))
    for template, edge in templates.split_edges:
        steps.append(
            GuideStep(
                stage=FLAT,
                what=edge.name,
                how=f"lay register mark over register mark; {joining(material, edge, edge)}",
                pieces=(template.piece, edge.partner),
                length_mm=edge_length(edge),
                notches=len(edge.notches),
            )
        )
    steps += _shape_steps(material, templates)
    return steps


def _topstitched(ply: Ply, templates: TemplateSet) -> dict[str, tuple[float, ...]]:
    """Distances of the top-stitching by the name of the edge."""
    table = ply.making.topstitch
    if not table:
        return {}
    lines = {seam.name: seam.line for seam in templates.flat_set.panel_set.seams}
    found: dict[str, tuple[float, ...]] = {}
    for template in templates.templates:
        for edge in template.net:
            for key in (edge.name, lines.get(edge.name, edge.name), "*"):
                if key in table:
                    if table[key]:
                        found[edge.name] = table[key]
                    break
    return found


def _shape_steps(material: Material, templates: TemplateSet) -> list[GuideStep]:
    steps = []
    for index, seam in enumerate(templates.flat_set.panel_set.seams):
        edge = templates.seam_edges[index, 0]
        words = bevel_words(edge)
        if words:
            steps.append(
                GuideStep(
                    stage=SHAPE,
                    what=seam.name,
                    how="bevel both edges alike, knife flat along the marked angles",
                    pieces=_pieces(templates, index),
                    length_mm=edge_length(edge),
                    bevel=words,
                )
            )
    every = {
        "foam": "seal the surface, then warm and form each piece on the body or the cast, and hold it"
        " until cold",
        "leather": "case or wet the leather, form each piece on the cast and let it dry there",
    }
    if material.family in every:
        names = tuple(panel.name for panel in templates.flat_set.panel_set.panels)
        steps.append(
            GuideStep(stage=SHAPE, what="all panels", how=every[material.family], pieces=names)
        )
    return steps


def closing_steps(material: Material, templates: TemplateSet, index: int, stage: str) -> GuideStep:
    """The step that closes one seam stretch or dart."""
    edge, other = (templates.seam_edges[index, side] for side in (0, 1))
    return GuideStep(
        stage=stage,
        what=edge.name,
        how=joining(material, edge, other),
        pieces=_pieces(templates, index),
        length_mm=edge_length(edge),
        notches=len(edge.notches),
        holes=edge.holes,
        bevel=bevel_words(edge),
    )


def _pieces(templates: TemplateSet, index: int) -> tuple[str, ...]:
    panel_set = templates.flat_set.panel_set
    names = [panel_set.panels[side.panel].name for side in panel_set.seams[index].sides]
    return tuple(dict.fromkeys(names))


# What is done with the facing behind a gap before its fastening is set, common practice.
FACED = {
    "cloth": "sew the facings to the edges face to face and turn them in",
    "leather": "fix the facings behind the edges, hole over hole",
    "foam": "cement a strip of leather or webbing behind both edges",
    "card": "cement a strip of leather or webbing behind both edges",
}


def joining(material: Material, edge: NetEdge, other: NetEdge) -> str:
    """How two edges are joined, in words."""
    lie = {
        "butt": "lay edge to edge",
        "seam": f"lay face to face, {edge.allowance_mm:g} mm allowance",
        "lap": f"lay {edge.partner if edge.under else other.partner} on top,"
        f" {max(edge.allowance_mm, other.allowance_mm):g} mm over the other",
        "gap": f"leave apart; {FACED[material.family]}"
        if edge.fixing in ("lace", "closure")
        else "leave apart",
        "fold": "fold face to face and sew from the edge to the drill mark, press as marked",
    }[edge.joint]
    if edge.joint == "fold":
        return lie
    fix = {
        "glue": "cement both edges, let it flash off, close from the match marks to the ends",
        "stitch": "stitch hole over hole" if edge.holes else "stitch on the net line",
        "rivet": "rivet through the holes",
        "lace": "set eyelets and lace",
        "closure": "fit the fastening",
    }[edge.fixing]
    if edge.fixing == "glue" and edge.joint == "gap":
        fix = "nothing holds it"
    return f"{lie}; {fix}"


def rim_steps(ply: Ply, templates: TemplateSet) -> list[GuideStep]:
    """How the rims are finished, each named once with its whole length."""
    lengths: dict[tuple[str, str], float] = defaultdict(float)
    pieces: dict[tuple[str, str], list[str]] = defaultdict(list)
    panels = templates.flat_set.panel_set.panels
    for panel, edges in zip(panels, templates.panel_edges, strict=True):
        for edge in edges:
            if edge.seam < 0 and not (panel.detail and edge.finish == "raw"):
                key = (edge.name, edge.finish)
                lengths[key] += edge_length(edge)
                pieces[key].append(panel.name)
    join = ply.making.binding_join_mm
    steps = []
    for (rim, finish), length in lengths.items():
        how = {
            "raw": "leave as cut; smooth and seal",
            "bevelled": "bevel to the body side and seal",
            "bound": f"bind with {length + join:.0f} mm of binding",
            "turned": "turn the allowance to the inside and fix it",
            "piped": f"pipe with {length + join:.0f} mm of piping",
        }[finish]
        steps.append(
            GuideStep(
                stage=EDGES,
                what=rim,
                how=how,
                pieces=tuple(dict.fromkeys(pieces[rim, finish])),
                length_mm=length,
            )
        )
    return steps + _overlay_steps(ply, templates)


def _overlay_steps(ply: Ply, templates: TemplateSet) -> list[GuideStep]:
    """Where every overlay is laid."""
    rest = [p.name for p in templates.flat_set.panel_set.panels if not p.detail]
    on = f"ply {ply.over}" if ply.over and not rest else "the panels"
    return [
        GuideStep(
            stage=EDGES,
            what=panel.name,
            how=f"lay on its placement line on {on}, over the seams beneath, and fix it",
            pieces=(panel.name,),
        )
        for panel in templates.flat_set.panel_set.panels
        if panel.detail
    ]
