"""The room's verb on what it may be given: orientation, odd panels, overlap, determinism."""

import numpy as np
import pytest

from flatten.distortion.measure import measure_flats
from flatten.geometry.primitives import disk_points, frustum, grid_faces, saddle, spherical_cap
from flatten.parameterize.flat import flatten_panels
from flatten.parameterize.start import signed_areas


def sock(length: float):
    c, angle = disk_points(16)
    r, down = np.minimum(4 * c, 1.0), np.maximum(4 * c - 1, 0.0) * length
    side = 30 * np.sin(r * np.pi / 2)
    V = np.column_stack(
        [side * np.sin(angle), 30 * np.cos(r * np.pi / 2) - down, side * np.cos(angle)]
    )
    return V, spherical_cap(1.0, 1.0, rings=16)[1]


def noisy():
    V, F = spherical_cap(100.0, 1.0, rings=12)
    return V + np.random.default_rng(0).normal(size=V.shape), F


def sliver():
    V, F = spherical_cap(100.0, 1.0, rings=12)
    V[40] += 0.995 * (V[41] - V[40])
    return V, F


def doubled():
    V, F = spherical_cap(100.0, 1.0, rings=12)
    V[F[100, 0]] = V[F[100, 1]]
    return V, F


ODD = {
    "triangle": (np.array([[0, 0, 0], [10, 0, 0], [0, 10, 5.0]]), np.array([[0, 1, 2]])),
    "needle": (np.array([[0, 0, 0], [100, 0, 0], [50, 1e-3, 0.0]]), np.array([[0, 1, 2]])),
    "no area": (np.array([[0, 0, 0], [10, 0, 0], [20, 0, 0.0]]), np.array([[0, 1, 2]])),
    "nearly closed": spherical_cap(100.0, np.radians(170), rings=20),
    "sock": sock(60.0),
    "long sock": sock(150.0),
    "saddle": saddle(60.0, 90.0),
    "noisy": noisy(),
    "sliver": sliver(),
    "doubled": doubled(),
    "tiny": spherical_cap(0.01, 1.0, rings=5),
    "huge": spherical_cap(1e5, 1.0, rings=5),
}


@pytest.mark.parametrize("name", list(ODD))
@pytest.mark.filterwarnings("error")
def test_never_a_flip_nor_a_warning(make, name):
    V, F = ODD[name]
    flat = flatten_panels(make.single(V, F), make.foam(), ply="base").flats[0]
    assert np.isfinite(flat.U).all()
    assert signed_areas(F, flat.U).min() > 0


def test_a_strip_without_inner_vertices_unfolds_exactly(make):
    """Mitani & Suzuki, Making papercraft toys from meshes, SIGGRAPH 2004."""
    rng = np.random.default_rng(4)
    k = 40
    spine = np.cumsum(rng.normal(size=(k, 3)) * 2 + [4, 0, 0], axis=0)
    V = np.concatenate([spine, spine + [0, 12, 3] + rng.normal(size=(k, 3))])
    F = grid_faces(2, k)
    strain = measure_flats(flatten_panels(make.single(V, F), make.foam(), ply="base"))[0]
    assert max(strain.stretch_max_pct, strain.squeeze_max_pct) < 1e-4


def test_a_doubled_vertex_costs_its_neighbours_nothing(make):
    whole = make.single(*spherical_cap(100.0, 1.0, rings=12))
    clean = measure_flats(flatten_panels(whole, make.foam(), ply="base"))[0]
    odd = measure_flats(flatten_panels(make.single(*doubled()), make.foam(), ply="base"))[0]
    assert odd.load_peak < 1.3 * clean.load_peak


def test_up_is_up_and_outside_faces_up(make):
    V, F = frustum(60.0, 70.0, 120.0, arc=1.5)
    U = flatten_panels(make.single(V, F), make.foam(), ply="base").flats[0].U
    high, low = V[:, 1] > 119, V[:, 1] < 1
    assert U[high, 1].mean() - U[low, 1].mean() == pytest.approx(120, rel=0.03)
    # Seen from outside with y up, the frustum's +x is to the right.
    assert U[V[:, 0] > 30, 0].mean() > U[V[:, 0] < -30, 0].mean()


def test_a_turned_cast_gives_the_same_flat(make):
    """Turning the panel about the upright axis changes nothing of its flat."""
    V, F = spherical_cap(100.0, 0.9, rings=12)
    V = V @ np.array([[1, 0, 0], [0, 0, 1], [0, -1, 0.0]])  # pole forward
    s, c = np.sin(0.7), np.cos(0.7)
    W = V @ np.array([[c, 0, -s], [0, 1, 0], [s, 0, c]])
    a, b = (flatten_panels(make.single(X, F), make.foam(), ply="base").flats[0].U for X in (V, W))
    np.testing.assert_allclose(a, b, atol=0.05)


def test_same_input_same_flat(make):
    parts = make.halves(*make.bumpy())
    a, b = (flatten_panels(parts, make.foam(), ply="base") for _ in range(2))
    for one, two in zip(a.flats, b.flats, strict=True):
        np.testing.assert_array_equal(one.U, two.U)


def test_no_panels_no_flats(make):
    parts = make.single(*spherical_cap(100.0, 1.0, rings=3))
    import dataclasses

    empty = dataclasses.replace(parts, panels=())
    assert flatten_panels(empty, make.foam(), ply="base").flats == ()


def test_progress_runs_from_start_to_end(make):
    told: list[float] = []
    parts = make.halves(*make.bumpy())
    flatten_panels(parts, make.foam(), ply="base", progress=told.append)
    assert told[-1] == 1.0
    assert told == sorted(told)
