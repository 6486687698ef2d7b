"""Cuts off what is not the cast: a floor, a table, a lid over an opening, a stand on a post.

Only what a body cannot be is cut: a flat place with a sharp edge all round, and a straight thin
post that swells abruptly into the cast. Everything less certain is named, with the box ([scan] keep)
that would crop it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.geometry.sampling import Samples, sample_surface
from flatten.geometry.topology import face_components
from flatten.geometry.triangles import Array, Faces, face_areas
from flatten.scan.flats import Flat, find_flats
from flatten.scan.manifold import place
from flatten.scan.post import find_post

SPACING_MM = 6.0
SHARP = 0.8  # of a flat place's surroundings must stand at an angle to it
CLEAR_MM = 5.0  # a floor is cut this far above it: the scan is rounded in the corner
MOST_CUT = 0.7  # of the surface may go with a floor


@dataclass(frozen=True, eq=False, kw_only=True)
class StandResult:
    """F : the faces that stay (rows of the F given, in order); repairs, notes: what was cut off"""

    F: NDArray[np.int32]
    repairs: Mapping[str, int | float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def cut_stand(V: Array, F: Faces) -> StandResult:
    """The mesh (mm, any pose, of one or several parts) without floor, lid and stand."""
    V = np.asarray(V, dtype=np.float64)
    F = np.asarray(F, dtype=np.int32)
    keep = np.ones(len(F), dtype=bool)
    notes: list[str] = []
    repairs: dict[str, int | float] = {}
    s = sample_surface(V, F, SPACING_MM)
    areas = face_areas(V, F)
    centre = V[F].mean(axis=1)
    for flat in find_flats(s, SPACING_MM):
        drop = _beyond(s, flat, centre)
        remains = _largest(F, keep & ~drop, areas)
        gone = keep & ~remains
        share = float(areas[gone].sum() / areas.sum())
        kind = "floor" if flat.rises else "flat lid"
        at = place(s.points[flat.samples].mean(axis=0))
        size = f"{flat.area / 100:.0f} cm²"
        if flat.corner < SHARP:
            if flat.corner > 0.5:
                notes.append(_named(kind, at, size, V, F[remains]))
            continue
        if share > MOST_CUT or not remains.any():
            notes.append(_named(kind, at, size, V, F[remains]))
            continue
        keep = remains
        name = "floor_faces_cut" if flat.rises else "lid_faces_cut"
        repairs[name] = int(repairs.get(name, 0)) + int(gone.sum())
        notes.append(
            f"a {kind} of {size} near {at} was cut off ({100 * share:.0f} % of the surface)"
        )
    post = find_post(V, F[keep])
    if post is not None:
        drop = keep & (centre @ post.axis < post.level)
        drop &= ~_largest(F, keep & ~drop, areas)
        what = f"a post {post.girth:.0f} mm round, {post.length:.0f} mm long, near {place(post.at)}"
        if post.sure and areas[drop].sum() < MOST_CUT * areas[keep].sum():
            keep &= ~drop
            repairs["stand_faces_cut"] = int(drop.sum())
            notes.append(f"{what}, was cut off as a stand with what lies beyond it")
        else:
            notes.append(_named(what, "", "", V, F[keep & ~drop]))
    return StandResult(F=F[keep], repairs=repairs, notes=tuple(notes))


def _beyond(s: Samples, flat: Flat, centre: Array) -> NDArray[np.bool_]:
    """Faces on the flat place and, for a floor, close above and beneath it."""
    off = centre @ flat.normal - flat.height
    low, high = (-1e9, CLEAR_MM) if flat.rises else (-2.0, 1e9)
    slab = (off > low) & (off < high)
    near = np.zeros(len(centre), dtype=bool)
    on = np.flatnonzero(slab)
    if flat.rises:
        # Beneath a floor there is nothing of the cast: everything goes, wherever it lies.
        near[on] = True
        return near
    reach = 1.5 * SPACING_MM
    far, _ = KDTree(s.points[flat.samples]).query(centre[on], distance_upper_bound=reach)
    near[on[np.isfinite(far)]] = True
    return near


def _largest(F: NDArray[np.int32], keep: NDArray[np.bool_], areas: Array) -> NDArray[np.bool_]:
    """The largest connected part of the faces kept."""
    rows = np.flatnonzero(keep)
    best = np.zeros(len(F), dtype=bool)
    if len(rows):
        part = face_components(F[rows])
        best[rows[part == np.bincount(part, areas[rows]).argmax()]] = True
    return best


def _named(what: str, at: str, size: str, V: Array, F: NDArray[np.int32]) -> str:
    P = V[F].reshape(-1, 3)
    low, high = (", ".join(f"{x:.0f}" for x in b) for b in (P.min(axis=0), P.max(axis=0)))
    where = f" of {size} near {at}" if at else ""
    return (
        f"what looks like a {what.removeprefix('a ')}{where} was left on: if it is not the cast, "
        f"crop it with [scan] keep = {{ low = [{low}], high = [{high}] }} (mm, in this frame)"
    )
