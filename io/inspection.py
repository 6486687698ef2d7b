"""What a check found, as text for a person and as data for a program."""

from typing import Any

from flatten.io.cast_rows import girth_row, opening_row, rounded
from flatten.records.inspection import Inspection


def inspection_data(found: Inspection) -> dict[str, Any]:
    """The findings for --json."""
    return {
        "name": found.name,
        "faces": found.faces,
        "points": found.points,
        "unit": found.unit,
        "unit_candidates_mm": rounded(dict(found.unit_candidates_mm), 1),
        "scale": found.scale,
        "size_mm": [round(float(x), 1) for x in found.size_mm],
        "openings": [rounded(opening_row(rim), 2) for rim in found.openings],
        "holes_mm": [round(float(x), 1) for x in found.holes_mm],
        "slits_mm": [round(float(x), 1) for x in found.slits_mm],
        "girths": [rounded(girth_row(girth), 1) for girth in found.girths],
        "colours": found.colours,
        "noise_mm": round(found.noise_mm, 3),
        "edge_mm": found.edge_mm,
        "repairs": dict(found.repairs),
        "notes": list(found.notes),
    }


def inspection_text(found: Inspection) -> str:
    """The findings as lines to read."""
    across, up, deep = found.size_mm
    lines = [
        f"{found.name}: {found.faces} faces, {found.points} points, colours: {found.colours}",
        f"unit {found.unit}, {across:.0f} mm from side to side, {up:.0f} mm high, {deep:.0f} mm deep",
        *_unit_question(found),
        f"noise about {found.noise_mm:.2f} mm; run would mesh it at {found.edge_mm:g} mm",
    ]
    for rim in found.openings:
        x, y, z = rim.centre
        lines.append(
            f"opening '{rim.name}': {rim.smooth_length_mm:.0f} mm round, near"
            f" ({x:.0f}, {y:.0f}, {z:.0f})"
        )
    if not found.openings:
        lines.append("no openings: seams must open it")
    lines += [f"slit, {length:.0f} mm long" for length in found.slits_mm]
    if found.holes_mm:
        lengths = ", ".join(f"{h:.0f}" for h in found.holes_mm[:8])
        lines.append(f"{len(found.holes_mm)} holes that run would fill, {lengths} mm round")
    for girth in found.girths:
        asked = "" if girth.asked_mm is None else f", the tape said {girth.asked_mm:.0f} mm"
        lines.append(f"girth at height {girth.at[1]:.0f} mm: {girth.measured_mm:.0f} mm{asked}")
    lines += [f"mended: {key.replace('_', ' ')}: {value}" for key, value in found.repairs.items()]
    return "\n".join((*lines, *found.notes))


def _unit_question(found: Inspection) -> list[str]:
    """What must be answered before a run, where several units fit."""
    if not found.unit_candidates_mm:
        return []
    sizes = ", ".join(f"{unit}: {mm:.0f} mm" for unit, mm in found.unit_candidates_mm.items())
    return [
        f"NOT CLEAR: the unit. The longest side would be, in {sizes}. All sizes here are for"
        f" {found.unit}; a run will ask: measure it, then give unit or a girth in [scan]"
    ]
