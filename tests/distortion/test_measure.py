"""The strain measure against closed forms: Snyder's worked examples, caps, shears, discs, overlap."""

import numpy as np
import pytest

from flatten.distortion.measure import (
    disc_means,
    limit_towards,
    overlap_area,
    percentile_by_area,
    principal_stretches,
    strain_of,
)
from flatten.geometry.operators import smooth_curvatures
from flatten.geometry.primitives import cylinder, grid_faces, saddle, spherical_cap
from flatten.records.material import Limit, Material, same


def material(stretch=10.0, squeeze=6.0, thickness=0.0) -> Material:
    return Material(
        name="m", family="foam", thickness_mm=thickness, stretch_pct=same(stretch),
        squeeze_pct=same(squeeze),
    )  # fmt: skip


def globe(lat, lon):
    """Points of the unit sphere at latitudes and longitudes in degrees."""
    lat, lon = np.radians(lat), np.radians(lon)
    return np.column_stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])


def small_triangle(lat, lon, d=1e-4):
    return np.array([lat, lat, lat + d]), np.array([lon, lon + d, lon])


def stereographic(lat, lon, lat0, lon0):
    """Snyder eq. 21-2 to 21-4, R = k0 = 1."""
    p, q, p0 = np.radians(lat), np.radians(lon - lon0), np.radians(lat0)
    k = 2 / (1 + np.sin(p0) * np.sin(p) + np.cos(p0) * np.cos(p) * np.cos(q))
    x = k * np.cos(p) * np.sin(q)
    y = k * (np.cos(p0) * np.sin(p) - np.sin(p0) * np.cos(p) * np.cos(q))
    return np.column_stack([x, y]), k


def equal_area(lat, lon, lat0, lon0, radius):
    """Snyder eq. 24-2, 22-4, 22-5: Lambert's azimuthal equal-area projection."""
    p, q, p0 = np.radians(lat), np.radians(lon - lon0), np.radians(lat0)
    k = np.sqrt(2 / (1 + np.sin(p0) * np.sin(p) + np.cos(p0) * np.cos(p) * np.cos(q)))
    x = radius * k * np.cos(p) * np.sin(q)
    y = radius * k * (np.cos(p0) * np.sin(p) - np.sin(p0) * np.cos(p) * np.cos(q))
    return np.column_stack([x, y]), k


def test_lamberts_worked_example():
    """Snyder, Map Projections: A Working Manual, USGS PP 1395, 1987, numerical example to ch. 24:
    R = 3, centre 40 N 100 W, point 20 S 100 E: x -4.2339303, y 4.0257775, k' 4.3912175."""
    xy, k = equal_area(np.array([-20.0]), np.array([100.0]), 40.0, -100.0, 3.0)
    np.testing.assert_allclose(xy[0], [-4.2339303, 4.0257775], atol=1e-6)
    assert k[0] == pytest.approx(4.3912175, abs=1e-6)
    lat, lon = small_triangle(-20.0, 100.0, 1e-5)
    V, U = 3 * globe(lat, lon), equal_area(lat, lon, 40.0, -100.0, 3.0)[0]
    s1, s2, area = principal_stretches(V, np.array([[0, 1, 2]]), U)
    # The map's scales are k' and 1/k'; the report's are those of the way back.
    assert s1[0] == pytest.approx(4.3912175, rel=1e-4)
    assert s2[0] == pytest.approx(1 / 4.3912175, rel=1e-4)
    assert area[0] > 0


def test_stereographic_worked_example():
    """Snyder, worked example to ch. 26: the point 60 N 150 W about 64 N 152 W has the scale
    k' = 1.0012864 (for k0 = 1), alike in all directions."""
    lat, lon = small_triangle(60.0, -150.0, 1e-3)
    U, k = stereographic(lat, lon, 64.0, -152.0)
    np.testing.assert_allclose(U[0], [0.0174722, -0.0695721], atol=2e-4)
    assert k[0] == pytest.approx(1.0012864, abs=2e-6)
    s1, s2, _ = principal_stretches(globe(lat, lon), np.array([[0, 1, 2]]), U)
    np.testing.assert_allclose([1 / s1[0], 1 / s2[0]], 1.0012864, atol=2e-5)


def test_azimuthal_equidistant_cap():
    """Along the radius true, across it sin c / c (Snyder, ch. 25)."""
    c = 1.0
    V, F = spherical_cap(100.0, c, rings=40)
    angle, turn = np.arccos(V[:, 1] / 100), np.arctan2(V[:, 0], V[:, 2])
    U = 100 * angle[:, None] * np.column_stack([np.sin(turn), -np.cos(turn)])
    s1, s2, area = principal_stretches(V, F, U)
    assert area.min() > 0
    assert s2.min() == pytest.approx(np.sin(c) / c, rel=0.01)
    assert s1.max() == pytest.approx(1.0, abs=0.01)
    strain = strain_of(V, F, U, material=material())
    assert strain.area_surface_mm2 == pytest.approx(2 * np.pi * 1e4 * (1 - np.cos(c)), rel=2e-3)
    assert strain.area_flat_mm2 == pytest.approx(np.pi * (100 * c) ** 2, rel=2e-3)
    assert strain.load_peak == pytest.approx(strain.squeeze_peak_pct / 6.0)
    assert not strain.fits


