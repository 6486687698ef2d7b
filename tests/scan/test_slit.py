"""Slits of every kind are closed near the true surface; what is no slit stays open."""

import igl
import numpy as np
import pytest
import wraps

from flatten.geometry.topology import euler_characteristic
from flatten.scan.slit import close_slit

BODIES = {"torso": wraps.torso(100, 120), "leg": wraps.leg(140, 72)}


def back(name):
    """The body, a field that is zero along the middle of the back, and where that is the back."""
    V, F = BODIES[name]
    middle = np.polyval(np.polyfit(V[:, 1], V[:, 0], 3), V[:, 1]) if name == "leg" else 0.7
    depth = np.polyval(np.polyfit(V[:, 1], V[:, 2], 3), V[:, 1])
    return V, F, V[:, 0] - middle, (V[:, 2] < depth - 4).astype(float)


def off(W, V, F):
    """(n,) distances of points from a surface (libigl)."""
    return np.sqrt(igl.point_mesh_squared_distance(W, V, F.astype(np.int64))[0])


@pytest.mark.parametrize("name", ["torso", "leg"])
@pytest.mark.parametrize(
    ("kind", "said", "near"), [("gape", "gapes by 8", 0.5), ("lap", "laps by 10", 1.1),
                               ("step", "stepped by 4", 2.2), ("plain", "gapes by 0", 0.1)],
)  # fmt: skip
def test_a_slit_from_rim_to_rim_is_closed(name, kind, said, near):
    V, F, field, where = back(name)
    W, G = wraps.slit(V, F, field, where, kind)
    turn = wraps.random_turn(np.random.default_rng(1))
    assert len(wraps.loops(W, G)) == len(wraps.loops(V, F)) - 1
    done = close_slit(W @ turn.T, G)
    # As many openings as before, and the same Euler characteristic: one sheet, no hole, no handle.
    assert len(wraps.loops(done.V, done.F)) == len(wraps.loops(V, F))
    assert euler_characteristic(done.F) == euler_characteristic(F)
    assert said in done.notes[0]
    assert done.repairs["slits_closed"] == 1
    assert np.quantile(off(np.ascontiguousarray(done.V @ turn), V, F), 0.99) < near
    height = np.ptp(V[:, 1])
    assert done.repairs["slit_length_mm"] > 0.8 * height
    line = done.slits[0] @ turn
    assert off(np.ascontiguousarray(line), V, F).max() < max(2.5, 2 * near)


@pytest.mark.parametrize("kind", ["gape", "lap"])
def test_a_cut_that_ends_inside_is_closed_to_its_point(kind):
    V, F, field, where = back("torso")
    low = V[:, 1] < 250
    W, G = wraps.slit(V, F, field, where * low, kind)
    done = close_slit(W, G)
    assert len(wraps.loops(done.V, done.F)) == 4
    assert "a point inside" in done.notes[0]
    assert np.quantile(off(done.V, V, F), 0.99) < 0.8


def test_a_cut_that_reaches_no_rim_is_closed():
    V, F, field, where = back("leg")
    W, G = wraps.slit(V, F, field, where * (np.abs(V[:, 1] - 240) < 110), "gape")
    assert len(wraps.loops(W, G)) == 3
    done = close_slit(W, G)
    assert len(wraps.loops(done.V, done.F)) == 2


def test_noise_does_not_hide_a_slit():
    V, F, field, where = back("leg")
    W, G = wraps.slit(V, F, field, where, "lap")
    W = wraps.noise(W, G, np.random.default_rng(2))
    done = close_slit(W, G)
    assert len(wraps.loops(done.V, done.F)) == 2


def test_two_halves_are_joined_along_both_slits():
    V, F, field, _ = back("leg")
    W, G = wraps.slit(V, F, field, np.ones(len(V)), "plain")
    done = close_slit(W, G)
    assert done.repairs["slits_closed"] == 2
    assert len(wraps.loops(done.V, done.F)) == 2


def test_a_kept_slit_is_said_and_its_line_returned():
    V, F, field, where = back("leg")
    done = close_slit(*wraps.slit(V, F, field, where, "gape"), mode="keep")
    assert "kept as an opening seam" in done.notes[0]
    assert done.repairs["slits_kept"] == 1
    assert len(done.slits) == 1
    assert np.ptp(done.slits[0][:, 1]) > 0.9 * np.ptp(V[:, 1])


@pytest.mark.parametrize("name", ["torso", "leg"])
def test_openings_are_no_slits(name):
    V, F = BODIES[name]
    done = close_slit(V, F)
    assert done.slits == ()
    assert done.notes == ()
    np.testing.assert_array_equal(done.F, F)


@pytest.mark.parametrize("width", [20.0, 35.0])
def test_a_narrow_strap_between_two_openings_is_no_lap(width):
    V, F = wraps.leg(140, 72)
    # Two holes side by side: what is left between them is a strap.
    side = np.abs(V[:, 0] - V[:, 0].mean())
    hole = (
        (np.abs(V[:, 1] - 230) < 60) & (V[:, 2] > 0) & (side > width / 2) & (side < width / 2 + 60)
    )
    W, G = wraps.largest(V, F[~hole[F].all(axis=1)])
    assert close_slit(W, G).slits == ()


def torn(V, F, rng):
    """The body with bands torn out of it that wind about at random, 10 to 28 mm wide."""
    C, gone = V[F].mean(axis=1), np.zeros(len(F), dtype=bool)
    for _ in range(rng.integers(1, 5)):
        at, way, radius = C[rng.integers(len(C))], rng.normal(size=3), rng.uniform(5, 14)
        for _ in range(rng.integers(4, 25)):
            gone |= np.linalg.norm(C - at, axis=1) < radius
            way = 0.7 * way + 0.7 * rng.normal(size=3)
            at = C[np.linalg.norm(C - at - 8 * way / np.linalg.norm(way), axis=1).argmin()]
    return wraps.largest(V, F[~gone])


@pytest.mark.parametrize("seed", [18, 25, 31, 32, 36])
def test_tears_that_wind_about_leave_one_sound_sheet(seed):
    V, F = wraps.leg(100, 60)
    W, G = torn(V, F, np.random.default_rng(seed))
    done = close_slit(W, G)
    edges = np.sort(np.concatenate([done.F[:, [0, 1]], done.F[:, [1, 2]], done.F[:, [2, 0]]]), 1)
    assert np.unique(edges, axis=0, return_counts=True)[1].max() == 2
    # Whatever was closed lies where the body was: the bands are narrow against its roundness.
    assert off(np.ascontiguousarray(done.V), V, F).max() < 8.0
    assert len(wraps.loops(done.V, done.F)) <= len(wraps.loops(W, G))
