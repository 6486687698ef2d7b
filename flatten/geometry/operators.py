"""Differential operators on a triangle mesh: cotangent weights, vertex areas, diffusion, bending.

Pinkall & Polthier, Computing Discrete Minimal Surfaces and Their Conjugates, Experimental
Mathematics 2(1), 1993 (cotangent weights).
"""

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.dissection import analyse
from flatten.geometry.sparse import Factor
from flatten.geometry.topology import unique_edges
from flatten.geometry.triangles import face_areas, face_normals, vertex_normals

Array = NDArray[np.float64]
Faces = NDArray[np.integer]
Ints = NDArray[np.int64]

_AT_ONCE = 16_384  # faces


def half_cotangents(V: Array, F: Faces) -> Array:
    """(m, 3) half the cotangent of the angle opposite the edge from corner i to the next.

    Angles under about 0.1° count as that much, so that the weights stay finite and of a size.
    """
    weights = np.empty((len(F), 3))
    axes = [np.ascontiguousarray(axis) for axis in V.T]
    # A few thousand faces at a time stay in the processor's cache.
    for low in range(0, len(F), _AT_ONCE):
        corners = [np.ascontiguousarray(column) for column in F[low : low + _AT_ONCE].T]
        P = [[axis[corner] for axis in axes] for corner in corners]
        sides = [[b - a for a, b in zip(P[i], P[(i + 1) % 3], strict=True)] for i in range(3)]
        squares = [sum(x * x for x in side) for side in sides]
        (x, y, z), (u, v, w) = sides[:2]
        cross = np.sqrt((y * w - z * v) ** 2 + (z * u - x * w) ** 2 + (x * v - y * u) ** 2)
        for i in range(3):
            j, k = (i + 1) % 3, (i + 2) % 3
            dot = sum(a * b for a, b in zip(sides[j], sides[k], strict=True))
            least = 1e-3 * np.maximum(squares[j] + squares[k], 1e-300)
            weights[low : low + _AT_ONCE, i] = -0.5 * dot / np.maximum(cross, least)
    return weights


def edge_cotangents(V: Array, F: Faces) -> tuple[Ints, Ints, Array]:
    """Edges (e, 2), the edge of every half edge (3m,), and (e,) cotangent weights."""
    edges, edge_of, _ = unique_edges(F)
    weights = np.bincount(edge_of, half_cotangents(V, F).ravel(), len(edges))
    return edges, edge_of, weights.astype(np.float64)


def vertex_areas(V: Array, F: Faces) -> Array:
    """(n,) a third of the areas of the faces around each vertex, mm²."""
    thirds = np.repeat(face_areas(V, F) / 3.0, 3)
    return np.bincount(F.ravel(), thirds, len(V)).astype(np.float64)


def diffuse(V: Array, F: Faces, values: Array, width_mm: float) -> Array:
    """`values` (n, k) blurred over the surface by one implicit heat step, mm.

    A wave of length L keeps 1 / (1 + (2 pi width / L)² / 2) of its height. Borders are free.
    """
    edges, _, weights = edge_cotangents(V, F)
    # Negative weights of obtuse pairs would let the matrix lose its definiteness.
    weights = np.maximum(weights, 0.0)
    area = vertex_areas(V, F)
    area = np.maximum(area, 1e-9 * max(float(area.max(initial=0.0)), 1e-300))
    flow = 0.5 * width_mm**2 * weights
    on = area + np.bincount(edges[:, 0], flow, len(V)) + np.bincount(edges[:, 1], flow, len(V))
    factor = Factor(analyse(edges, V))
    factor.add(on.astype(np.float64), -flow)
    if not factor.factor():
        return values
    return factor.solve(area[:, None] * values)


def normal_curvatures(V: Array, F: Faces, N: Array) -> Array:
    """(m,) the largest absolute normal curvature of each face, 1/mm, from vertex normals N (n, 3).

    The shape operator is the symmetric part of the normals' derivative along the face.
    """
    a, b, c = F[:, 0], F[:, 1], F[:, 2]
    e1, e2 = V[b] - V[a], V[c] - V[a]
    normal = face_normals(V, F)
    length = np.linalg.norm(e1, axis=1, keepdims=True)
    x = e1 / np.where(length > 0, length, 1.0)
    y = np.cross(normal, x)

    def flat(d: Array) -> Array:
        return np.stack([np.einsum("ij,ij->i", d, x), np.einsum("ij,ij->i", d, y)], axis=1)

    P = np.stack([flat(e1), flat(e2)], axis=2)
    D = np.stack([flat(N[b] - N[a]), flat(N[c] - N[a])], axis=2)
    det = P[:, 0, 0] * P[:, 1, 1] - P[:, 0, 1] * P[:, 1, 0]
    thin = np.abs(det) <= 1e-9 * np.einsum("ijk,ijk->i", P, P)
    P[thin] = np.eye(2)
    S = D @ np.linalg.inv(P)
    half_trace = 0.5 * (S[:, 0, 0] + S[:, 1, 1])
    deviator = np.hypot(0.5 * (S[:, 0, 0] - S[:, 1, 1]), 0.5 * (S[:, 0, 1] + S[:, 1, 0]))
    curvature = np.abs(half_trace) + deviator
    curvature[thin] = 0.0
    return curvature


def smooth_curvatures(V: Array, F: Faces, width_mm: float) -> Array:
    """(m,) the largest absolute normal curvature, 1/mm, once the normals are blurred."""
    N = diffuse(V, F, vertex_normals(V, F), width_mm)
    length = np.linalg.norm(N, axis=1, keepdims=True)
    return normal_curvatures(V, F, N / np.where(length > 0, length, 1.0))
