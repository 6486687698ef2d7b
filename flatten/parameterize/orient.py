"""Turns a flat so that the wearer's up is the template's up."""

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.triangles import face_areas, face_frames, face_normals

Array = NDArray[np.float64]
Faces = NDArray[np.integer]

# A panel that lies nearly level has no up; its back then points up on the flat.
LEVEL = 0.1


def direction_on_flat(V: Array, F: Faces, U: Array, direction: Array) -> complex:
    """The mean of a direction in space (3,) as the flat sees it, weighted by area; 0 to 1 long."""
    e1 = V[F[:, 1]] - V[F[:, 0]]
    length = np.linalg.norm(e1, axis=1, keepdims=True)
    x = e1 / np.where(length > 0, length, 1.0)
    y = np.cross(face_normals(V, F), x)
    d = x @ direction + 1j * (y @ direction)
    # The face's turn from its own frame to the flat: the phase of the similarity part.
    p1, p2 = face_frames(V, F)
    q1, q2 = U[F[:, 1]] - U[F[:, 0]], U[F[:, 2]] - U[F[:, 0]]
    z1, z2 = q1[:, 0] + 1j * q1[:, 1], q2[:, 0] + 1j * q2[:, 1]
    turn = z1 * (p2[:, 1] + 1j * p2[:, 0]) - 1j * p1[:, 0] * z2
    size = np.abs(turn)
    turn = np.where(size > 0, turn / np.where(size > 0, size, 1.0), 1.0)
    area = face_areas(V, F)
    return complex((area * d * turn).sum() / max(float(area.sum()), 1e-300))


def upright(V: Array, F: Faces, U: Array) -> Array:
    """U (n, 2) turned about its middle so that +y in space points to +y on the flat."""
    up = direction_on_flat(V, F, U, np.array([0.0, 1.0, 0.0]))
    if abs(up) < LEVEL:
        up = direction_on_flat(V, F, U, np.array([0.0, 0.0, -1.0]))
    if abs(up) < 1e-6:
        return U - U.mean(axis=0)
    turn = 1j * abs(up) / up
    z = (U[:, 0] + 1j * U[:, 1]) * turn
    low = 0.5 * (z.real.min() + z.real.max()) + 0.5j * (z.imag.min() + z.imag.max())
    z = z - low
    return np.column_stack([z.real, z.imag])
