"""Areas, normals, angles and local frames of triangles, all faces at once."""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Faces = NDArray[np.integer]


def face_cross(V: Array, F: Faces) -> Array:
    """(m, 3) cross products of two edges: along the normal, twice the area long."""
    a, b, c = V[F[:, 0]], V[F[:, 1]], V[F[:, 2]]
    return np.cross(b - a, c - a)


def face_areas(V: Array, F: Faces) -> Array:
    """(m,) areas, mm²."""
    return 0.5 * np.linalg.norm(face_cross(V, F), axis=1)


def face_normals(V: Array, F: Faces) -> Array:
    """(m, 3) unit normals; zero where a face has no area."""
    n = face_cross(V, F)
    length = np.linalg.norm(n, axis=1, keepdims=True)
    return np.divide(n, length, out=np.zeros_like(n), where=length > 0)


def vertex_normals(V: Array, F: Faces) -> Array:
    """(n, 3) unit normals, faces weighted by area."""
    n = face_cross(V, F)
    total = np.zeros_like(V)
    for corner in range(3):
        for axis in range(3):
            total[:, axis] += np.bincount(F[:, corner], n[:, axis], minlength=len(V))
    length = np.linalg.norm(total, axis=1, keepdims=True)
    return np.divide(total, length, out=np.zeros_like(total), where=length > 0)


def corner_angles(V: Array, F: Faces) -> Array:
    """(m, 3) inner angles, radians; V may be (n, 2) or (n, 3)."""
    angles = np.empty((len(F), 3))
    for i in range(3):
        p, q, r = V[F[:, i]], V[F[:, (i + 1) % 3]], V[F[:, (i + 2) % 3]]
        u, v = q - p, r - p
        dot = np.einsum("ij,ij->i", u, v)
        uu, vv = np.einsum("ij,ij->i", u, u), np.einsum("ij,ij->i", v, v)
        cross = np.sqrt(np.maximum(uu * vv - dot * dot, 0.0))
        angles[:, i] = np.arctan2(cross, dot)
    return angles


def face_frames(V: Array, F: Faces) -> tuple[Array, Array]:
    """Every face in its own plane: (m, 2) corner 1 (on x), (m, 2) corner 2; corner 0 at 0."""
    a, b, c = V[F[:, 0]], V[F[:, 1]], V[F[:, 2]]
    e1, e2 = b - a, c - a
    length = np.linalg.norm(e1, axis=1)
    safe = np.where(length > 0, length, 1.0)
    x2 = np.einsum("ij,ij->i", e1, e2) / safe
    y2 = np.linalg.norm(np.cross(e1, e2), axis=1) / safe
    return np.column_stack([length, np.zeros_like(length)]), np.column_stack([x2, y2])
