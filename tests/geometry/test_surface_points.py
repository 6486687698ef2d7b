"""Nearest surface points, and the one spelling that each place has."""

import igl
import numpy as np
import pytest

from flatten.geometry.primitives import spherical_cap
from flatten.geometry.surface_points import (
    canonical,
    face_tree,
    on_rim,
    place_keys,
    positions,
    surface_of,
)


@pytest.fixture(scope="module")
def cap():
    V, F = spherical_cap(80.0, np.radians(70.0), rings=14)
    return surface_of(V, F)


def test_nearest_points_agree_with_libigl(cap):
    rng = np.random.default_rng(2)
    P = rng.uniform(-90, 90, (400, 3))
    face, bary, distance = face_tree(cap.V, cap.F).nearest(P)
    expected, _, _ = igl.point_mesh_squared_distance(P, cap.V, cap.F.astype(np.int64))
    np.testing.assert_allclose(distance**2, expected, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(
        np.linalg.norm(positions(cap.V, cap.F, face, bary) - P, axis=1), distance, atol=1e-9
    )


def test_points_beyond_the_rim_come_to_lie_on_it_exactly(cap):
    rim = cap.V[cap.on_border]
    out = rim * [1.2, 1.0, 1.2] + [0, -20.0, 0]
    face, bary, _ = face_tree(cap.V, cap.F).nearest(out)
    assert on_rim(cap, face, bary).all()
    assert np.all((bary == 0.0).sum(axis=1) >= 1)


def test_a_place_has_one_spelling_whatever_face_it_is_said_in(cap):
    half = np.flatnonzero(cap.twin >= 0)
    t = np.linspace(0.1, 0.9, len(half))
    f, c = half // 3, half % 3
    bary = np.zeros((len(half), 3))
    bary[np.arange(len(half)), c] = 1.0 - t
    bary[np.arange(len(half)), (c + 1) % 3] = t
    g, d = cap.twin[half] // 3, cap.twin[half] % 3
    other = np.zeros_like(bary)
    other[np.arange(len(half)), d] = t
    other[np.arange(len(half)), (d + 1) % 3] = 1.0 - t
    one, two = canonical(cap, f, bary), canonical(cap, g, other)
    np.testing.assert_array_equal(one[0], two[0])
    np.testing.assert_array_equal(one[1], two[1])
    np.testing.assert_array_equal(place_keys(cap, *one), place_keys(cap, *two))
    np.testing.assert_allclose(positions(cap.V, cap.F, *one), positions(cap.V, cap.F, f, bary))


def test_vertices_are_said_in_one_face_and_have_their_own_key(cap):
    face = np.repeat(np.arange(len(cap.F)), 3)
    bary = np.tile(np.eye(3), (len(cap.F), 1))
    f, b = canonical(cap, face, bary)
    keys = place_keys(cap, f, b)
    np.testing.assert_array_equal(keys[:, 0], cap.F.ravel())
    assert len(np.unique(np.column_stack([f, b]), axis=0)) == len(cap.V)


def test_meshes_that_are_no_oriented_manifold_are_refused():
    V = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 1.0]])
    with pytest.raises(ValueError, match="manifold"):
        surface_of(V, np.array([[0, 1, 2], [0, 1, 3]]))
    with pytest.raises(ValueError, match="manifold"):
        surface_of(V, np.array([[0, 1, 2], [1, 0, 3], [1, 0, 4]]))
