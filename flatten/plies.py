"""What plies have to do with each other: what lies beneath, overlays, and the holes that fix them."""

from collections.abc import Sequence
from dataclasses import replace

from numpy import float64
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.lines.network import join_lines
from flatten.panels.beneath import Layer, thickness_at
from flatten.panels.detail_holes import hole_places, with_holes
from flatten.panels.overlay import add_overlays, cut_overlay, overlay_names, past_garment
from flatten.records.job import Job
from flatten.records.lines import LineNetwork
from flatten.records.material import Ply
from flatten.records.panels import PanelSet
from flatten.template.practice import hole_row


def thickness_beneath(ply: Ply, job: Job) -> float:
    """Millimetres of other plies between the cast and this one, following `over`."""
    plies = {p.name: p for p in job.plies}
    materials = {m.name: m for m in job.materials}
    total, seen = 0.0, {ply.name}
    while ply.over is not None:
        if ply.over not in plies or ply.over in seen:
            why = "names no ply" if ply.over not in plies else "goes round in a circle"
            raise BadInput(f"over = '{ply.over}' {why}", f"ply '{ply.name}'", "name another ply")
        ply = plies[ply.over]
        seen.add(ply.name)
        total += materials[ply.material].thickness_mm
    return total


def thickness_beneath_at(
    job: Job,
    ply: Ply,
    panel_sets: Sequence[PanelSet],
    plain: Sequence[PanelSet],
    whole: Sequence[Ply],
) -> float | NDArray[float64]:
    """Millimetres of material under every vertex of a ply's cut cast, or one number for all.

    A ply lies beneath where its panels are. Overlays lie on the panels of their own ply too; those
    of other plies lie beneath only where `over` names a ply that has nothing else.
    panel_sets : by ply, with overlays; plain : without; whole : plies that leave no panel out
    """
    index = {p.name: i for i, p in enumerate(job.plies)}
    thick = {m.name: m.thickness_mm for m in job.materials}
    own = index[ply.name]

    def layer(i: int) -> Layer:
        at = job.plies[i]
        panels = plain[i].panels if at.panels else panel_sets[i].panels
        return Layer(thickness_mm=thick[at.material], panels=None if at in whole else panels)

    below, name = [], ply.over
    while name is not None:
        below.append(layer(index[name]))
        name = job.plies[index[name]].over
    overlays = len(panel_sets[own].panels) > len(plain[own].panels)
    if not overlays and all(under.panels is None for under in below):
        return sum(under.thickness_mm for under in below)
    places = panel_sets[own].cut_V
    result = thickness_at(places, below)
    if overlays and plain[own].panels:
        first = len(plain[own].cut_V)
        result[first:] += thickness_at(places[first:], [layer(own)])
    return result


def with_detail_holes(
    job: Job, panel_sets: Sequence[PanelSet], network: LineNetwork
) -> list[PanelSet]:
    """The panels of every ply with the holes that fix overlays: hole i over hole i.

    A detail is fixed as its line says; its overlay's material and ply say how the holes are set.
    What it lies on is punched too where that is foam or leather.
    """
    made = list(panel_sets)
    index = {ply.name: i for i, ply in enumerate(job.plies)}
    fixing = {line.name: line.fixing for line in network.lines}
    materials = {m.name: m for m in job.materials}
    for i, ply in enumerate(job.plies):
        material = materials[ply.material]
        below = i if ply.panels else index.get(ply.over or "", -1)
        for name in dict.fromkeys(p.detail for p in panel_sets[i].panels if p.detail):
            row = hole_row(material, fixing[name], ply.making.stitch.get(name))
            if row is None:
                continue
            for rank in range(row.rows):
                inside = row.inside_mm + rank * row.pitch_mm
                places = hole_places(network, name, row.pitch_mm, inside)
                made[i] = with_holes(
                    made[i], name, places, row.hole_mm, lambda p, d=name: p.detail == d
                )
                base = materials[job.plies[below].material] if below >= 0 else None
                if base is not None and base.family in ("foam", "leather"):
                    made[below] = with_holes(
                        made[below], name, places, row.hole_mm, lambda p: not p.detail
                    )
    return made


def with_overlays(
    ply: Ply, panel_set: PanelSet, network: LineNetwork, garment: PanelSet | None = None
) -> PanelSet:
    """The panels, and the closed details that the ply makes as pieces of their own.

    garment : all panels of the cast, for what overlays reach past; None where there are none
    """
    trimmed = any(line.kind == "trim" for line in network.lines)
    asked = overlay_names(network, ply.making.detail_pieces)
    notes, made = [*asked.said], []
    for name in asked.closed:
        if ply.making.cut_details and ply.panels:
            # As a seam the detail meets the lines that cut it.
            lines = tuple(
                replace(line, mirror=False, kind="seam" if line.name == name else line.kind)
                for line in network.lines
            )
            found = cut_overlay(join_lines(network.cast, lines), name, ply.lines)
        else:
            found = cut_overlay(network, name)
        if isinstance(found, str):
            notes.append(found)
        else:
            made.append(found)
            if trimmed and garment is not None:
                notes += past_garment(found, garment.panels)
    if made:
        panel_set = add_overlays(panel_set, made)
    return replace(panel_set, notes=(*panel_set.notes, *notes)) if notes else panel_set
