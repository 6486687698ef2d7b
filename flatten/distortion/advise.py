"""What to do about a panel that asks too much of its material, in a maker's words."""

from collections.abc import Sequence

import numpy as np

from flatten.distortion.places import edge_gains
from flatten.geometry.topology import border_half_edges
from flatten.geometry.triangles import corner_angles
from flatten.records.flat import Deciding, Flat, FlatSet, Strain
from flatten.records.material import Material
from flatten.records.panels import Panel

# An edge to be stretched or eased by less than this is lost in the handling.
SAID_MM = 2.0
# A dart that takes in less is not worth cutting.
LEAST_INTAKE_MM = 3.0


def total_angle_defect(panel: Panel) -> float:
    """Sum over inner vertices of 360° minus the angles round them, degrees (Gauss-Bonnet)."""
    angle = np.bincount(
        panel.F.ravel(), corner_angles(panel.V, panel.F).ravel(), minlength=len(panel.V)
    )
    inner = np.ones(len(panel.V), dtype=bool)
    inner[border_half_edges(panel.F).ravel()] = False
    return float(np.degrees((2.0 * np.pi - angle[inner]).sum()))


def advise(
    flat_set: FlatSet, strains: Sequence[Strain], decided: Sequence[Deciding]
) -> tuple[tuple[str, ...], ...]:
    """Sentences for every panel: what would make it fit if it does not, the edges to work, and what
    the flattening had to say."""
    return tuple(
        tuple(_sentences(panel, flat, strain, worst, flat_set.material))
        for panel, flat, strain, worst in zip(
            flat_set.panel_set.panels, flat_set.flats, strains, decided, strict=True
        )
    )


def _sentences(
    panel: Panel, flat: Flat, strain: Strain, worst: Deciding, material: Material
) -> list[str]:
    said = []
    if strain.flipped_faces:
        said.append(
            f"{strain.flipped_faces} faces are folded over: the panel must be parted further"
        )
    if strain.overlap_mm2 > 0:
        said.append(
            f"the flat overlaps itself by {strain.overlap_mm2:.0f} mm²: part it with a seam"
        )
    if not strain.fits and strain.load_peak > 1.0:
        said += _mend(panel, strain, worst, material)
    return [*said, *_edges(panel, flat), *flat.notes]


def _edges(panel: Panel, flat: Flat) -> list[str]:
    """One sentence for all edges that are longer or shorter on the body than on the flat."""
    words = []
    gains = [(r.name, g) for r, g in zip(panel.border, edge_gains(panel, flat), strict=True)]
    for verb, sign in (("stretch", 1.0), ("ease in", -1.0)):
        own = [f"'{name}' {sign * g:.0f} mm" for name, g in gains if sign * g >= SAID_MM]
        if own:
            words.append(f"{verb} the edge{'s' if len(own) > 1 else ''} {_listed(own)}")
    return [f"{', and '.join(words)} as you form it"] if words else []


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _mend(panel: Panel, strain: Strain, worst: Deciding, material: Material) -> list[str]:
    where = f" {worst.direction}" if worst.direction else ""
    said = [
        f"the worst place asks for {worst.pct:.1f} % {worst.kind}{where}, {material.name} gives"
        f" {worst.limit_pct:.3g} %; it lies {worst.edge_mm:.0f} mm from the edge '{worst.edge}'"
    ]
    defect = total_angle_defect(panel)
    form = f"the panel is {'domed' if defect > 0 else 'saddle-shaped'} by {abs(defect):.0f}° in all"
    excess = abs(defect) * (1.0 - 1.0 / strain.load_peak)
    length = max(worst.edge_mm, 20.0)
    intake = 2.0 * length * np.sin(np.radians(min(excess, 120.0)) / 2.0)
    if intake < LEAST_INTAKE_MM:
        said.append(
            f"{form}, and little too much: form a test piece of the place; if it fails, move a seam"
            " through it"
        )
    elif defect > 0:
        said.append(
            f"{form}: draw a dart from the edge '{worst.edge}' to there ({length:.0f} mm, about"
            f" {intake:.0f} mm intake), or move a seam through the place"
        )
    else:
        said.append(
            f"{form}: draw a seam across it through the place, or a cut from the edge"
            f" '{worst.edge}' that may open"
        )
    said.append(f"or choose a material that takes {strain.load_peak:.1f} times as much")
    return said
