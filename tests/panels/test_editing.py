"""The kernels under the cut: edits that keep a manifold, refinement, nearest points."""

import igl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flatten.geometry.editmesh import (
    can_collapse,
    collapse_edge,
    edit_mesh,
    faces_around,
    flip_edge,
    link_faces,
    split_edge,
    split_face,
)
from flatten.geometry.nearest import ground, walk_to_nearest
from flatten.geometry.refine import SurfaceCurve, embed_curves
from flatten.geometry.triangles import face_areas, vertex_normals


def faces_left(mesh):
    F = mesh.F[: mesh.used[1]]
    return np.ascontiguousarray(F[F[:, 0] >= 0])


def assert_linked(mesh):
    """Neighbours, stars and labels agree with the faces."""
    m = int(mesh.used[1])
    alive = np.flatnonzero(mesh.F[:m, 0] >= 0)
    number = np.full(m, -1)
    number[alive] = np.arange(len(alive))
    A = mesh.A[alive]
    linked = link_faces(faces_left(mesh), len(mesh.V))
    assert np.array_equal(np.where(A >= 0, number[A], -1), linked)
    for f in alive:
        for i in range(3):
            v = mesh.F[f, i]
            assert v in mesh.F[mesh.star[v]]
            g = mesh.A[f, i]
            if g >= 0:
                j = list(mesh.F[g]).index(mesh.F[f, (i + 1) % 3])
                a, b = mesh.C[f, i], mesh.C[g, j]
                assert (a < 0) == (b < 0)
                assert a < 0 or a ^ 1 == b


def label_middle_row(mesh, shape, line):
    """Labels the grid edges along the middle row as a curve running in +u."""
    row = shape.rows // 2
    start = {int(shape.vertex(i, row)): int(shape.vertex(i + 1, row)) for i in range(shape.columns)}
    for f in range(mesh.used[1]):
        for i in range(3):
            a, b = int(mesh.F[f, i]), int(mesh.F[f, (i + 1) % 3])
            if start.get(a) == b:
                mesh.C[f, i] = 2 * line
            elif start.get(b) == a:
                mesh.C[f, i] = 2 * line + 1


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 10**6)), min_size=1, max_size=60))
def test_any_run_of_edits_keeps_a_linked_disk_and_its_labels(sheet, edits):
    shape = sheet(6, 6)
    V, F = shape.mesh()
    mesh = edit_mesh(V, F, room=200)
    label_middle_row(mesh, shape, 3)
    rings = np.empty((2, 256), dtype=np.int64)
    for kind, pick in edits:
        f = pick % int(mesh.used[1])
        i = pick // 7 % 3
        if mesh.F[f, 0] < 0:
            continue
        v = int(mesh.used[0])
        if kind == 0:
            mesh.V[v] = mesh.V[mesh.F[f]].mean(axis=0)
            mesh.used[0] += 1
            split_face(mesh, f, v)
        elif kind == 1:
            mesh.V[v] = mesh.V[mesh.F[f, [i, (i + 1) % 3]]].mean(axis=0)
            mesh.used[0] += 1
            split_edge(mesh, f, i, v)
        elif kind == 2:
            g = mesh.A[f, i]
            if g >= 0 and mesh.C[f, i] < 0:
                c = mesh.F[f, (i + 2) % 3]
                d = next(x for x in mesh.F[g] if x not in mesh.F[f])
                count, _ = faces_around(mesh, c, rings[0])
                if all(d not in mesh.F[x] for x in rings[0][:count]):
                    flip_edge(mesh, f, i)
        else:
            gone = mesh.F[f, i if pick % 2 else (i + 1) % 3]
            if can_collapse(mesh, f, i, rings[0], rings[1]):
                collapse_edge(mesh, f, i, gone, rings[0])
    assert_linked(mesh)
    left = faces_left(mesh)
    _, left = np.unique(left, return_inverse=True)
    left = left.reshape(-1, 3).astype(np.int64)
    assert igl.is_edge_manifold(left)
    assert igl.euler_characteristic(left) == 1


