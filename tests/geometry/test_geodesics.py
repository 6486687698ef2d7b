"""Shortest paths against unfolded cones, great circles, and two independent implementations."""

import igl
import numpy as np
import potpourri3d
import pytest

from flatten.geometry.geodesics import trace, walk
from flatten.geometry.primitives import frustum, spherical_cap
from flatten.geometry.surface_points import positions, surface_of


def at_vertices(surface, vertices):
    """The surface points at some vertices."""
    face = surface.vertex_face[vertices]
    return face, (surface.F[face] == np.asarray(vertices)[:, None]).astype(float)


def bumpy(n=41, size=100.0):
    """A square sheet with hills, without symmetry: (n², 3) vertices and its faces."""
    x, y = np.meshgrid(np.linspace(0, size, n), np.linspace(0, size, n), indexing="ij")
    z = 12 * np.sin(x / 9 + 0.3) * np.cos(y / 13) + 6 * np.sin((x + 2 * y) / 17)
    i = np.arange(n * n).reshape(n, n)
    a, b, c, d = (q.ravel() for q in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
    faces = np.vstack([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    return np.column_stack([x.ravel(), y.ravel(), z.ravel()]), faces


def holds_together(surface, path):
    """Every segment's face holds both its ends."""
    for i, f in enumerate(path.segment_face):
        for j in (i, i + 1):
            used = surface.F[path.face[j]][path.bary[j] > 0]
            assert set(used) <= set(surface.F[f])


def test_paths_on_a_cone_are_straight_in_its_development():
    # A frustum unrolls to a sector of slant radii 156 to 260 (plane geometry): the distance of two
    # places is the chord between them, as long as that does not pass inside the lesser radius.
    V, F = frustum(60.0, 100.0, 96.0)
    surface = surface_of(V, F)
    slant = np.hypot(96.0, 40.0)
    r = slant * np.hypot(V[:, 0], V[:, 2]) / 40.0
    angle = np.arctan2(V[:, 0], V[:, 2]) * 40.0 / slant
    flat = np.column_stack([r * np.sin(angle), r * np.cos(angle)])
    rng = np.random.default_rng(7)
    pairs = rng.choice(np.flatnonzero(~surface.on_border), (80, 2))
    a, b = flat[pairs[:, 0]], flat[pairs[:, 1]]
    t = np.linspace(0, 1, 101)[:, None, None]
    inside = np.linalg.norm(a + t * (b - a), axis=2).min(axis=0) > 165.0
    assert inside.sum() > 40
    pairs = pairs[inside]
    path = trace(surface, *at_vertices(surface, pairs.ravel()), np.arange(0, pairs.size, 2))
    chord = np.linalg.norm(b - a, axis=1)[inside]
    # The mesh is inscribed in the cone, so it is a little shorter round.
    np.testing.assert_allclose(path.length[::2], chord, rtol=1e-3)
    assert np.all(path.length[::2] <= chord + 1e-9)


def test_paths_on_a_sphere_are_great_circles():
    # Spherical law of cosines; the inscribed mesh is a little shorter.
    V, F = spherical_cap(100.0, np.radians(80.0), rings=60)
    surface = surface_of(V, F)
    centre = np.array([0.0, V[:, 1].max() - 100.0, 0.0])
    rng = np.random.default_rng(3)
    inner = np.flatnonzero(V[:, 1] - centre[1] > 60.0)
    pairs = rng.choice(inner, (40, 2))
    path = trace(surface, *at_vertices(surface, pairs.ravel()), begins=np.arange(0, 80, 2))
    holds = path.segment_face >= 0
    assert holds.sum() == len(holds) - 39
    u = (V[pairs] - centre) / 100.0
    arc = 100.0 * np.arccos(np.clip(np.einsum("ij,ij->i", u[:, 0], u[:, 1]), -1, 1))
    np.testing.assert_allclose(path.length[::2], arc, rtol=3e-3, atol=1e-6)
    # And the way itself keeps to the plane through the centre.
    for k in range(0, 80, 2):
        p = positions(V, surface.F, path.face, path.bary)[path.at[k] : path.at[k + 1] + 1]
        normal = np.cross(*u[k // 2])
        if np.linalg.norm(normal) > 0.3:
            assert np.abs((p - centre) @ (normal / np.linalg.norm(normal))).max() < 0.6


def test_lengths_agree_with_exact_and_edge_flip_solvers():
    V, F = bumpy()
    surface = surface_of(V, F)
    rng = np.random.default_rng(11)
    ends = rng.integers(0, len(V), (12, 2))
    path = trace(surface, *at_vertices(surface, ends.ravel()), begins=np.arange(0, 24, 2))
    flips = potpourri3d.EdgeFlipGeodesicSolver(V, F)
    none = np.array([], dtype=np.int64)
    for (a, b), length in zip(ends, path.length[::2], strict=True):
        way = flips.find_geodesic_path(int(a), int(b))
        flipped = np.linalg.norm(np.diff(way, axis=0), axis=1).sum()
        exact = igl.exact_geodesic(V, F, np.array([a]), none, np.array([b]), none)[0]
        # A path is a geodesic of one homotopy class: never shorter than the shortest.
        assert length >= exact - 1e-6
        assert length <= min(flipped * 1.02, exact * 1.05) + 1e-9


def test_paths_between_inner_points_hold_together_and_are_locally_shortest():
    V, F = bumpy()
    surface = surface_of(V, F)
    rng = np.random.default_rng(5)
    face = rng.integers(0, len(F), 40)
    bary = rng.dirichlet([1, 1, 1], 40)
    path = trace(surface, face, bary)
    holds_together(surface, path)
    places = positions(V, surface.F, path.face, path.bary)
    total = np.linalg.norm(np.diff(places, axis=0), axis=1).sum()
    # Bends at the rim keep off it by a share of an edge, so the drawn way may be a little longer.
    assert path.length.sum() == pytest.approx(total, rel=2e-3)
    chord = np.linalg.norm(np.diff(positions(V, surface.F, face, bary), axis=0), axis=1)
    assert np.all(path.length >= chord - 1e-9)


def test_equal_places_and_neighbours_need_no_crossing():
    V, F = bumpy(5)
    surface = surface_of(V, F)
    b = np.array([[0.2, 0.3, 0.5], [0.2, 0.3, 0.5], [0.6, 0.2, 0.2]])
    path = trace(surface, np.array([3, 3, 3]), b)
    assert path.length[0] == 0.0
    assert len(path.face) == 3
    np.testing.assert_array_equal(path.segment_face, [3, 3])


@pytest.mark.parametrize(
    ("face", "bary"),
    [
        ([99999], [[1, 0, 0]]),
        ([-1], [[1, 0, 0]]),
        ([0], [[0.5, 0.6, 0.2]]),
        ([0], [[1, np.nan, 0]]),
    ],
)
def test_places_off_the_mesh_are_refused(face, bary):
    V, F = bumpy(5)
    with pytest.raises(ValueError, match=r"face index|weights"):
        trace(surface_of(V, F), np.array(face), np.array(bary, dtype=float))


def test_a_straight_walk_on_a_cylinder_is_a_helix():
    # The development of a prism over a polygon is a plane: direction and length are kept in it.
    V, F = frustum(50.0, 50.0, 120.0)
    surface = surface_of(V, F)
    mid = positions(V, surface.F, np.arange(len(F)), np.full((len(F), 3), 1 / 3))
    f = int(np.argmin(np.abs(mid[:, 1] - 30.0) + np.abs(mid[:, 0] + 50.0)))
    a, b, c = V[F[f]]
    normal = np.cross(b - a, c - a)
    side = np.cross(normal, [0.0, 1.0, 0.0])
    side /= np.linalg.norm(side)
    slope = np.radians(35.0)
    face, bary, left = walk(
        surface,
        f,
        np.full(3, 1 / 3),
        np.sin(slope) * np.array([0, 1.0, 0]) + np.cos(slope) * side,
        60.0,
    )
    way = positions(V, surface.F, face, bary)
    assert left == 0.0
    assert np.linalg.norm(np.diff(way, axis=0), axis=1).sum() == pytest.approx(60.0, rel=1e-9)
    assert way[-1, 1] - way[0, 1] == pytest.approx(60.0 * np.sin(slope), rel=1e-9)


def test_a_walk_stops_at_the_rim():
    V, F = bumpy(11, 20.0)
    surface = surface_of(V, F)
    face, bary, left = walk(surface, 0, np.full(3, 1 / 3), np.array([1.0, 0.3, 0.0]), 500.0)
    assert left > 400.0
    last = surface.F[face[-1]][bary[-1] > 0]
    assert surface.on_border[last].all()
