"""Trims the under side of a lapped slit, so that its edge meets the upper side's."""

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.spatial import KDTree

from flatten.geometry.triangles import Array, Faces
from flatten.scan.slit_sides import DEEPEST_LAP_MM, TALLEST_STEP_MM, Side, SlitSides
from flatten.scan.spread import spread

Ints = NDArray[np.int64]


def trim_laps(V: Array, F: Faces, laps: list[SlitSides]) -> tuple[Faces, int]:
    """F without the faces that lie beneath the other side, and how many those were."""
    drop = np.zeros(len(F), dtype=bool)
    for lap in laps:
        chain = np.concatenate([lap.a.vertices, lap.b.vertices])
        v, _, origin = spread(V, F, chain, DEEPEST_LAP_MM + 15.0)
        on_a = origin < len(lap.a.vertices)
        # Which side is above may change along the slit, but not from point to point.
        higher = uniform_filter1d(lap.step, max(3, len(lap.step) // 8), mode="nearest")
        drop |= _covered(V, F, lap.a, v[~on_a], higher <= 0)
        drop |= _covered(V, F, lap.b, v[on_a], np.interp(lap.b.share, lap.a.share, higher) > 0)
    return F[~drop], int(drop.sum())


def _covered(
    V: Array, F: Faces, over: Side, v: Ints, upper: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Faces with a vertex of `v` that lies beneath the sheet which ends at the side `over`.

    upper (k,) : whether the sheet at `over` is the upper one there
    """
    edge = float(np.median(np.linalg.norm(np.diff(V[over.vertices], axis=0), axis=1)))
    far, at = KDTree(over.place).query(V[v])
    d = V[v] - over.place[at]
    outward = np.einsum("ij,ij->i", d, over.out[at])
    height = np.einsum("ij,ij->i", d, over.normal[at])
    along = np.sqrt(np.maximum(far**2 - outward**2 - height**2, 0.0))
    hit = upper[at] & (outward < 0.25 * edge) & (np.abs(height) < TALLEST_STEP_MM)
    hit &= along < 2 * edge + 3.0
    covered = np.zeros(len(V), dtype=bool)
    covered[v[hit]] = True
    rim = np.zeros(len(V), dtype=bool)
    rim[over.vertices] = True
    return np.logical_and(covered[F].any(axis=1), ~rim[F].any(axis=1))
