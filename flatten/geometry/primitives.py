"""Test shapes with closed forms, as meshes of a chosen density: frustum, cylinder, cap, saddle.

Developable shapes keep their vertices on rulings, so that their meshes unfold without strain.
All are open disks, counterclockwise seen from outside (or above), axis +y, lengths in mm.
"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


def grid_faces(rows: int, columns: int) -> Ints:
    """(2 (rows - 1)(columns - 1), 3) triangles of a grid of vertices, row by row.

    Columns run along x and rows along y for counterclockwise triangles; diagonals alternate.
    """
    i, j = np.meshgrid(np.arange(rows - 1), np.arange(columns - 1), indexing="ij")
    a = (i * columns + j).ravel()
    b, c, d = a + 1, a + columns + 1, a + columns
    even = ((i + j) % 2 == 0).ravel()
    first = np.where(even[:, None], np.column_stack([a, b, c]), np.column_stack([a, b, d]))
    second = np.where(even[:, None], np.column_stack([a, c, d]), np.column_stack([b, c, d]))
    return np.stack([first, second], axis=1).reshape(-1, 3).astype(np.int64)


def frustum(
    radius_low: float,
    radius_high: float,
    height: float,
    *,
    edge_mm: float = 5.0,
    arc: float = 2 * np.pi,
) -> tuple[Array, Ints]:
    """A cone's frustum cut open along a ruling: V (n, 3), F (m, 3); y from 0 to `height`.

    With `arc` = 2 pi the two edges of the cut coincide in space but stay unjoined.
    """
    slant = float(np.hypot(height, radius_high - radius_low))
    rows = max(2, round(slant / edge_mm) + 1)
    columns = max(4, round(arc * max(radius_low, radius_high) / edge_mm) + 1)
    t = np.linspace(0.0, 1.0, rows)[:, None]
    # Angles run so that +x on the grid is counterclockwise seen from outside with y up.
    angle = np.linspace(-arc / 2, arc / 2, columns)[None, :]
    r = radius_low + (radius_high - radius_low) * t
    V = np.stack([r * np.sin(angle), height * t + 0 * angle, r * np.cos(angle)], axis=2)
    return V.reshape(-1, 3), grid_faces(rows, columns)


def cylinder(
    radius: float, height: float, *, edge_mm: float = 5.0, arc: float = 2 * np.pi
) -> tuple[Array, Ints]:
    """A cylinder cut open along a ruling: V (n, 3), F (m, 3); y from 0 to `height`."""
    return frustum(radius, radius, height, edge_mm=edge_mm, arc=arc)


def disk_faces(rings: int) -> Ints:
    """(6 rings², 3) triangles of a disk: a centre and rings of 6, 12, 18, ... vertices."""
    faces = [np.array([[0, 1 + k, 1 + (k + 1) % 6] for k in range(6)])]
    for ring in range(1, rings):
        inner, outer = 1 + 3 * ring * (ring - 1), 1 + 3 * ring * (ring + 1)
        k = np.arange(6 * ring)
        side, step = k // ring, k % ring
        a = inner + k
        b = inner + (k + 1) % (6 * ring)
        p = outer + (side * (ring + 1) + step) % (6 * (ring + 1))
        q = outer + (side * (ring + 1) + step + 1) % (6 * (ring + 1))
        faces.append(np.column_stack([a, p, q]))
        faces.append(np.column_stack([a, q, b]))
        corner = np.arange(6)
        at = inner + (corner * ring) % (6 * ring)
        before = outer + (corner * (ring + 1) - 1) % (6 * (ring + 1))
        faces.append(np.column_stack([at, before, outer + corner * (ring + 1)]))
    return np.concatenate(faces).astype(np.int64)


def disk_points(rings: int) -> tuple[Array, Array]:
    """Place of the vertices of `disk_faces`: (n,) radius from 0 to 1, (n,) angle."""
    radius: list[Array] = [np.zeros(1)]
    angle: list[Array] = [np.zeros(1)]
    for ring in range(1, rings + 1):
        radius.append(np.full(6 * ring, ring / rings))
        angle.append(np.arange(6 * ring, dtype=np.float64) * (np.pi / (3 * ring)))
    return np.concatenate(radius), np.concatenate(angle)


def spherical_cap(radius: float, half_angle: float, *, rings: int = 20) -> tuple[Array, Ints]:
    """A cap of a sphere about +y, `half_angle` radians from pole to rim: 6 rings² faces."""
    c, angle = disk_points(rings)
    c = c * half_angle
    V = radius * np.column_stack([np.sin(c) * np.sin(angle), np.cos(c), np.sin(c) * np.cos(angle)])
    return V, disk_faces(rings)


def saddle(half_width: float, radius: float, *, edge_mm: float = 5.0) -> tuple[Array, Ints]:
    """z = (x² - y²) / (2 radius) over a square: principal curvatures ±1/radius at the middle."""
    k = max(3, round(2 * half_width / edge_mm) + 1)
    s = np.linspace(-half_width, half_width, k)
    y, x = np.meshgrid(s, s, indexing="ij")
    V = np.column_stack([x.ravel(), y.ravel(), ((x**2 - y**2) / (2 * radius)).ravel()])
    return V, grid_faces(k, k)
