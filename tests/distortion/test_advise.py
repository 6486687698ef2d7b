"""Advice speaks of the right place, the right edge and the right amount."""

from dataclasses import replace

import numpy as np
import pytest

from flatten.distortion.advise import advise, total_angle_defect
from flatten.distortion.measure import measure_strain
from flatten.distortion.places import APART_MM, deciding, edge_gains, worst_places
from flatten.distortion.seams import report_seams
from flatten.geometry.primitives import cylinder, grid_faces, saddle, spherical_cap
from flatten.geometry.topology import border_loops
from flatten.geometry.triangles import vertex_normals
from flatten.records.cast import Cast
from flatten.records.flat import Flat, FlatSet
from flatten.records.material import Limit, Material, same
from flatten.records.panels import BorderRun, Panel, PanelSet, Seam, SeamSide

FOAM = Material(
    name="foam", family="foam", thickness_mm=0.0, stretch_pct=same(5.0), squeeze_pct=same(5.0)
)


def whole_rim(V, F, name="rim") -> Panel:
    loop = border_loops(F)[0]
    run = BorderRun(vertices=np.append(loop, loop[0]), seam=-1, side=0, name=name)
    return Panel(
        name="piece", V=V, F=F, N=vertex_normals(V, F), cast_vertex=np.arange(len(V)), border=(run,)
    )


def flat_set(panels, flats, seams=()) -> FlatSet:
    V = np.concatenate([p.V for p in panels])
    N = np.concatenate([p.N for p in panels])
    cast = Cast(
        name="made", V=panels[0].V, F=panels[0].F, N=panels[0].N, rims=(), to_cast=np.eye(4)
    )
    made = PanelSet(cast=cast, cut_V=V, cut_N=N, panels=tuple(panels), seams=tuple(seams))
    return FlatSet(ply="base", material=FOAM, panel_set=made, flats=tuple(flats))


@pytest.mark.parametrize("degrees", [30, 60, 90])
def test_a_caps_angle_defect_is_the_areas_share_of_the_sphere(degrees):
    # Gauss-Bonnet: 360 (1 - cos c); inner vertices miss half a ring of it.
    c = np.radians(degrees)
    V, F = spherical_cap(100.0, c, rings=60)
    expected = 360 * (1 - np.cos(c * (1 - 0.5 / 60)))
    assert total_angle_defect(whole_rim(V, F)) == pytest.approx(expected, rel=2e-3)


def test_a_cylinder_has_no_angle_defect_and_a_saddle_a_negative_one():
    assert total_angle_defect(whole_rim(*cylinder(50.0, 80.0, arc=2.0))) == pytest.approx(
        0, abs=1e-6
    )
    assert total_angle_defect(whole_rim(*saddle(50.0, 80.0))) < -10.0


def azimuthal(V, c_scale):
    """The cap about +y mapped along its meridians at true length times `c_scale`."""
    c = np.arccos(np.clip(V[:, 1] / 100.0, -1, 1))
    angle = np.arctan2(V[:, 0], V[:, 2])
    return c_scale * 100.0 * c[:, None] * np.column_stack([np.sin(angle), -np.cos(angle)])


def test_the_edge_of_an_equidistant_cap_is_eased_in_by_what_it_is_too_long():
    # Azimuthal equidistant map (Snyder, USGS PP 1395, ch. 25): rim 2 pi R c flat, 2 pi R sin c round.
    c = np.radians(40)
    V, F = spherical_cap(100.0, c, rings=40)
    panel, flat = whole_rim(V, F), Flat(U=azimuthal(V, 1.0))
    expected = 2 * np.pi * 100.0 * (np.sin(c) - c)
    assert edge_gains(panel, flat)[0] == pytest.approx(expected, rel=1e-3)
    strain = measure_strain(panel, flat, FOAM)
    (said,) = advise(flat_set([panel], [flat]), (strain,), [deciding(panel, flat, strain, FOAM)])
    assert f"ease in the edge 'rim' {abs(expected):.0f} mm" in said[-1]
    assert "squeeze" in said[0]  # what is over the limit comes first
    assert "foam gives 5 %" in said[0]
    assert any("domed" in s and "dart" in s for s in said)


