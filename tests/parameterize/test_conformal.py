"""The conformal start against igl.lscm, Chebyshev's theorem, and exact developments."""

import igl
import numpy as np
import pytest

from flatten.geometry.primitives import frustum, spherical_cap
from flatten.geometry.topology import border_half_edges
from flatten.geometry.triangles import corner_angles
from flatten.parameterize.lscm import Energy, conformal, conformal_energy, far_pins, lscm
from flatten.parameterize.start import signed_areas, start
from flatten.parameterize.tutte import tutte


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_same_map_and_energy_as_igl(seed, make):
    V, F = make.bumpy(seed=seed)
    pins = far_pins(V, np.unique(border_half_edges(F)))
    ours = lscm(V, F, pins)
    assert ours is not None
    theirs = next(
        x for x in igl.lscm(V, F.astype(np.int64), np.array(pins), ours[list(pins)])
        if isinstance(x, np.ndarray)
    )  # fmt: skip
    np.testing.assert_allclose(ours, theirs, atol=1e-6)
    assert conformal_energy(V, F, ours) <= conformal_energy(V, F, theirs) * (1 + 1e-6) + 1e-9


def ribbon(long=150, wide=7):
    """A wavy ribbon, whose border holds a good part of its vertices."""
    x, y = np.meshgrid(4.0 * np.arange(long), 4.0 * np.arange(wide), indexing="ij")
    V = np.stack([x, y, 9 * np.sin(x / 30) * np.cos(y / 12)], -1).reshape(-1, 3).astype(np.float64)
    i, j = np.meshgrid(np.arange(long - 1), np.arange(wide - 1), indexing="ij")
    a = (i * wide + j).ravel()
    b = a + wide
    return V, np.concatenate([np.stack([a, b, b + 1], -1), np.stack([a, b + 1, a + 1], -1)])


def test_long_borders_give_igls_map_too():
    V, F = ribbon()
    assert Energy(V, F).long_border
    pins = far_pins(V, np.unique(border_half_edges(F)))
    ours = lscm(V, F, pins)
    assert ours is not None
    theirs = next(
        x for x in igl.lscm(V, F, np.array(pins), ours[list(pins)]) if isinstance(x, np.ndarray)
    )
    np.testing.assert_allclose(ours, theirs, atol=1e-6)


def test_both_ways_find_the_same_lowest_map(monkeypatch):
    V, F = ribbon()
    maps = []
    for long in (0.0, np.inf):
        monkeypatch.setattr("flatten.parameterize.lscm.LONG", long)
        U = conformal(V, F)
        assert U is not None
        maps.append((U - U.mean(axis=0)) @ [1, 1j])
    turn = np.vdot(maps[0], maps[1])
    np.testing.assert_allclose(maps[0] * turn / abs(turn), maps[1], atol=1e-4)


def test_a_narrow_frustum_develops_exactly():
    V, F = frustum(60.0, 64.0, 8.0, edge_mm=2.0)
    assert Energy(V, F).long_border
    U = conformal(V, F)
    assert U is not None
    for i in range(3):
        a, b = F[:, i], F[:, (i + 1) % 3]
        np.testing.assert_allclose(
            np.linalg.norm(U[a] - U[b], axis=1), np.linalg.norm(V[a] - V[b], axis=1), rtol=1e-5
        )


def test_right_side_up(make):
    V, F = make.bumpy()
    for U in (lscm(V, F), conformal(V, F)):
        assert U is not None
        assert signed_areas(F, U).min() > 0


def test_cap_scale_is_chebyshevs():
    """Rim over centre is sec²(c/2) for the conformal map of a cap of angular radius c.

    Chebyshev's theorem; the scale of the stereographic projection: Snyder, Map Projections: A
    Working Manual, USGS PP 1395, 1987, ch. 21.
    """
    c = np.radians(60.0)
    V, F = spherical_cap(100.0, c, rings=40)
    U = conformal(V, F)
    assert U is not None
    scale = np.sqrt(
        signed_areas(F, U)
        / (0.5 * np.linalg.norm(np.cross(V[F[:, 1]] - V[F[:, 0]], V[F[:, 2]] - V[F[:, 0]]), axis=1))
    )
    rim = scale[-6 * 40 :]
    assert rim.mean() / scale[:6].mean() == pytest.approx(1 / np.cos(c / 2) ** 2, rel=0.03)


def test_angles_of_a_cap_are_kept():
    V, F = spherical_cap(100.0, np.pi / 2, rings=30)
    U = conformal(V, F)
    assert U is not None
    off = np.abs(corner_angles(U, F) - corner_angles(V, F))
    # Half a degree is the mesh's own: its angles are not the sphere's.
    assert np.degrees(off.mean()) < 0.6


def test_a_frustum_develops_exactly():
    V, F = frustum(60.0, 100.0, 96.0, edge_mm=6.0)
    U, how = start(V, F)
    assert how == "conformal"
    for i in range(3):
        a, b = F[:, i], F[:, (i + 1) % 3]
        np.testing.assert_allclose(
            np.linalg.norm(U[a] - U[b], axis=1), np.linalg.norm(V[a] - V[b], axis=1), rtol=1e-6
        )


@pytest.mark.parametrize("even", [True, False])
def test_tutte_never_flips(even, make):
    """Tutte, How to Draw a Graph, Proc. London Math. Soc. 13, 1963."""
    for V, F in (make.bumpy(), spherical_cap(100.0, 2.9, rings=15)):
        U = tutte(V, F, even=even)
        assert signed_areas(F, U).min() > 0
