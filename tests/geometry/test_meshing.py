"""Split, collapse, flip and relax keep a mesh sound whatever they are given."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flatten.geometry.evening import flip_edges
from flatten.geometry.halfedges import border_cycles, opposites
from flatten.geometry.meshing import collapse_short, split_long
from flatten.geometry.primitives import saddle, spherical_cap
from flatten.geometry.topology import euler_characteristic
from flatten.geometry.triangles import corner_angles, face_areas
from flatten.scan.remesh import remesh


def assert_sound(V, F, borders, euler):
    twin = opposites(F, len(V))  # raises unless every edge has two faces that agree
    assert len(border_cycles(F, twin)) == borders
    assert euler_characteristic(F) == euler
    assert len(np.unique(F)) == len(V)
    assert face_areas(V, F).min() > 0


@settings(deadline=None, max_examples=15)
@given(st.integers(0, 10**6), st.floats(1.5, 12.0))
def test_a_rough_disk_stays_a_disk(seed, edge):
    V, F = saddle(30.0, 45.0)
    rng = np.random.default_rng(seed)
    V = V + rng.normal(0, 0.6, V.shape)
    done = remesh(V, F, edge)
    assert_sound(done.V, done.F, borders=1, euler=1)


def test_a_closed_surface_stays_closed():
    V, F = spherical_cap(60.0, 1.4, rings=14)
    rim = border_cycles(F, opposites(F, len(V)))[0]
    tip = len(V)
    V = np.concatenate([V, [[0.0, V[rim, 1].mean(), 0.0]]])
    F = np.concatenate([F, np.column_stack([np.roll(rim, -1), rim, np.full(len(rim), tip)])])
    done = remesh(V, F, 4.0)
    assert_sound(done.V, done.F, borders=0, euler=2)


def test_a_plane_keeps_its_area_and_gets_even_triangles():
    V, F = saddle(50.0, 1e9, edge_mm=20.0)
    done = remesh(V, F, 3.0)
    assert face_areas(done.V, done.F).sum() == pytest.approx(face_areas(V, F).sum(), rel=1e-9)
    assert np.degrees(corner_angles(done.V, done.F).min()) > 25
    sides = np.linalg.norm(done.V[done.F] - done.V[np.roll(done.F, 1, axis=1)], axis=2)
    assert sides.max() < 3.0 * 4 / 3 * 1.3
    assert np.median(sides) == pytest.approx(3.0, rel=0.1)


def test_needles_on_a_line_are_split_to_an_end():
    """Collinear corners: splitting any but the longest edge first would never finish."""
    V = np.array([[0.0, 0, 0], [70, 0, 0], [23, 0, 0], [35, 40, 0]])
    F = np.array([[0, 2, 1], [0, 1, 3]])
    done = remesh(V, F, 5.0)
    assert euler_characteristic(done.F) == 1
    assert np.linalg.norm(done.V[done.F] - done.V[np.roll(done.F, 1, axis=1)], axis=2).max() < 10


def test_the_kernels_say_what_they_did():
    from flatten.scan.remesh import _grown, _half_edge_arrays

    V, F = saddle(20.0, 40.0, edge_mm=10.0)
    F = F.astype(np.int32)
    M = _half_edge_arrays(V, F, opposites(F, len(V)), np.zeros(3 * len(F), dtype=bool), 1.0)
    assert split_long(M, 5.0) == -1  # no room
    M = _grown(M, 2000)
    assert split_long(M, 5.0) > 0
    assert split_long(M, 5.0) == 0
    assert collapse_short(M, 4.0, 8.0, 0.3) > 0
    flip_edges(M, False, 0.7)
    assert flip_edges(M, False, 0.7) <= 2
