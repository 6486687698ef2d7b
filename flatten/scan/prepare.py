"""Scan to Cast: mend, orient, take the unit, scale, denoise, remesh, take the tape off."""

from collections.abc import Callable

import numpy as np

from flatten.errors import BadInput
from flatten.geometry.ordering import sort_along_curve
from flatten.geometry.smoothing import ring_mean, smooth_positions
from flatten.geometry.topology import compact
from flatten.geometry.triangles import face_areas, vertex_normals
from flatten.records.cast import Cast
from flatten.records.job import ScanSpec
from flatten.records.scan import Scan
from flatten.scan.holes import fill_holes, find_borders
from flatten.scan.manifold import face_parts_outward, make_manifold
from flatten.scan.remesh import remesh
from flatten.scan.rims import name_rims
from flatten.scan.shells import drop_islands, refuse_second_shell
from flatten.scan.weld import weld
from flatten.units import choose_unit

Progress = Callable[[str], None]


def prepare(scan: Scan, spec: ScanSpec, progress: Progress | None = None) -> Cast:
    """The cleaned, scaled, evenly meshed cast of a scan.

    progress : called with the name of each stage as it begins

    Raises
    ------
    BadInput : the scan holds no usable surface, or a question must be answered first
    """
    say = progress or (lambda _: None)
    repairs: dict[str, int | float | str] = {}
    notes: list[str] = list(scan.notes)

    say("mend")
    V, F = np.array(scan.V), np.array(scan.F)
    if spec.keep is not None:
        inside = np.all((spec.keep.low <= V) & (spec.keep.high >= V), axis=1)
        F = F[inside[F].all(axis=1)]
        if not len(F):
            raise BadInput("no face of the scan lies in the box to keep", "scan.keep")
    V, F, counts = weld(V, F)
    repairs |= counts
    if not len(F):
        raise BadInput("no face has an area", scan.name, "the file holds no surface")
    mended = make_manifold(V, F)
    repairs |= mended.counts
    V, F, part = mended.V, mended.F, mended.part
    kept = drop_islands(V, F, part)
    repairs |= kept.counts
    notes += kept.notes
    F, part = F[kept.keep], part[kept.keep]
    refuse_second_shell(V, F, part)
    F, used = compact(F)
    F, V = F.astype(np.int32), V[used]
    F, turned, sure = face_parts_outward(V, F, np.zeros(len(F), dtype=np.int32))
    if turned:
        repairs["faces_turned_outward"] = turned
        notes.append("the faces looked inward and were turned outward")
    if not sure:
        notes.append("the surface is too flat to tell its outside; the file's side is taken")

    choice = choose_unit(
        float(np.ptp(V, axis=0).max()),
        asked=spec.unit,
        stated=scan.unit,
        girth_given=bool(spec.girths),
    )
    notes.append(choice.said)
    to_cast = np.diag([choice.mm, choice.mm, choice.mm, 1.0])
    V = V * choice.mm

    edge = spec.edge_mm or working_edge(V, F)

    say("holes")
    borders = find_borders(V, F, 2 * edge)
    holes = [b for b in borders if b.hole]
    V, F, _ = fill_holes(V, F, holes)
    if holes:
        repairs["holes_filled"] = len(holes)
        repairs["holes_longest_mm"] = round(holes[0].smooth_length, 1)

    say("remesh")
    V = smooth_positions(V, F, passes=5, fixed=_on_border(V, F))
    done = remesh(V, F, edge)
    V, F = done.V, done.F
    order, F = sort_along_curve(V, F)
    V = V[order]

    N = vertex_normals(V, F)
    W = ring_mean(F, len(V))
    for _ in range(2):
        N = N + W @ N
        N /= np.maximum(np.linalg.norm(N, axis=1, keepdims=True), 1e-300)
    offset = spec.ease_mm - spec.tape_mm
    V = V + offset * N
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
        unit=choice.unit,
        scale=choice.mm,
        offset_mm=offset,
        edge_mm=edge,
        repairs=repairs,
        notes=tuple(notes),
    )


def working_edge(V: np.ndarray, F: np.ndarray) -> float:
    """Edge length in mm that suits the size: 5 mm from 300 mm upward, finer for smaller things."""
    extent = float(np.ptp(V, axis=0).max())
    thousand = float(np.sqrt(face_areas(V, F).sum() / (1000 * 0.433)))
    return float(np.clip(min(extent / 60, thousand), 0.02, 5.0))


def _on_border(V: np.ndarray, F: np.ndarray) -> np.ndarray:
    fixed = np.zeros(len(V), dtype=bool)
    for border in find_borders(V, F, 1.0):
        fixed[border.vertices] = True
    return fixed
