"""Trims the under side of a lapped slit, so that its edge meets the upper side's."""

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.spatial import KDTree

from flatten.geometry.triangles import Array, Faces, vertex_normals
from flatten.scan.slit_sides import DEEPEST_LAP_MM, SlitSides
from flatten.scan.spread import spread

Ints = NDArray[np.int64]

THICKEST_MM = 12.0


def trim_laps(V: Array, F: Faces, laps: list[SlitSides]) -> tuple[Faces, int]:
    """F without the faces that lie beneath the other side, and how many those were."""
    drop = np.zeros(len(F), dtype=bool)
    for lap in laps:
        chain = np.concatenate([lap.a, lap.b])
        v, _, origin = spread(V, F, chain, DEEPEST_LAP_MM + 15.0)
        on_a = origin < len(lap.a)
        # Which side is above may change along the slit, but not from point to point.
        higher = uniform_filter1d(lap.step, max(3, len(lap.step) // 8), mode="nearest")
        of_b = np.linspace(0, 1, len(lap.b)), np.linspace(0, 1, len(lap.a))
        drop |= _covered(V, F, lap.a, v[~on_a], higher <= 0)
        drop |= _covered(V, F, lap.b, v[on_a], np.interp(*of_b, higher) > 0)
    return F[~drop], int(drop.sum())


def _covered(
    V: Array, F: Faces, over: Ints, v: Ints, upper: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Faces with a vertex of `v` that lies beneath the sheet which ends at the chain `over`.

    upper (k,) : whether the sheet at `over` is the upper one there
    """
    P = V[over]
    edge = float(np.median(np.linalg.norm(np.diff(P, axis=0), axis=1)))
    near = np.zeros(len(V), dtype=bool)
    near[over] = True
    T = F[near[F].any(axis=1)]
    normal = _smoothed(vertex_normals(V, T)[over])
    out = np.cross(np.gradient(_smoothed(P), axis=0), normal)
    # The chain may run either way along its border: out points away from the chain's own sheet.
    inward = np.zeros_like(V)
    centre = V[T].mean(axis=1)
    for corner in T.T:
        np.add.at(inward, corner, centre - V[corner])
    out *= np.where(np.einsum("ij,ij->i", out, _smoothed(inward[over])) > 0, -1.0, 1.0)[:, None]
    out /= np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-12)
    far, at = KDTree(P).query(V[v])
    d = V[v] - P[at]
    outward = np.einsum("ij,ij->i", d, out[at])
    height = np.einsum("ij,ij->i", d, normal[at])
    along = np.sqrt(np.maximum(far**2 - outward**2 - height**2, 0.0))
    hit = upper[at] & (outward < 0.25 * edge) & (np.abs(height) < THICKEST_MM)
    hit &= along < 2 * edge + 3.0
    covered = np.zeros(len(V), dtype=bool)
    covered[v[hit]] = True
    return covered[F].any(axis=1) & ~near[F].any(axis=1)


def _smoothed(P: Array) -> Array:
    return uniform_filter1d(P, min(7, len(P)), axis=0, mode="nearest")
