"""A start that cannot flip: the border on a circle, every inside vertex the mean of its neighbours.

Tutte, How to Draw a Graph, Proc. London Math. Soc. 13, 1963; positive weights: Floater,
Parametrization and smooth approximation of surface triangulations, CAGD 14(3), 1997.
"""

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.dissection import analyse
from flatten.geometry.sparse import Factor
from flatten.geometry.topology import border_loops, unique_edges
from flatten.geometry.triangles import corner_angles, face_areas

Array = NDArray[np.float64]
Faces = NDArray[np.integer]


def tutte(V: Array, F: Faces, *, even: bool = False) -> Array:
    """U (n, 2) mm of a disk V (n, 3) mm, F (m, 3): convex, without flips, of the surface's area.

    Weights follow the surface (mean values); `even` takes every edge alike, which keeps more
    digits on slivers.
    """
    loop = border_loops(F)[0]
    edges, edge_of, _ = unique_edges(F)
    n = len(V)
    if even:
        weights = np.ones(len(edges))
    else:
        # Symmetric positive weights near the cotangents' size: mean values of both sides.
        half = np.tan(0.5 * corner_angles(V, F))
        length = np.linalg.norm(V[F] - V[np.roll(F, -1, axis=1)], axis=2)
        per_half_edge = (half + np.roll(half, -1, axis=1)) / np.maximum(length, 1e-12)
        weights = np.bincount(edge_of, per_half_edge.ravel(), len(edges))
        middle = np.median(weights)
        weights = np.clip(weights, 1e-3 * middle, 1e3 * middle)
    steps = np.linalg.norm(V[np.roll(loop, -1)] - V[loop], axis=1)
    steps = np.maximum(steps, 1e-2 * max(float(steps.mean()), 1e-9))
    along = np.concatenate([[0.0], np.cumsum(steps)[:-1]]) / steps.sum()
    radius = np.sqrt(max(float(face_areas(V, F).sum()), 1e-12) / np.pi)
    rim = radius * np.column_stack([np.cos(2 * np.pi * along), np.sin(2 * np.pi * along)])
    on = np.bincount(edges[:, 0], weights, n) + np.bincount(edges[:, 1], weights, n)
    factor = Factor(analyse(edges, V, last=loop))
    factor.add(on.astype(np.float64), -weights.astype(np.float64))
    factor.factor(hold_last=True)
    U = factor.extend(rim)
    U[loop] = rim
    return U
