"""Smoothed net lines, against circles."""

import numpy as np
import pytest

from flatten.geometry.curves import arc_length
from flatten.geometry.plane_curves import along, beside, smooth


def arc(radius: float, degrees: float, step: float) -> np.ndarray:
    n = round(np.radians(degrees) * radius / step)
    a = np.radians(np.linspace(0, degrees, n + 1))
    return radius * np.column_stack([np.cos(a), np.sin(a)])


@pytest.mark.parametrize("radius", [30.0, 60.0, 150.0, 600.0])
def test_smoothing_keeps_length_and_stays_within_a_twentieth(radius: float):
    chords = arc(radius, 150, 5.0)
    curve, at = smooth(chords)
    assert arc_length(curve)[-1] == pytest.approx(arc_length(chords)[-1], rel=2e-5, abs=0.02)
    assert np.linalg.norm(curve[at] - chords, axis=1).max() <= 0.05
    # Drawn finely: the turn at any point stays far below that of the chords.
    d = np.diff(curve, axis=0)
    turn = np.abs(np.diff(np.unwrap(np.arctan2(d[:, 1], d[:, 0]))))
    sagitta = np.linalg.norm(d[1:], axis=1) * turn / 8
    assert sagitta.max() < 0.02


def test_smoothing_leaves_ends_and_corners():
    points = np.vstack([arc(80, 60, 5.0), [[40.0, 160.0], [0.0, 160.0]]])
    curve, at = smooth(points)
    assert np.array_equal(curve[at[0]], points[0])
    assert np.array_equal(curve[at[-1]], points[-1])
    corner = len(points) - 2
    assert np.array_equal(curve[at[corner]], points[corner])


def test_a_straight_edge_stays_straight():
    points = np.column_stack([np.linspace(0, 100, 21), np.full(21, 3.0)])
    curve, _ = smooth(points)
    assert np.abs(curve[:, 1] - 3.0).max() < 1e-12
    assert arc_length(curve)[-1] == pytest.approx(100.0)


def test_uneven_spacing_does_not_bend_a_circle():
    a = np.sort(np.random.default_rng(7).uniform(0, 2.0, 60))
    chords = 100 * np.column_stack([np.cos(a), np.sin(a)])
    curve, _ = smooth(chords)
    assert np.abs(np.linalg.norm(curve, axis=1) - 100).max() < 0.1


def test_places_along_a_curve():
    points = np.array([[0, 0], [10, 0], [10, 10]], dtype=float)
    place, tangent = along(points, [5.0, 12.0, 99.0])
    assert place.tolist() == [[5, 0], [10, 2], [10, 10]]
    assert tangent.tolist() == [[1, 0], [0, 1], [0, 1]]


def test_places_beside_a_corner_lie_on_both_parallels():
    points = np.array([[0, 0], [10, 0], [10, 10]], dtype=float)
    assert beside(points, [5.0, 10.0, 15.0], -2.0) == pytest.approx(
        np.array([[5, 2], [8, 2], [8, 5]])
    )
