"""Girths against closed forms: circle, ellipse, cone, and the offset rule 2 pi t."""

import numpy as np
import pytest
import wraps
from scipy.special import ellipe
from shapely import MultiPoint

from flatten.errors import BadInput
from flatten.geometry.section import plane_section, tape_length
from flatten.geometry.triangles import vertex_normals
from flatten.records.job import GirthSpec
from flatten.scan.girth import allowed_difference, level_girth, scale_by_girths


def tube(a, b, height=300.0, rows=41, columns=240, top=1.0):
    def profile(s, angle):
        r = 1 + (top - 1) * s
        parts = a * r * np.cos(angle), height * s, b * r * np.sin(angle)
        return np.stack(np.broadcast_arrays(*parts), -1)

    return wraps.tube(profile, rows, columns)


def test_an_ellipse_has_the_length_of_the_complete_elliptic_integral():
    V, F = tube(150.0, 100.0)
    exact = 4 * 150 * ellipe(1 - (100 / 150) ** 2)  # perimeter 4 a E(e), any table of integrals
    girth = level_girth(V, F, np.array([150.0, 143.0, 0.0]))
    assert girth.closed
    assert girth.mm == pytest.approx(exact, rel=2e-4)


def test_the_tape_lies_over_a_hollow_as_the_convex_hull_does():
    V, F = tube(120.0, 120.0)
    hollow = np.clip(1 - np.abs(V[:, 0]) / 60, 0, None) * (V[:, 2] > 0) * 40
    V = V - hollow[:, None] * [0, 0, 1]
    girth = level_girth(V, F, np.array([0.0, 150.0, 120.0]))
    hull = MultiPoint(girth.section[:, [0, 2]]).convex_hull.length  # shapely as a second opinion
    assert girth.mm == pytest.approx(hull, rel=1e-9)
    assert girth.mm < 2 * np.pi * 120


def test_a_slit_open_tube_measures_as_the_closed_one():
    V, F = tube(100.0, 100.0)
    cut = ~((V[F].mean(axis=1)[:, 2] > 0) & (np.abs(V[F].mean(axis=1)[:, 0]) < 6))
    whole = level_girth(V, F, np.array([0.0, 150.0, -100.0])).mm
    girth = level_girth(V, F[cut], np.array([0.0, 150.0, -100.0]))
    assert girth.closed
    assert girth.mm == pytest.approx(whole, rel=1e-3)


def test_a_level_through_the_arm_openings_is_moved_and_said():
    V, F = wraps.torso(100, 120)
    girth = level_girth(V, F, np.array([0.0, 352.0, 120.0]))
    assert girth.closed
    assert girth.moved_mm < 0
    assert "grazes an opening" in girth.notes[0]
    assert f"{-girth.moved_mm:.1f} mm lower" in girth.notes[0]


def test_the_loop_nearest_to_the_point_is_measured():
    V, F = tube(100.0, 100.0)
    W = np.vstack([V, V * [0.5, 1, 0.5] + [300, 0, 0]])
    G = np.vstack([F, F + len(V)])
    near = level_girth(W, G, np.array([350.0, 150, 0]))
    assert near.mm == pytest.approx(2 * np.pi * 50, rel=1e-3)


def test_a_point_off_the_cast_is_refused():
    V, F = tube(100.0, 100.0)
    with pytest.raises(BadInput, match="no surface at the level"):
        level_girth(V, F, np.array([0.0, 900.0, 0.0]))


def test_a_section_of_an_open_mesh_is_walked_round():
    V, F = tube(80.0, 80.0)
    chains = plane_section(V, F, np.array([0.0, 1, 0]), 77.0)
    assert [c.closed for c in chains] == [True]
    lean = np.array([0.0, 0.6, 0.8])
    assert not plane_section(V, F, lean, 200.0)[0].closed
    assert tape_length(np.zeros((2, 3)) + [[0, 0, 0], [3, 0, 4]], np.array([0, 1.0, 0])) == 10


@pytest.mark.parametrize("true", [0.5, 1.0, 2.54])
def test_the_scale_gives_the_girth_after_the_tape_is_off(true):
    V, F = tube(60.0, 60.0, columns=720)
    N = vertex_normals(V, F)
    # A tube of radius R under tape t: its girth is 2 pi (R - t) (girth change 2 pi t for offset t).
    t = 1.5
    asked = 2 * np.pi * (60.0 * true - t)
    done = scale_by_girths(V, F, N, [GirthSpec(at=(60.0, 150.0, 0.0), mm=asked)], t)
    assert done.scale == pytest.approx(true, rel=1e-4)
    assert done.girths[0].measured_mm == pytest.approx(asked, rel=1e-5)


def test_over_the_wrap_nothing_is_taken_off():
    V, F = tube(60.0, 60.0, columns=720)
    spec = GirthSpec(at=(60.0, 150.0, 0.0), mm=2 * np.pi * 63, over_wrap=True)
    done = scale_by_girths(V, F, vertex_normals(V, F), [spec], 1.5)
    assert done.scale == pytest.approx(1.05, rel=1e-4)


def test_several_girths_are_fitted_by_least_squares_and_a_misfit_is_told():
    V, F = tube(80.0, 80.0, top=1.25)
    N = vertex_normals(V, F)
    at = [(80.0, 30.0, 0.0), (80.0, 270.0, 0.0)]
    bare = np.array([level_girth(V, F, np.array(p)).mm for p in at])
    asked = np.array([bare[0] + 20, bare[1] - 20])
    specs = [GirthSpec(at=p, mm=m) for p, m in zip(at, asked, strict=True)]
    done = scale_by_girths(V, F, N, specs, 0.0)
    assert done.scale == pytest.approx(bare @ asked / (bare @ bare), rel=1e-6)
    assert sum("does not fit" in note for note in done.notes) == 2
    assert f"{asked[0]:.1f} mm" in done.notes[0]
    assert f"{done.girths[0].measured_mm:.1f} mm" in done.notes[0]


def test_girths_that_cannot_be_of_one_cast_are_refused():
    V, F = tube(80.0, 80.0, top=1.25)
    specs = [GirthSpec(at=(80.0, y, 0.0), mm=mm) for y, mm in ((30.0, 520.0), (270.0, 5200.0))]
    with pytest.raises(BadInput, match=r"girth of 520 mm: the girths do not agree"):
        scale_by_girths(V, F, vertex_normals(V, F), specs, 0.0)


def test_allowed_differences_are_those_of_iso_20685():
    assert allowed_difference(501.0) == 9.0  # ISO 20685: large girths 9 mm, small ones 4 mm
    assert allowed_difference(480.0) == 4.0