def test_a_flat_within_limits_gets_no_mending_advice():
    V, F = cylinder(50.0, 80.0, arc=1.0)
    angle = np.arctan2(V[:, 0], V[:, 2])
    panel, flat = whole_rim(V, F), Flat(U=np.column_stack([50.0 * angle, V[:, 1]]))
    strain = measure_strain(panel, flat, FOAM)
    found = deciding(panel, flat, strain, FOAM)
    assert advise(flat_set([panel], [flat]), (strain,), [found]) == ((),)


def test_worst_places_lie_apart_and_worst_first():
    V, F = spherical_cap(100.0, np.radians(60), rings=30)
    panel, flat = whole_rim(V, F), Flat(U=azimuthal(V, 0.9))
    places = worst_places(panel, flat, measure_strain(panel, flat, FOAM))
    for sign in (1, -1):
        mine = [p for p in places if p.pct * sign > 0]
        assert mine
        sizes = [abs(p.pct) for p in mine]
        assert sizes == sorted(sizes, reverse=True)
        at = np.array([p.at for p in mine])
        gaps = np.linalg.norm(at[:, None] - at[None], axis=2) + 1e9 * np.eye(len(at))
        assert gaps.min() > APART_MM


def two_squares(widen: float, ease=None, ease_side=0) -> FlatSet:
    """Two flat 60 mm squares with one seam; the second's flat is `widen` mm longer along it."""
    k = 13
    x, y = np.meshgrid(np.linspace(0, 60, k), np.linspace(0, 60, k))
    V = np.column_stack([x.ravel(), y.ravel(), np.zeros(k * k)])
    F = grid_faces(k, k)
    right, left = np.arange(k) * k + k - 1, np.arange(k) * k
    seam = Seam(
        line="side", name="side", kind="seam", joint="butt", fixing="glue",
        sides=(SeamSide(panel=0, vertices=right), SeamSide(panel=1, vertices=left)),
        ease=ease, ease_side=ease_side,
    )  # fmt: skip
    flats = [Flat(U=V[:, :2]), Flat(U=V[:, :2] * [1, 1 + widen / 60])]
    return flat_set([whole_rim(V, F), whole_rim(V + [60, 0, 0], F)], flats, [seam])


def test_the_mismatch_is_side_0_minus_side_1():
    (row,) = report_seams(two_squares(3.0), {(0, 0): 7, (0, 1): 7})
    assert row.mismatch_mm == pytest.approx(-3.0)
    assert row.worst_cumulative_mm == pytest.approx(3.0)
    assert row.surface_mm == pytest.approx((60.0, 60.0))
    assert row.holes == (7, 7)


def test_wanted_ease_is_no_mismatch():
    ease = np.linspace(0, 3, 13)
    (row,) = report_seams(two_squares(3.0, ease, ease_side=1), {})
    assert row.mismatch_mm == pytest.approx(0.0, abs=1e-9)
    assert row.worst_cumulative_mm == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("shear", "word", "limit"), [(0.0, "along the warp", 2.0), (0.08, "on the bias", 5.0)]
)
def test_what_decides_in_woven_cloth_is_the_direction_with_the_least_room(shear, word, limit):
    # Closed form: a square drawn out by 3 % along the warp; or strained by the symmetric matrix
    # [[1, s], [s, 1]], which draws one diagonal out by s and leaves the threads' lengths but for s²/2.
    woven = replace(
        FOAM, family="cloth", stretch_pct=Limit(warp=2.0, weft=2.0, bias=5.0), squeeze_pct=same(50)
    )
    x, y = np.meshgrid(np.linspace(0, 60, 13), np.linspace(0, 60, 13))
    flat = np.column_stack([x.ravel(), y.ravel()])
    body = flat @ np.array([[1.0, shear], [shear, 1.0]]) if shear else flat * [1.0, 1.03]
    panel = whole_rim(np.column_stack([body, np.zeros(len(body))]), grid_faces(13, 13))
    laid = Flat(U=flat, grain_deg=90.0)
    strain = measure_strain(panel, laid, woven)
    found = deciding(panel, laid, strain, woven)
    assert (found.kind, found.direction) == ("stretch", word)
    assert found.pct == pytest.approx(100 * shear if shear else 3.0, rel=0.01)
    assert found.limit_pct == pytest.approx(limit, rel=0.01)
    assert found.pct / found.limit_pct == pytest.approx(strain.load_peak)
