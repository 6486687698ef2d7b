"""Scan to Cast: mend, orient, take the unit, scale, denoise, remesh, mirror, take the tape off."""

from collections.abc import Callable
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.geometry.ordering import sort_along_curve
from flatten.geometry.triangles import Array
from flatten.records.cast import Cast, Symmetry
from flatten.records.job import ScanSpec
from flatten.records.scan import Scan
from flatten.scan.denoise import denoise
from flatten.scan.girth import scale_by_girths
from flatten.scan.holes import Border, fill_loops, find_borders, tell_holes
from flatten.scan.mend import mend
from flatten.scan.mirror_image import (
    average_sides,
    mirror_halves,
    mirror_plane,
    mirrored_mean,
    pairs_across,
    to_plane,
)
from flatten.scan.offset import offset, smooth_normals
from flatten.scan.remesh import Remeshed, remesh
from flatten.scan.rims import name_rims, rim_guides, tell_rims, tell_tears
from flatten.scan.shell import Shell, girths_in_cast, make_shell
from flatten.scan.sizing import by_bends, wanted_lengths
from flatten.scan.survey import inspect
from flatten.scan.symmetry import find_symmetry
from flatten.scan.unfold import unfold

__all__ = ["inspect", "prepare"]

Progress = Callable[[str], None]

_EXACT = Symmetry(point=np.zeros(3), normal=np.array([1.0, 0.0, 0.0]), rms_mm=0.0)


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
    say("pose")
    shell = make_shell(mended, scan, spec)
    edge = shell.edge_mm
    repairs: dict[str, int | float | str] = {**mended.repairs, **shell.repairs}
    notes = [*scan.notes, *mended.notes, *shell.notes]

    say("holes")
    borders = find_borders(shell.V, shell.F, 2 * edge)
    holes = [*(b.smooth_length for b in borders if b.hole), *shell.holes_mm]
    if holes:
        repairs["holes_filled"] = len(holes)
        repairs["holes_longest_mm"] = round(max(holes), 1)
        notes.append(tell_holes(holes))

    say("remesh")
    V, F, folded = _even_surface(shell, borders)
    if folded:
        repairs["folded_faces_smoothed"] = folded
    to_mirror = np.eye(4)
    if spec.symmetric:
        say("symmetry")
        to_mirror = to_plane(mirror_plane(V, F, spec.symmetric_mm))
        V, F, said = _averaged(_moved(V, to_mirror), F, edge)
        notes += said

    say("offset")
    N = smooth_normals(V, F)
    if spec.symmetric:
        N = mirrored_mean(N, pairs_across(V))
    to_cast = to_mirror @ shell.to_cast
    fitted = scale_by_girths(V, F, N, girths_in_cast(spec.girths, to_cast), spec.tape_mm)
    notes += fitted.notes
    V = V * fitted.scale
    to_cast = np.diag([fitted.scale] * 3 + [1.0]) @ to_cast
    distance = spec.ease_mm - spec.tape_mm
    before, meshed = V, F
    V, F, N, bridged = offset(V, F, N, distance, edge)
    if spec.symmetric:
        V, F, N = _mirrored_again(V, F, N, edge, None if F is not meshed else pairs_across(before))
    if bridged:
        repairs["points_bridged_in_hollows"] = bridged
    if spec.tape_mm == 0:
        notes.append("no wrap thickness is taken off (tape_mm = 0)")
    openings = find_borders(V, F, 2 * edge)
    rims = name_rims(V, openings)
    notes += [tell_rims(rims), *tell_tears(rims, openings)]
    return Cast(
        name=scan.name,
        V=V,
        F=F,
        N=N,
        rims=rims,
        to_cast=to_cast,
        unit=shell.unit,
        scale=shell.scale * fitted.scale,
        offset_mm=distance,
        edge_mm=edge,
        girths=fitted.girths,
        symmetry=_EXACT if spec.symmetric else find_symmetry(V, F),
        repairs=repairs,
        slits=tuple(_moved(s, to_mirror) * fitted.scale for s in shell.slits),
        notes=tuple(notes),
    )


def _averaged(
    V: Array, F: NDArray[np.int32], edge: float
) -> tuple[Array, NDArray[np.int32], tuple[str, ...]]:
    """The cast whose mirror plane is x = 0, made its own mirror image, along the curve."""
    even = average_sides(V, F, edge)
    order, F, _ = sort_along_curve(even.V, even.F)
    return even.V[order], F, even.notes


def _mirrored_again(
    V: Array, F: NDArray[np.int32], N: Array, edge: float, pair: NDArray[np.int64] | None
) -> tuple[Array, NDArray[np.int32], Array]:
    """The offset cast as its own mirror image to the last bit; `pair` as before the offset, None
    where that has meshed the cast anew."""
    if pair is None:
        V, F = mirror_halves(V, F, edge)
        order, F, _ = sort_along_curve(V, F)
        V = V[order]
        N, pair = smooth_normals(V, F), pairs_across(V)
    return mirrored_mean(V, pair), F, mirrored_mean(N, pair)


def _moved(P: Array, M: Array) -> Array:
    return P @ M[:3, :3].T + M[:3, 3]


def _even_surface(shell: Shell, borders: list[Border]) -> tuple[Array, NDArray[np.int32], int]:
    """Filled, evenly meshed, denoised, along a space-filling curve; how many folds were laid."""
    edge = shell.edge_mm
    rims = [b for b in borders if not b.hole]
    guides = rim_guides(shell.V, rims, 2 * edge, shell.noise_mm > 0)
    V, F, patch = fill_loops(shell.V, shell.F, [b.vertices for b in borders if b.hole])
    if len(shell.filled):
        patch |= KDTree(shell.filled).query(V[F].mean(axis=1))[0] < 1e-6 * edge

    @cache  # looked at for bends first, and taken as it is where there are none
    def clean(even: Remeshed) -> Array:
        filled = patch[even.face]
        return denoise(even.V, even.F, noise_mm=shell.noise_mm, patch=filled, edge_mm=edge)

    def finer(even: Remeshed) -> Array:
        return wanted_lengths(clean(even), even.F, edge)

    even = remesh(V, F, edge, guides=guides, finer=finer)
    filled = patch[even.face]
    X, F = clean(even), even.F
    # A large patch that bulged out of its flat filling is meshed once more where it came to lie.
    if filled.any() and np.linalg.norm(X - even.V, axis=1)[filled].max() > 0.5 * edge:
        even = remesh(X, F, edge, rounds=2, finer=by_bends(edge))
        X, F = even.V, even.F
    X, F, folded = unfold(X, F, edge)
    order, F, _ = sort_along_curve(X, F)
    return X[order], F, folded
