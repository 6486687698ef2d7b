"""Fairing, its filter's response, and the bending measure."""

import igl
import numpy as np
import pytest

from flatten.geometry.primitives import cylinder, saddle, spherical_cap
from flatten.geometry.smoothing import (
    bending,
    border_mask,
    cotangent_laplacian,
    fair,
    smooth_positions,
)
from flatten.scan.remesh import remesh


def test_the_laplacian_is_that_of_an_independent_library():
    """libigl's cotmatrix (its sign is the other way)."""
    V, F = saddle(40.0, 50.0)
    L, mass = cotangent_laplacian(V, F)
    theirs = igl.cotmatrix(V, np.asarray(F, dtype=np.int64))
    assert abs(L + theirs).max() < 1e-9
    assert mass.sum() == pytest.approx(igl.doublearea(V, np.asarray(F, np.int64)).sum() / 2)


@pytest.mark.parametrize("wave", [30.0, 45.0, 80.0])
def test_a_wave_is_kept_by_the_share_that_the_energy_gives(wave):
    """The minimiser of w |x - f|² + |Lap x|² keeps 1 / (1 + k⁴ / w) of a wave (Fourier)."""
    plane = remesh(*saddle(120.0, 1e9, edge_mm=10.0), 2.5)
    V, F = plane.V, plane.F
    k, weight = 2 * np.pi / wave, (2 * np.pi / 40.0) ** 4
    field = np.zeros_like(V)
    field[:, 2] = np.sin(k * V[:, 0])
    out = fair(V, F, np.full(len(V), weight), free=np.zeros(len(V), bool), field=field)
    middle = (np.abs(V[:, 0]) < 60) & (np.abs(V[:, 1]) < 60)
    share = (out[middle, 2] @ field[middle, 2]) / (field[middle, 2] @ field[middle, 2])
    assert share == pytest.approx(1 / (1 + k**4 / weight), abs=0.02)


def test_a_free_patch_takes_the_shape_around_it():
    """A hole in a sphere, filled flat, comes back to the sphere."""
    V, F = spherical_cap(60.0, 1.0, rings=24)
    axis = V[0] / np.linalg.norm(V[0])
    free = V @ axis > 60 * np.cos(0.25)
    dented = V.copy()
    dented[free] -= np.outer(dented[free] @ axis - 60 * np.cos(0.25), axis)
    out = fair(dented, F, np.full(len(V), np.inf), free=free)
    assert np.abs(np.linalg.norm(dented[free], axis=1) - 60).max() > 1.5
    assert np.abs(np.linalg.norm(out[free], axis=1) - 60).max() < 0.1
    assert np.array_equal(out[~free], dented[~free])


@pytest.mark.parametrize(
    ("shape", "radius"),
    [(cylinder(40.0, 100.0, edge_mm=4.0, arc=3.0), 40.0), (spherical_cap(60, 1.0, rings=20), 60.0)],
)
def test_bending_is_one_over_the_radius(shape, radius):
    V, F = shape
    inner = ~border_mask(F, len(V))
    inner[F[~inner[F].all(axis=1)]] = False
    inner[F[~inner[F].all(axis=1)]] = False
    assert bending(V, F)[inner] == pytest.approx(1 / radius, rel=0.1)


def test_smoothing_takes_noise_off_a_sphere_and_keeps_its_size():
    V, F = spherical_cap(60.0, 1.2, rings=24)
    rng = np.random.default_rng(0)
    noisy = V * (1 + rng.normal(0, 0.3, len(V)) / 60)[:, None]
    fixed = border_mask(F, len(V))
    out = smooth_positions(noisy, F, passes=8, fixed=fixed)
    radius = np.linalg.norm(out[~fixed], axis=1)
    assert radius.std() < 0.16
    assert radius.mean() == pytest.approx(60, abs=0.05)
    assert np.array_equal(out[fixed], noisy[fixed])