def test_a_stretched_square_reads_as_stretched():
    x = np.linspace(0, 60, 13)
    P = np.column_stack([np.tile(x, 13), np.repeat(x, 13)])
    F = grid_faces(13, 13)
    V = np.column_stack([P * [1.08, 0.95], np.zeros(len(P))])
    strain = strain_of(V, F, P, material=material())
    assert strain.stretch_max_pct == pytest.approx(8.0)
    assert strain.stretch_peak_pct == pytest.approx(8.0)
    assert strain.stretch_p99_pct == pytest.approx(8.0)
    assert strain.squeeze_peak_pct == pytest.approx(5.0)
    assert strain.load_peak == pytest.approx(5 / 6)
    assert strain.fits


def test_a_mirrored_face_counts_as_flipped():
    V, F = cylinder(50.0, 40.0, arc=1.0)
    U = np.column_stack([-50 * np.arctan2(V[:, 0], V[:, 2]), V[:, 1]])
    strain = strain_of(V, F, U, material=material())
    assert strain.flipped_faces == len(F)
    assert not strain.fits


def test_discs_are_area_weighted_means_within_five_millimetres():
    rng = np.random.default_rng(0)
    centres, areas = rng.random((300, 3)) * 30, rng.random(300)
    values = rng.normal(size=(300, 2))
    means = disc_means(centres, areas, values)
    for i in (0, 17, 299):
        near = np.linalg.norm(centres - centres[i], axis=1) <= 5.0
        np.testing.assert_allclose(means[i], np.average(values[near], axis=0, weights=areas[near]))


def test_percentile_weighs_by_area():
    values, areas = np.array([1.0, 2.0, 3.0]), np.array([97.0, 2.0, 1.0])
    assert percentile_by_area(values, areas, 96) == 1.0
    assert percentile_by_area(values, areas, 98.5) == 2.0
    assert percentile_by_area(values, areas, 99.5) == 3.0


def test_limits_of_cloth_by_direction():
    limit = Limit(warp=2.0, weft=3.0, bias=5.0)
    got = limit_towards(limit, np.radians([0.0, 45.0, 90.0, 135.0, 180.0]))
    np.testing.assert_allclose(got, [2.0, 5.0, 3.0, 5.0, 2.0])


def test_shear_of_cloth_counts_on_the_bias():
    """Simple shear by g lengthens one diagonal by g/2 and leaves warp and weft to first order."""
    cloth = Material(
        name="c", family="cloth", thickness_mm=0, stretch_pct=Limit(warp=2, weft=2, bias=5),
        squeeze_pct=Limit(warp=2, weft=2, bias=5),
    )  # fmt: skip
    x = np.linspace(0, 40, 9)
    P = np.column_stack([np.tile(x, 9), np.repeat(x, 9)])
    V = np.column_stack([P[:, 0] + 0.05 * P[:, 1], P[:, 1], np.zeros(len(P))])
    F = grid_faces(9, 9)
    straight = strain_of(V, F, P, material=cloth, grain_deg=90.0)
    diagonal = strain_of(V, F, P, material=cloth, grain_deg=45.0)
    assert straight.load_peak == pytest.approx(2.5 / 5.0, rel=0.05)
    assert diagonal.load_peak == pytest.approx(2.5 / 2.0, rel=0.05)


def test_bending_is_half_the_thickness_over_the_radius():
    V, F = spherical_cap(100.0, 0.8, rings=25)
    strain = strain_of(V, F, V[:, [2, 0]], material=material(thickness=5.0))
    assert strain.bending_max_pct == pytest.approx(2.5, rel=0.05)
    V, F = cylinder(50.0, 100.0)
    assert smooth_curvatures(V, F, 20.0).max() == pytest.approx(1 / 50, rel=0.05)


def test_noise_does_not_read_as_bending():
    V, F = cylinder(80.0, 120.0, arc=2.0)
    noise = np.random.default_rng(1).normal(size=(len(V), 1)) * 0.2
    outward = V * [1, 0, 1] / 80.0
    assert smooth_curvatures(V + noise * outward, F, 20.0).max() < 1.6 / 80


def test_overlap_of_a_ring_sector_is_exact():
    """A sector of 450° between radii 40 and 60 covers a quarter of the ring twice."""
    t = np.linspace(0, 2.5 * np.pi, 301)
    U = np.concatenate([r * np.column_stack([np.cos(t), -np.sin(t)]) for r in (40.0, 60.0)])
    F = grid_faces(2, len(t))
    ring = 0.5 * 240 * np.sin(2 * np.pi / 240) * (60.0**2 - 40.0**2)
    assert overlap_area(F, U) == pytest.approx(ring / 4, rel=1e-9)


def test_no_overlap_on_a_simple_flat():
    V, F = saddle(50.0, 500.0)
    assert overlap_area(F, V[:, :2]) == 0.0


def test_faces_without_a_shape_have_no_strain():
    V = np.array([[0, 0, 0], [10, 0, 0], [0, 10, 0], [5, 0, 0.0]])
    F = np.array([[0, 1, 2], [0, 3, 1]])
    U = np.array([[0, 0], [10, 0], [0, 10], [5, -0.1]])
    strain = strain_of(V, F, U, material=material())
    assert strain.fits
    assert strain.squeeze_max_pct == 0.0