def test_a_collapse_that_would_pinch_the_sheet_is_refused(sheet):
    """An inner edge between two border vertices: its ends share the outside (link condition)."""
    V, F = sheet(1, 2).mesh()
    mesh = edit_mesh(V, F, room=4)
    rings = np.empty((2, 64), dtype=np.int64)
    f, i = next(
        (f, i)
        for f in range(len(F))
        for i in range(3)
        if mesh.A[f, i] >= 0 and {int(F[f, i]), int(F[f, (i + 1) % 3])} == {2, 3}
    )
    assert not can_collapse(mesh, f, i, rings[0], rings[1])


def random_chords(rng, m, count):
    """Segments inside random faces, from edge to edge or from an inner point."""
    curves = []
    for face in rng.choice(m, count, replace=False):
        bary = rng.dirichlet(np.ones(3), 2)
        off = rng.permutation(3)[:2]
        bary[[0, 1], off] = 0.0
        bary = bary / bary.sum(axis=1, keepdims=True)
        curves.append(SurfaceCurve(
            face=np.full(2, face, np.int32), bary=bary, segment_face=np.full(1, face, np.int32),
            closed=False,
        ))  # fmt: skip
    return curves


@pytest.mark.parametrize("seed", range(6))
def test_refining_along_curves_moves_nothing(tube, seed):
    rng = np.random.default_rng(seed)
    V, F = tube(16, 8).mesh()
    curves = random_chords(rng, len(F), 60) + random_chords(rng, len(F), 60)
    mesh, ids = embed_curves(V, F, curves, list(range(len(curves))))
    assert_linked(mesh)
    left = faces_left(mesh)
    assert face_areas(mesh.V, left).sum() == pytest.approx(face_areas(V, F).sum(), rel=1e-12)
    assert face_areas(mesh.V, left).min() > 0
    # Every part of a face lies in that face's plane.
    m = int(mesh.used[1])
    home = mesh.origin[:m][mesh.F[:m, 0] >= 0]
    normal = np.cross(V[F[home, 1]] - V[F[home, 0]], V[F[home, 2]] - V[F[home, 0]])
    height = np.einsum("ijk,ik->ij", mesh.V[left] - V[F[home, 0]][:, None], normal)
    assert np.abs(height).max() < 1e-9
    # Each chord is edges from end to end.
    labels = mesh.C[:m]
    f, i = np.nonzero((labels >= 0) & (labels % 2 == 0))
    step = np.linalg.norm(mesh.V[mesh.F[f, i]] - mesh.V[mesh.F[f, (i + 1) % 3]], axis=1)
    length = np.bincount(labels[f, i] // 2, step, minlength=len(curves))
    drawn = [np.linalg.norm(mesh.V[v[0]] - mesh.V[v[1]]) for v in ids]
    assert np.allclose(length, drawn, atol=1e-9)


def test_a_curve_that_leaves_its_face_is_refused(tube):
    V, F = tube(16, 8).mesh()
    far = SurfaceCurve(
        face=np.array([0, 100], np.int32), bary=np.full((2, 3), 1 / 3),
        segment_face=np.array([0], np.int32), closed=False,
    )  # fmt: skip
    with pytest.raises(ValueError, match="leaves face 0"):
        embed_curves(V, F, [far], [0])


def test_nearest_points_as_libigl_finds_them(tube):
    V, F = tube(32, 20).mesh()
    under = ground(V, F.astype(np.int64), vertex_normals(V, F))
    rng = np.random.default_rng(5)
    start = rng.integers(0, len(F), 200)
    P = V[F[start]].mean(axis=1) + rng.normal(0, 2.0, (200, 3))
    d2, _, _ = igl.point_mesh_squared_distance(P, V, F.astype(np.int64))
    for p, f, want in zip(P, start, np.sqrt(d2), strict=True):
        g, w = walk_to_nearest(under, tuple(p), int(f))
        assert sum(w) == pytest.approx(1.0)
        assert np.linalg.norm(np.array(w) @ V[F[g]] - p) == pytest.approx(want, abs=1e-9)
