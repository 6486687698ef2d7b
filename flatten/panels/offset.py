"""Moves panels along the surface normals to the neutral surface of a ply.

A point moved by t along the normal of a surface with principal curvature k (negative where hollow)
scales lengths by 1 + t k (parallel surfaces; do Carmo, Differential Geometry of Curves and
Surfaces, 1976, section 3.5, exercise 11): hollows narrower than the offset would fold over.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.topology import unique_edges
from flatten.geometry.triangles import face_cross
from flatten.records.panels import PanelSet

# Nowhere may the offset shrink lengths below this share; there it is held back instead.
LEAST_SCALE = 0.25
# Beside such a place the offset grows back by at most this much per mm of distance.
SLOPE = 0.5
BACK_OFF = 0.85
ROUNDS = 80


def offset_panels(panel_set: PanelSet, offset_mm: float | NDArray[np.float64]) -> PanelSet:
    """All panels moved outward by `offset_mm` along `cut_N`; partner edges stay the same curves.

    offset_mm : one for all, or (n,) for every vertex of the cut cast; the record then says how far
        most of the panels' vertices, overlays aside, were moved

    Where the surface is hollow with a radius hardly larger than the offset, it is held back so that
    nothing folds over, and a note says how far.
    """
    V, N = panel_set.cut_V, panel_set.cut_N
    wanted = np.broadcast_to(np.asarray(offset_mm, dtype=np.float64), len(V))
    if not wanted.any() or not panel_set.panels:
        return panel_set
    F = np.concatenate([p.cast_vertex[p.F] for p in panel_set.panels]).astype(np.int64)
    share = _held_back(V, N, F, wanted)
    moved = V + (wanted * share)[:, None] * N
    panels = tuple(replace(p, V=moved[p.cast_vertex]) for p in panel_set.panels)
    notes = panel_set.notes
    usual = _usual(panel_set, wanted)
    if (share < 1.0).any():
        most = float(np.abs(wanted).max())
        least = float((share * np.abs(wanted))[share < 1.0].min())
        touched = int(np.count_nonzero(share < 0.999))
        notes = (
            *notes,
            f"offset {most:g} mm held back to {least:.1f} mm at the narrowest hollow"
            f" ({touched} vertices)",
        )
    return replace(
        panel_set,
        cut_V=moved,
        panels=panels,
        offset_mm=panel_set.offset_mm + usual,
        offsets=None if np.ndim(offset_mm) == 0 else wanted,
        notes=notes,
    )


def _usual(panel_set: PanelSet, wanted: NDArray[np.float64]) -> float:
    """The commonest offset among the panels that are no overlays; of all where there are none."""
    inner = [p.cast_vertex for p in panel_set.panels if not p.detail]
    used = np.concatenate(inner or [p.cast_vertex for p in panel_set.panels])
    values, counts = np.unique(wanted[used].round(9), return_counts=True)
    return float(values[counts.argmax()])


def _held_back(
    V: NDArray[np.float64],
    N: NDArray[np.float64],
    F: NDArray[np.int64],
    offset: NDArray[np.float64],
) -> NDArray[np.float64]:
    """(n,) the share of the offset that each vertex can take."""
    share, most = np.ones(len(V)), float(np.abs(offset).max())
    edges = length = None
    for _ in range(ROUNDS):
        folding = _least_scale(V, V + (offset * share)[:, None] * N, F) < LEAST_SCALE
        if not folding.any():
            return share
        share[np.unique(F[folding])] *= BACK_OFF
        if edges is None or length is None:
            edges, _, _ = unique_edges(F)
            length = np.linalg.norm(V[edges[:, 0]] - V[edges[:, 1]], axis=1)
        for _ in range(8):
            reach = share[edges] + (SLOPE / most) * length[:, None]
            np.minimum.at(share, edges[:, 0], reach[:, 1])
            np.minimum.at(share, edges[:, 1], reach[:, 0])
    return share


def _least_scale(
    V: NDArray[np.float64], W: NDArray[np.float64], F: NDArray[np.int64]
) -> NDArray[np.float64]:
    """(m,) the smaller singular value of each face's map V -> W; -1 where it turns over."""
    e, f = V[F[:, 1]] - V[F[:, 0]], V[F[:, 2]] - V[F[:, 0]]
    g, h = W[F[:, 1]] - W[F[:, 0]], W[F[:, 2]] - W[F[:, 0]]
    a, b, c = (np.einsum("ij,ij->i", x, y) for x, y in ((e, e), (e, f), (f, f)))
    p, q, r = (np.einsum("ij,ij->i", x, y) for x, y in ((g, g), (g, h), (h, h)))
    det = np.maximum(a * c - b * b, 1e-300)
    # Trace and determinant of inverse(Gram of V) times Gram of W: its eigenvalues are squared.
    trace = (c * p - 2 * b * q + a * r) / det
    product = np.maximum(p * r - q * q, 0.0) / det
    root = np.sqrt(np.maximum(trace * trace / 4 - product, 0.0))
    least = np.sqrt(np.maximum(product / np.maximum(trace / 2 + root, 1e-300), 0.0))
    same_way = np.einsum("ij,ij->i", face_cross(V, F), face_cross(W, F)) > 0
    return np.where(same_way, least, -1.0)
