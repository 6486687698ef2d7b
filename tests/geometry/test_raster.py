"""The z-buffer against areas and order that geometry itself gives."""

import numpy as np
import pytest

from flatten.geometry.raster import paint, rasterize, visible_faces

QUAD = np.array([[0, 1, 2], [0, 2, 3]])


def test_two_triangles_of_a_rectangle_cover_each_pixel_once_and_all_of_it():
    xy = np.array([[2.0, 3.0], [12.0, 3.0], [12.0, 9.0], [2.0, 9.0]])
    seen = visible_faces(xy, np.zeros(4), QUAD, (20, 15))
    inside = np.zeros((15, 20), bool)
    inside[3:9, 2:12] = True
    assert ((seen.face >= 0) == inside).all()


def test_the_pixels_of_a_triangle_are_its_area():
    """Pick's theorem leaves at most half the border's length: 300 pixels in 44,000."""
    xy = np.array([[3.3, 5.1], [390.7, 41.9], [120.2, 271.6]])
    (ux, uy), (vx, vy) = xy[1] - xy[0], xy[2] - xy[0]
    seen = visible_faces(xy, np.zeros(3), QUAD[:1], (400, 300))
    assert (seen.face == 0).sum() == pytest.approx(abs(ux * vy - uy * vx) / 2, abs=300)


def test_the_nearer_of_two_crossing_planes_is_seen():
    xy = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]] * 2)
    depth = np.array([5.0, 5.0, 5.0, 5.0, 0.0, 10.0, 10.0, 0.0])
    F = np.vstack([QUAD, QUAD + 4])
    seen = visible_faces(xy, depth, F, (10, 10))
    assert (seen.face[:, :5] >= 2).all()
    assert (seen.face[:, 5:] < 2).all()
    assert seen.depth[4, 0] == pytest.approx(0.5)


def test_vertex_colours_are_blended_linearly_and_face_colours_stay_plain():
    xy = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 20.0], [0.0, 20.0]])
    ramp = np.array([[0, 10, 20], [200, 110, 20], [200, 110, 20], [0, 10, 20]])
    image = rasterize(xy, np.zeros(4), QUAD, ramp, (100, 20))
    x = np.arange(100) + 0.5
    assert np.abs(image[10, :, 0] - 2.0 * x).max() <= 0.5
    seen = visible_faces(xy, np.zeros(4), QUAD, (100, 20))
    plain = paint(seen, QUAD, np.array([[255, 0, 0], [0, 0, 255]]), per="face")
    assert set(map(tuple, plain.reshape(-1, 3).tolist())) == {(255, 0, 0), (0, 0, 255)}


def test_what_lies_outside_the_picture_or_has_no_area_is_left_out():
    xy = np.array([[-50.0, -50.0], [-10.0, -50.0], [-10.0, -10.0], [4.0, 4.0]])
    F = np.array([[0, 1, 2], [3, 3, 3]])
    image = rasterize(xy, np.zeros(4), F, np.zeros((4, 3)), (8, 8), background=(1, 2, 3))
    assert (image == (1, 2, 3)).all()
