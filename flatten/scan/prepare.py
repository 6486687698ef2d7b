"""Scan to Cast: mend, orient, take the unit, scale, denoise, remesh, take the tape off."""

from collections.abc import Callable

import numpy as np

from flatten.geometry.ordering import sort_along_curve
from flatten.geometry.smoothing import border_mask, smooth_positions
from flatten.geometry.triangles import Array, Faces, face_areas
from flatten.records.cast import Cast
from flatten.records.job import ScanSpec
from flatten.records.scan import Scan
from flatten.scan.denoise import denoise, noise_level
from flatten.scan.holes import fill_holes, find_borders
from flatten.scan.manifold import face_parts_outward
from flatten.scan.mend import mend
from flatten.scan.offset import offset, smooth_normals
from flatten.scan.remesh import coarsen, remesh
from flatten.scan.rims import name_rims, rim_guides
from flatten.scan.shells import refuse_second_shell
from flatten.units import choose_unit

Progress = Callable[[str], None]

# The scan is thinned to edges of this share of the working length before anything is measured.
FINE_SHARE = 0.35


def prepare(scan: Scan, spec: ScanSpec, progress: Progress | None = None) -> Cast:
    """The cleaned, scaled, evenly meshed cast of a scan.

    progress : called with the name of each stage as it begins

    Raises
    ------
    BadInput : the scan holds no usable surface, or a question must be answered first
    """
    say = progress or (lambda _: None)
    say("mend")
    mended = mend(scan, spec.keep)
    V, F, part = mended.V, mended.F, mended.part
    repairs: dict[str, int | float | str] = dict(mended.repairs)
    notes = [*scan.notes, *mended.notes]
    unit = choose_unit(
        float(np.ptp(V, axis=0).max()),
        asked=spec.unit,
        stated=scan.unit,
        girth_given=bool(spec.girths),
    )
    refuse_second_shell(V, F, part)
    notes.append(unit.said)
    to_cast = np.diag([unit.mm, unit.mm, unit.mm, 1.0])
    V = V * unit.mm
    edge = spec.edge_mm or working_edge(V, F)
    if mean_edge(V, F) < FINE_SHARE * edge:
        V, F = coarsen(V, F, FINE_SHARE * edge)
        part = np.zeros(len(F), dtype=np.int32)
    F, turned, sure = face_parts_outward(V, F, part)
    if turned:
        repairs["faces_turned_outward"] = turned
        notes.append("the faces looked inward and were turned outward")
    if not sure:
        notes.append("the surface is too flat to tell its outside; the file's own side is taken")

    say("denoise")
    noise = noise_level(V, F)
    if noise > 0:
        V = smooth_positions(V, F, passes=3, fixed=border_mask(F, len(V)))
        repairs["noise_mm"] = round(noise, 3)

    say("holes")
    borders = find_borders(V, F, 2 * edge)
    holes = [b for b in borders if b.hole]
    guides = rim_guides(V, [b for b in borders if not b.hole], 2 * edge, noise > 0)
    V, F, patch = fill_holes(V, F, holes)
    if holes:
        repairs["holes_filled"] = len(holes)
        repairs["holes_longest_mm"] = round(holes[0].smooth_length, 1)

    say("remesh")
    even = remesh(V, F, edge, guides=guides)
    filled = patch[even.face]
    V, F = even.V, even.F
    X = denoise(V, F, noise_mm=noise, patch=filled, edge_mm=edge)
    if filled.any() and np.linalg.norm(X - V, axis=1)[filled].max() > 0.5 * edge:
        even = remesh(X, F, edge, rounds=2)
        X, F = even.V, even.F
    order, F, _ = sort_along_curve(X, F)
    V = X[order]

    say("offset")
    N = smooth_normals(V, F)
    distance = spec.ease_mm - spec.tape_mm
    V, bridged = offset(V, F, N, distance)
    if bridged:
        repairs["points_bridged_in_hollows"] = bridged
    if abs(distance) > 0.5 * edge:
        even = remesh(V, F, edge, rounds=2)
        order, F, _ = sort_along_curve(even.V, even.F)
        V = even.V[order]
        N = smooth_normals(V, F)
    if spec.tape_mm == 0:
        notes.append("no wrap thickness is taken off (tape_mm = 0)")
    rims = name_rims(V, find_borders(V, F, 2 * edge))
    return Cast(
        name=scan.name,
        V=V,
        F=F,
        N=N,
        rims=rims,
        to_cast=to_cast,
        unit=unit.unit,
        scale=unit.mm,
        offset_mm=distance,
        edge_mm=edge,
        repairs=repairs,
        notes=tuple(notes),
    )


def working_edge(V: Array, F: Faces) -> float:
    """Edge length in mm that suits the size: 5 mm from 300 mm upward, finer for smaller things."""
    extent = float(np.ptp(V, axis=0).max())
    thousand = float(np.sqrt(face_areas(V, F).sum() / (1000 * 0.433)))
    return float(np.clip(min(extent / 60, thousand), 0.02, 5.0))


def mean_edge(V: Array, F: Faces) -> float:
    """Edge length of the even mesh with as many faces on the same area."""
    return float(np.sqrt(face_areas(V, F).sum() / (0.433 * len(F))))
