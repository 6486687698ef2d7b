"""Offsets: exact on sphere and cylinder, equal on partner edges, held back in narrow hollows."""

import numpy as np
import pytest
import trimesh

from flatten.geometry.triangles import face_cross
from flatten.panels.cut import cut_panels
from flatten.panels.offset import offset_panels
from flatten.records.panels import Panel, PanelSet


def one_panel(V, F, N, cast):
    panel = Panel(
        name="body", V=V, F=F, N=N, cast_vertex=np.arange(len(V), dtype=np.int32), border=()
    )
    return PanelSet(cast=cast, cut_V=V, cut_N=N, panels=(panel,), seams=())


def test_a_cylinder_grows_by_the_offset_exactly(tube):
    shape = tube(48, 30).draw("back", [(24, 0), (24, 30)])
    cast = shape.cast()
    radial = cast.V * [1.0, 0.0, 1.0]
    radius = np.linalg.norm(radial, axis=1)[0]
    panel_set = one_panel(cast.V, cast.F, radial / radius, cast)
    moved = offset_panels(panel_set, 2.5)
    grown = np.linalg.norm(moved.panels[0].V[:, [0, 2]], axis=1)
    assert np.allclose(grown, radius + 2.5, atol=1e-12)
    assert np.array_equal(moved.panels[0].V[:, 1], cast.V[:, 1])
    # The girth grows by 2 pi t: 15.708 mm for 2.5 mm (parallel curve of a circle).
    assert 2 * np.pi * (grown.mean() - radius) == pytest.approx(15.708, abs=5e-4)
    assert moved.offset_mm == 2.5


def test_a_sphere_grows_by_the_offset_exactly(tube):
    mesh = trimesh.creation.icosphere(subdivisions=3, radius=100.0)
    V = np.array(mesh.vertices)
    N = V / np.linalg.norm(V, axis=1, keepdims=True)
    panel_set = one_panel(V, np.array(mesh.faces, dtype=np.int32), N, tube().cast())
    moved = offset_panels(panel_set, 2.5)
    assert np.allclose(np.linalg.norm(moved.panels[0].V, axis=1), 102.5, atol=1e-10)
    assert moved.notes == ()


def test_partner_edges_stay_one_curve_and_nothing_else_changes(tube):
    shape = tube(48, 30).draw("back", [(24.3, 0), (25.1, 30)]).draw("front", [(0.3, 0), (1, 30)])
    panel_set = cut_panels(shape.network())
    moved = offset_panels(panel_set, 4.0)
    for seam, before in zip(moved.seams, panel_set.seams, strict=True):
        assert seam is before
        a, b = (moved.panels[s.panel].V[s.vertices] for s in seam.sides)
        assert np.array_equal(a, b)
    for panel in moved.panels:
        assert np.array_equal(panel.V, moved.cut_V[panel.cast_vertex])
    assert offset_panels(panel_set, 0.0) is panel_set


def test_a_hollow_narrower_than_the_offset_does_not_fold_over(grid_shape):
    """A gutter of radius 6 mm between flats cannot take 10 mm: it is held back, and said."""

    def gutter(u, v):
        x, z = 1.5 * (np.asarray(u) - 30.0), np.zeros(np.shape(u))
        bowl = np.abs(x) < 6.0
        z = np.where(bowl, -np.sqrt(np.maximum(36.0 - x * x, 0.0)), z)
        return np.stack([x, 2.0 * np.asarray(v), z], -1)

    cast = grid_shape(60, 20, gutter, wrap=False).cast()
    V, F = cast.V, cast.F
    moved = offset_panels(one_panel(V, F, cast.N, cast), 10.0)
    W = moved.panels[0].V
    assert np.einsum("ij,ij->i", face_cross(V, F), face_cross(W, F)).min() > 0
    assert len(moved.notes) == 1
    assert "held back" in moved.notes[0]
    # Far from the gutter the whole offset is there.
    flat = np.abs(V[:, 0]) > 35.0
    assert np.allclose(W[flat, 2] - V[flat, 2], 10.0, atol=1e-9)
