"""What a scan is like, without making the cast: size, openings, holes, girths, faults."""

import numpy as np

from flatten.errors import BadInput
from flatten.geometry.triangles import Array, vertex_normals
from flatten.records.cast import Girth
from flatten.records.inspection import Inspection
from flatten.records.job import ScanSpec
from flatten.records.scan import Scan
from flatten.scan.girth import allowed_difference, level_girth, scale_by_girths
from flatten.scan.holes import find_borders, tell_holes
from flatten.scan.mend import mend
from flatten.scan.rims import name_rims, tell_rims, tell_tears
from flatten.scan.shell import Shell, girths_in_cast, make_shell
from flatten.units import MM_PER_UNIT, candidate_units


def inspect(scan: Scan, spec: ScanSpec) -> Inspection:
    """Looks a scan over as `prepare` would, up to the point where it is meshed anew.

    Raises
    ------
    BadInput : what `prepare` would stop at
    """
    mended = mend(scan, spec.keep)
    shell = make_shell(mended, scan, spec, looking=True)
    V, F = shell.V, shell.F
    borders = find_borders(V, F, 2 * shell.edge_mm)
    holes = [*(b.smooth_length for b in borders if b.hole), *shell.holes_mm]
    kept = [b for b in borders if not b.hole]
    openings = name_rims(V, kept)
    girths, said = _girths(shell, spec)
    notes = [*scan.notes, *mended.notes, *shell.notes, *said, tell_rims(openings)]
    notes += tell_tears(openings, kept)
    if holes:
        notes.append(tell_holes(holes))
    size = np.ptp(V, axis=0)
    colours = "texture" if scan.has_texture else "vertex" if scan.colors is not None else "none"
    return Inspection(
        name=scan.name,
        faces=len(scan.F),
        points=len(scan.V),
        unit=shell.unit,
        unit_candidates_mm=_unit_candidates(mended.V, scan, spec),
        scale=shell.scale,
        size_mm=(float(size[0]), float(size[1]), float(size[2])),
        openings=openings,
        holes_mm=tuple(sorted(holes, reverse=True)),
        slits_mm=tuple(
            float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum()) for line in shell.slits
        ),
        girths=girths,
        colours=colours,
        noise_mm=shell.noise_mm,
        edge_mm=shell.edge_mm,
        repairs={**mended.repairs, **shell.repairs, **({"holes": len(holes)} if holes else {})},
        notes=tuple(notes),
    )


def _unit_candidates(V: Array, scan: Scan, spec: ScanSpec) -> dict[str, float]:
    """Millimetres of the longest side by unit, where a run would have to ask for the unit."""
    longest = float(np.ptp(V, axis=0).max())
    found = candidate_units(longest)
    if len(found) < 2 or spec.unit is not None or spec.girths or scan.unit in found:
        return {}
    return {unit: longest * MM_PER_UNIT[unit] for unit in found}


def _girths(shell: Shell, spec: ScanSpec) -> tuple[tuple[Girth, ...], tuple[str, ...]]:
    V, F = shell.V, shell.F
    if spec.girths:
        asked = girths_in_cast(spec.girths, shell.to_cast)
        fitted = scale_by_girths(V, F, vertex_normals(V, F), asked, spec.tape_mm)
        return fitted.girths, fitted.notes
    found = []
    low, high = V[:, 1].min(), V[:, 1].max()
    for share in (0.25, 0.5, 0.75):
        level = low + share * (high - low)
        near = V[np.abs(V[:, 1] - level) <= 0.02 * (high - low)]
        if not len(near):
            continue
        at = near[np.argmax(near[:, 2])]
        try:
            girth = level_girth(V, F, at)
        except BadInput:
            continue  # no tape goes round there: a sheet, not a tube
        found.append(Girth(at=at, measured_mm=girth.mm, allowed_mm=allowed_difference(girth.mm)))
    return tuple(found), ()
