"""Arc length, corners and smoothing of polylines."""

import numpy as np
import pytest

from flatten.geometry.curves import (
    at_lengths,
    corners,
    resample,
    smooth,
    without_repeats,
)


def circle(radius, step):
    count = int(2 * np.pi * radius / step)
    t = np.linspace(0, 2 * np.pi, count, endpoint=False)
    return np.column_stack([radius * np.cos(t), radius * np.sin(t), np.zeros(count)])


def test_resampled_points_are_even_and_keep_the_ends():
    P = np.array([[0, 0, 0], [3, 0, 0], [3, 4, 0.0]])
    Q = resample(P, 0.9)
    places = Q[:, 0] + Q[:, 1]  # length along this polyline
    np.testing.assert_allclose(np.diff(places), 7 / 8)
    np.testing.assert_array_equal(Q[[0, -1]], P[[0, -1]])
    np.testing.assert_allclose(at_lengths(P, np.array([3.0, 5.0])), [[3, 0, 0], [3, 2, 0]])


@pytest.mark.parametrize(("closed", "kept"), [(False, [0, 2, 4]), (True, [0, 2])])
def test_repeated_points_go(closed, kept):
    P = np.array([[0, 0, 0], [0, 0, 1e-4], [5, 0, 0], [1e-4, 0, 0], [0, 0, 0.0]])
    assert np.flatnonzero(without_repeats(P, closed, 0.05)).tolist() == kept


def test_noise_goes_and_circles_stay():
    rng = np.random.default_rng(0)
    for radius in (15.0, 50.0):
        C = circle(radius, 2.0)
        still = smooth(C, 12.0, 0.6, closed=True)
        assert np.abs(np.linalg.norm(still, axis=1) - radius).max() < 0.02
        noisy = C + rng.normal(0, 0.3, C.shape)
        calm = smooth(noisy, 12.0, 0.6, closed=True)
        assert np.std(np.linalg.norm(calm, axis=1)) < 0.6 * np.std(np.linalg.norm(noisy, axis=1))


def test_a_wave_of_the_given_length_is_halved():
    # Whittaker's smoother passes 1 / (1 + (w / 2 pi)^4 k^4) of a wave number k: half at k = 2 pi / w.
    s = np.arange(0.0, 400.0, 0.5)
    P = np.column_stack([s, 0.2 * np.sin(2 * np.pi * s / 20.0), np.zeros(len(s))])
    Q = smooth(P, 20.0, 1.0)
    middle = slice(200, -200)
    assert np.abs(Q[middle, 1]).max() == pytest.approx(0.1, rel=0.03)


def test_no_point_moves_farther_than_allowed_and_ends_stay():
    rng = np.random.default_rng(4)
    P = np.column_stack([np.arange(50.0), rng.normal(0, 2.0, (50, 2))])
    Q = smooth(P, 30.0, 0.5)
    assert np.linalg.norm(Q - P, axis=1).max() <= 0.5 + 1e-12
    np.testing.assert_array_equal(Q[[0, -1]], P[[0, -1]])


def test_corners_are_found_once_each():
    a = np.column_stack([np.arange(0.0, 40, 2), np.zeros(20), np.zeros(20)])
    b = np.column_stack([np.full(20, 40.0), np.arange(0.0, 40, 2), np.zeros(20)])
    assert corners(np.vstack([a, b]), False, 7.0, 40.0).tolist() == [20]
    assert len(corners(circle(30.0, 2.0), True, 7.0, 40.0)) == 0
    square = resample(np.array([[0, 0], [30, 0], [30, 30], [0, 30], [0, 0.0]]), 2.0)[:-1]
    assert corners(square, True, 7.0, 40.0).tolist() == [0, 15, 30, 45]
