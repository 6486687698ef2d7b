"""Strain of a flat panel: what the flat material must do to take the panel's shape.

For every face s1 >= s2 are the singular values of the map flat -> surface. Stretch is s1 - 1,
squeeze 1 - s2; limits are held against their means over discs of 5 mm radius, since a single
face says more about the mesh than about the material.
"""

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.geometry.operators import smooth_curvatures
from flatten.geometry.topology import border_half_edges
from flatten.geometry.triangles import corner_angles, face_areas, face_frames
from flatten.records.flat import Flat, FlatSet, Strain
from flatten.records.material import Limit, Material
from flatten.records.panels import Panel

Array = NDArray[np.float64]
Faces = NDArray[np.integer]

DISC_MM = 5.0
SMOOTH_MM = 20.0
# A face thinner than this part of its longest edge has no shape.
THINNEST = 1e-4
# Strain in a woven cloth is judged along these directions from the warp (radians).
DIRECTIONS = np.arange(8) * (np.pi / 8)


def flat_to_surface(V: Array, F: Faces, U: Array) -> tuple[Array, Array]:
    """(m, 2, 2) maps from the flat to each face's own plane, and (m,) signed flat areas, mm².

    A face whose flat has no area gets a map of infinities.
    """
    p1, p2 = face_frames(V, F)
    P = np.stack([p1, p2], axis=2)
    a, b, c = U[F[:, 0]], U[F[:, 1]], U[F[:, 2]]
    q1, q2 = b - a, c - a
    det = q1[:, 0] * q2[:, 1] - q1[:, 1] * q2[:, 0]
    adjugate = np.empty((len(F), 2, 2))
    adjugate[:, 0, 0], adjugate[:, 0, 1] = q2[:, 1], -q2[:, 0]
    adjugate[:, 1, 0], adjugate[:, 1, 1] = -q1[:, 1], q1[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        M = (P @ adjugate) / det[:, None, None]
    M[det == 0.0] = np.inf
    return M, 0.5 * det


def principal_stretches(V: Array, F: Faces, U: Array) -> tuple[Array, Array, Array]:
    """(m,) s1 >= s2 >= 0 of the map flat -> surface, and (m,) signed flat areas, mm².

    The closed form of a 2 x 2 matrix: the sum and the difference of the lengths of its
    similarity and anti-similarity parts.
    """
    M, area = flat_to_surface(V, F, U)
    with np.errstate(invalid="ignore"):
        same = 0.5 * np.hypot(M[:, 0, 0] + M[:, 1, 1], M[:, 1, 0] - M[:, 0, 1])
        other = 0.5 * np.hypot(M[:, 0, 0] - M[:, 1, 1], M[:, 1, 0] + M[:, 0, 1])
        s1, s2 = same + other, np.abs(same - other)
    s2[~np.isfinite(s2)] = 0.0
    return s1, s2, area


def disc_means(centroids: Array, areas: Array, values: Array, radius: float = DISC_MM) -> Array:
    """(m, k) area-weighted means of `values` (m, k) over the faces within `radius` of each."""
    tree = KDTree(centroids)
    means = np.empty_like(values)
    weighted = areas[:, None] * values
    for low in range(0, len(centroids), 4096):
        near = tree.query_ball_point(centroids[low : low + 4096], radius, return_sorted=True)
        count = np.array([len(i) for i in near])
        index = np.concatenate(near).astype(np.int64)
        start = np.concatenate([[0], np.cumsum(count)[:-1]])
        total = np.add.reduceat(areas[index], start)
        here = np.add.reduceat(weighted[index], start, axis=0)
        plain = np.add.reduceat(values[index], start, axis=0) / count[:, None]
        means[low : low + 4096] = np.where(
            total[:, None] > 0, here / np.where(total > 0, total, 1.0)[:, None], plain
        )
    return means


def percentile_by_area(values: Array, areas: Array, percent: float) -> float:
    """The value that faces making up `percent` of the area do not exceed."""
    order = np.argsort(values)
    part = np.cumsum(areas[order])
    if not part[-1] > 0:
        return float(values.max())
    at = int(np.searchsorted(part, percent / 100 * part[-1]))
    return float(values[order[min(at, len(order) - 1)]])


def limit_towards(limit: Limit, angle: NDArray[np.floating]) -> NDArray[np.floating]:
    """The limit, percent, at an angle from the warp.

    Warp and weft at 0 and 90°, bias at 45°, and an ellipse in the doubled angle between: a shear
    of the weave strains the directions in proportion to the sine of twice their angle.
    """
    straight = limit.warp * np.cos(angle) ** 2 + limit.weft * np.sin(angle) ** 2
    return np.hypot(straight * np.cos(2 * angle), limit.bias * np.sin(2 * angle))


def directional_loads(
    V: Array, F: Faces, U: Array, material: Material, grain_deg: float
) -> NDArray[np.float64]:
    """(2, m, k) stretch and squeeze of every face over their limits, along the judged directions."""
    return _loads_along(flat_to_surface(V, F, U)[0], material, grain_deg)


def _loads_along(M: Array, material: Material, grain_deg: float) -> NDArray[np.float64]:
    angles = DIRECTIONS + np.radians(grain_deg)
    d = np.stack([np.cos(angles), np.sin(angles)])
    with np.errstate(invalid="ignore"):
        length = np.linalg.norm(M @ d, axis=1)
    length = np.where(np.isnan(length), np.inf, length)
    stretch = 100 * (length - 1) / limit_towards(material.stretch_pct, DIRECTIONS)
    squeeze = 100 * (1 - length) / limit_towards(material.squeeze_pct, DIRECTIONS)
    return np.stack([stretch, squeeze])


def overlap_area(F: Faces, U: Array) -> float:
    """Area, mm², by which a flat without flipped faces covers the plane more than once.

    Without flips the flat covers a point as often as its outline winds round it (argument
    principle), so the outline alone decides.
    """
    border = border_half_edges(F)
    if len(border) == 0 or not np.isfinite(U).all():
        return 0.0
    noded = shapely.node(shapely.MultiLineString(list(U[border])))
    cells = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
    if len(cells) <= 1:
        return 0.0
    inside = shapely.get_coordinates(shapely.point_on_surface(cells))
    a, b = U[border[:, 0]], U[border[:, 1]]
    overlap = 0.0
    for point, area in zip(inside, shapely.area(cells), strict=True):
        below, above = a[:, 1] <= point[1], b[:, 1] <= point[1]
        left = (b[:, 0] - a[:, 0]) * (point[1] - a[:, 1]) - (point[0] - a[:, 0]) * (
            b[:, 1] - a[:, 1]
        )
        winding = int((below & ~above & (left > 0)).sum()) - int(
            (~below & above & (left < 0)).sum()
        )
        overlap += max(0, winding - 1) * float(area)
    return overlap


def strain_of(
    V: Array, F: Faces, U: Array, *, material: Material, grain_deg: float = 90.0
) -> Strain:
    """Strain of the flat U (n, 2) mm of the panel V (n, 3) mm, F (m, 3), for a material.

    `grain_deg` is the warp's direction on the flat; it matters only where the material's limits
    depend on direction.
    """
    F = np.asarray(F)
    M, flat_area = flat_to_surface(V, F, U)
    s1, s2, _ = principal_stretches(V, F, U)
    areas = face_areas(V, F)
    centroids = V[F].mean(axis=1)
    isotropic = material.isotropic
    # A face without a shape has no strain of its own; it would read as squeezed to nothing.
    longest = np.linalg.norm(V[F] - V[np.roll(F, 1, axis=1)], axis=2).max(axis=1)
    lost = 2 * areas <= THINNEST * longest**2
    s1, s2 = np.where(lost, 1.0, s1), np.where(lost, 1.0, s2)
    M[lost] = np.eye(2)
    capped = np.minimum(s1, 1e6)  # a collapsed face must not make the means undefined
    columns = [capped - 1.0, 1.0 - s2]
    if not isotropic:
        columns += list(np.minimum(_loads_along(M, material, grain_deg).max(axis=2), 1e6))
    discs = disc_means(centroids, areas, np.column_stack(columns))
    peaks = np.maximum(discs.max(axis=0), 0.0)
    if isotropic:
        load = max(
            100 * float(peaks[0]) / material.stretch_pct.warp,
            100 * float(peaks[1]) / material.squeeze_pct.warp,
        )
    else:
        load = float(peaks[2:].max())
    flipped = int((flat_area <= 0.0).sum())
    overlap = overlap_area(F, U)
    with np.errstate(invalid="ignore"):
        angle_error = np.abs(corner_angles(U, F) - corner_angles(V, F)).mean()
    bending = 0.0
    if material.thickness_mm > 0:
        bending = 0.5 * material.thickness_mm * float(smooth_curvatures(V, F, SMOOTH_MM).max())
    return Strain(
        s1=s1,
        s2=s2,
        stretch_disc=discs[:, 0],
        squeeze_disc=discs[:, 1],
        area_surface_mm2=float(areas.sum()),
        area_flat_mm2=float(np.abs(flat_area).sum()),
        stretch_peak_pct=100 * float(peaks[0]),
        squeeze_peak_pct=100 * float(peaks[1]),
        stretch_max_pct=100 * max(0.0, float(capped.max() - 1.0)),
        squeeze_max_pct=100 * max(0.0, float(1.0 - s2.min())),
        stretch_p99_pct=100 * max(0.0, percentile_by_area(capped - 1.0, areas, 99)),
        squeeze_p99_pct=100 * max(0.0, percentile_by_area(1.0 - s2, areas, 99)),
        angle_error_mean_deg=float(np.degrees(angle_error)),
        bending_max_pct=100 * bending,
        flipped_faces=flipped,
        overlap_mm2=overlap,
        load_peak=load,
        fits=bool(load <= 1.0 and flipped == 0 and overlap <= 1e-6),
    )


def measure_strain(panel: Panel, flat: Flat, material: Material) -> Strain:
    """Strain of a panel's flat, for a material."""
    return strain_of(panel.V, panel.F, flat.U, material=material, grain_deg=flat.grain_deg)


def measure_flats(flat_set: FlatSet) -> tuple[Strain, ...]:
    """Strain of every flat of a set, in the order of its panels."""
    return tuple(
        measure_strain(panel, flat, flat_set.material)
        for panel, flat in zip(flat_set.panel_set.panels, flat_set.flats, strict=True)
    )
