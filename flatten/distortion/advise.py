"""What to do about a panel that asks too much of its material, in a maker's words."""

import numpy as np

from flatten.distortion.places import edge_gains, worst_places
from flatten.geometry.topology import border_half_edges
from flatten.geometry.triangles import corner_angles
from flatten.records.flat import Flat, FlatSet, Strain
from flatten.records.material import Material
from flatten.records.panels import Panel

# An edge to be stretched or eased by less than this is lost in the handling.
SAID_MM = 2.0


def total_angle_defect(panel: Panel) -> float:
    """Sum over inner vertices of 360° minus the angles round them, degrees (Gauss-Bonnet)."""
    angle = np.bincount(
        panel.F.ravel(), corner_angles(panel.V, panel.F).ravel(), minlength=len(panel.V)
    )
    inner = np.ones(len(panel.V), dtype=bool)
    inner[border_half_edges(panel.F).ravel()] = False
    return float(np.degrees((2.0 * np.pi - angle[inner]).sum()))


def advise(flat_set: FlatSet, strains: tuple[Strain, ...]) -> tuple[tuple[str, ...], ...]:
    """Sentences for every panel: what the flattening had to say, the edges to work, and what would
    make it fit if it does not."""
    return tuple(
        tuple(_sentences(panel, flat, strain, flat_set.material))
        for panel, flat, strain in zip(
            flat_set.panel_set.panels, flat_set.flats, strains, strict=True
        )
    )


def _sentences(panel: Panel, flat: Flat, strain: Strain, material: Material) -> list[str]:
    said = list(flat.notes)
    for run, gain in zip(panel.border, edge_gains(panel, flat), strict=True):
        if abs(gain) >= SAID_MM:
            verb = "stretch" if gain > 0 else "ease in"
            said.append(f"{verb} the edge '{run.name}' {abs(gain):.0f} mm as you form it")
    if strain.flipped_faces:
        said.append(
            f"{strain.flipped_faces} faces are folded over: the panel must be parted further"
        )
    if strain.overlap_mm2 > 0:
        said.append(
            f"the flat overlaps itself by {strain.overlap_mm2:.0f} mm²: part it with a seam"
        )
    if not strain.fits and strain.load_peak > 1.0:
        said += _mend(panel, flat, strain, material)
    return said


def _mend(panel: Panel, flat: Flat, strain: Strain, material: Material) -> list[str]:
    places = worst_places(panel, flat, strain, most=1)
    if not places:
        return []
    limits = {
        "stretch": min(material.stretch_pct.warp, material.stretch_pct.weft),
        "squeeze": min(material.squeeze_pct.warp, material.squeeze_pct.weft),
    }
    worst = max(places, key=lambda p: abs(p.pct) / limits["stretch" if p.pct > 0 else "squeeze"])
    kind = "stretch" if worst.pct > 0 else "squeeze"
    said = [
        f"the worst place asks for {abs(worst.pct):.1f} % {kind}, {material.name} gives"
        f" {limits[kind]:g} %; it lies {worst.edge_mm:.0f} mm from the edge '{worst.edge}'"
    ]
    defect = total_angle_defect(panel)
    form = "domed" if defect > 0 else "saddle-shaped"
    excess = abs(defect) * (1.0 - 1.0 / strain.load_peak)
    length = max(worst.edge_mm, 20.0)
    if defect > 0:
        intake = 2.0 * length * np.sin(np.radians(min(excess, 120.0)) / 2.0)
        said.append(
            f"the panel is {form} by {abs(defect):.0f}° in all: draw a dart from the edge"
            f" '{worst.edge}' to there ({length:.0f} mm, about {intake:.0f} mm intake), or move a"
            " seam through the place"
        )
    else:
        said.append(
            f"the panel is {form} by {abs(defect):.0f}° in all: draw a seam across it through the"
            f" place, or a cut from the edge '{worst.edge}' that may open"
        )
    said.append(f"or choose a material that takes {strain.load_peak:.1f} times as much")
    return said
