"""Nearest points by the tree of boxes."""

import igl
import numpy as np
import pytest

from flatten.geometry.boxtree import box_tree, nearest_points
from flatten.geometry.primitives import saddle, spherical_cap


@pytest.mark.parametrize("shape", [spherical_cap(60.0, 1.2, rings=12), saddle(40.0, 60.0)])
def test_distances_are_those_of_an_independent_library(shape):
    """libigl's point_mesh_squared_distance."""
    V, F = shape
    P = np.random.default_rng(3).normal(0, 60, (500, 3))
    points, face = nearest_points(box_tree(V, F), P)
    squared = igl.point_mesh_squared_distance(P, V, np.asarray(F, dtype=np.int64))[0]
    assert np.allclose(np.linalg.norm(points - P, axis=1), np.sqrt(squared), atol=1e-9)
    # The point lies in the face that is named: its barycentric coordinates rebuild it.
    a, b, c = (V[F[face, k]] for k in range(3))
    w = igl.barycentric_coordinates(points, a, b, c)
    assert w.min() > -1e-6
    assert np.allclose(w[:, :1] * a + w[:, 1:2] * b + w[:, 2:] * c, points, atol=1e-6)


def test_a_sheet_that_faces_away_is_not_looked_at():
    V, F = saddle(40.0, 1e6)
    below = V - [0, 0, 3.0]
    both = np.concatenate([V, below]), np.concatenate([F, F[:, ::-1] + len(V)])
    up = igl.per_vertex_normals(V, np.asarray(F, dtype=np.int64))
    P = V - 2.5 * up  # nearer to the lower sheet, which looks down
    points, face = nearest_points(box_tree(*both), P, up, 0.5)
    assert (face < len(F)).all()
    assert np.allclose(np.linalg.norm(points - P, axis=1), 2.5, atol=0.01)


def test_segments_are_faces_with_a_repeated_corner():
    V = np.array([[0.0, 0, 0], [10, 0, 0], [10, 10, 0]])
    tree = box_tree(V, np.array([[0, 1, 1], [1, 2, 2]]))
    points, face = nearest_points(tree, np.array([[4.0, 3, 0], [12, 4, 5], [-1, -1, 0]]))
    assert np.allclose(points, [[4, 0, 0], [10, 4, 0], [0, 0, 0]])
    assert face.tolist() == [0, 1, 0]
