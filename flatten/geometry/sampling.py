"""An even cloud of points on a surface, thinned by a voxel grid, however dense the mesh is."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.triangles import face_cross

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False, kw_only=True)
class Samples:
    """points (k, 3), unit normals (k, 3), areas (k,) that each stands for, and the sample of
    every face (m,)."""

    points: Array
    normals: Array
    areas: Array
    of_face: NDArray[np.int64]


def sample_surface(
    V: Array, F: NDArray[np.integer], spacing: float, part: NDArray[np.integer] | None = None
) -> Samples:
    """One sample for each voxel of side `spacing` and each of the six ways a face can look.

    Splitting by the way faces look keeps two sheets that lie back to back apart, however close;
    splitting by `part` (m,) keeps parts apart that look the same way. Faces larger than a voxel are
    one sample each: the cloud is never denser than the faces.
    """
    cross = face_cross(V, F)
    area = np.linalg.norm(cross, axis=1) / 2
    centre = V[F].mean(axis=1)
    cell = np.floor((centre - centre.min(axis=0)) / spacing).astype(np.int64)
    size = cell.max(axis=0) + 1
    axis = np.abs(cross).argmax(axis=1)
    looks = 2 * axis + (np.take_along_axis(cross, axis[:, None], axis=1)[:, 0] > 0)
    key = ((cell[:, 0] * size[1] + cell[:, 1]) * size[2] + cell[:, 2]) * 6 + looks
    if part is not None:
        key = key * (int(part.max()) + 1) + part
    _, of_face = np.unique(key, return_inverse=True)
    n = int(of_face.max()) + 1 if len(of_face) else 0
    weight = np.maximum(area, 1e-12)
    total: Array = np.bincount(of_face, weight, minlength=n).astype(np.float64)
    points = np.column_stack(
        [np.bincount(of_face, weight * centre[:, i], minlength=n) / total for i in range(3)]
    )
    normals = np.column_stack([np.bincount(of_face, cross[:, i], minlength=n) for i in range(3)])
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    normals = np.divide(normals, length, out=np.zeros_like(normals), where=length > 0)
    return Samples(points=points, normals=normals, areas=total, of_face=of_face.astype(np.int64))
