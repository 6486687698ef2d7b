"""Polygons split into triangles: area, sense and corners are kept."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import Polygon

from flatten.geometry.facets import triangulate


def area_vectors(V, F):
    return 0.5 * np.cross(V[F[:, 1]] - V[F[:, 0]], V[F[:, 2]] - V[F[:, 0]])


@given(
    st.integers(5, 14),
    st.lists(st.floats(0.2, 1.0), min_size=14, max_size=14),
    st.floats(0, 6.28),
    st.booleans(),
)
def test_a_star_shaped_polygon_keeps_its_area_at_any_tilt(n, radii, tilt, backwards):
    """Area against shapely's of the same outline; no triangle turns over."""
    angle = 2 * np.pi * np.arange(n) / n
    xy = np.column_stack([np.cos(angle), np.sin(angle)]) * np.array(radii[:n])[:, None]
    if backwards:
        xy = xy[::-1]
    c, s = np.cos(tilt), np.sin(tilt)
    V = np.column_stack([xy, np.zeros(n)]) @ np.array([[1, 0, 0], [0, c, s], [0, -s, c]])
    corners = np.arange(n)
    place, polygon = triangulate(np.array([n]), corners, V)
    vectors = area_vectors(V, corners[place])
    normal = np.array([0.0, -s, c]) * (-1 if backwards else 1)
    assert len(place) == n - 2
    assert (polygon == 0).all()
    assert (vectors @ normal > -1e-12).all()
    assert np.isclose((vectors @ normal).sum(), Polygon(xy).area)


def test_a_concave_quadrilateral_is_cut_at_its_inner_corner():
    V = np.array([[0, 0, 0], [2, 1, 0], [0, 2, 0], [0.5, 1, 0]], dtype=float)
    for shift in range(4):
        corners = np.roll(np.arange(4), shift)
        place, _ = triangulate(np.array([4]), corners, V)
        assert (area_vectors(V, corners[place])[:, 2] > 0).all()


def test_mixed_polygons_keep_their_order_and_points_and_edges_are_dropped():
    V = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], dtype=float)
    corners = np.array([0, 1, 0, 1, 2, 0, 1, 2, 3, 2])
    place, polygon = triangulate(np.array([2, 3, 4, 1]), corners, V)
    assert polygon.tolist() == [1, 2, 2]
    assert corners[place[0]].tolist() == [0, 1, 2]


def test_nothing_gives_nothing():
    place, polygon = triangulate(np.empty(0, np.int64), np.empty(0, np.int64), np.empty((0, 3)))
    assert place.shape == (0, 3)
    assert len(polygon) == 0
