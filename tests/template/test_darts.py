"""Darts by material, measured on the cut line."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon

from flatten.geometry.freespace import text_box
from flatten.records.drawing import Circle, Polyline, Text
from flatten.template.build import build_templates
from flatten.template.spec import TemplateSpec

SPEC = TemplateSpec()
POINT = np.array([100.0, 100.0])


def with_dart(forms, family: str, half_intake: float = 15.0, **allowance):
    """A panel 200 x 150 with a dart 100 deep in the middle of its lower edge."""
    corners = np.array(
        [[0, 0], [100 - half_intake, 0], POINT, [100 + half_intake, 0], [200, 0], [200, 150],
         [0, 150]],
        dtype=float,
    )  # fmt: skip
    panel = forms.flat_panel(*forms.divided(corners, 5.0))
    dart = {"a": (0, 1), "b": (0, 2), "name": "bust dart", "kind": "dart", "dart": True,
            "joint": "butt", "fixing": "glue"}  # fmt: skip
    return forms.join([panel], [dart], forms.material(family, t=2.0, **allowance))


def texts(template) -> str:
    return "\n".join(k.text for k in template.ink if isinstance(k, Text))


@pytest.mark.parametrize(("angle", "intake"), [(10, 17.43), (15, 26.11), (20, 34.73)])
def test_foam_wedges_take_out_what_trigonometry_says(forms, angle, intake):
    # Intake at 100 mm along the leg: 2 · 100 · sin(a / 2).
    half = 100 * np.tan(np.radians(angle / 2))
    (template,) = build_templates(with_dart(forms, "foam", half), forms.ply(), SPEC).templates
    cut = Polygon(template.cut)
    away = 100 * np.cos(np.radians(angle / 2))
    across = LineString([(50, 100 - away), (150, 100 - away)]).difference(cut)
    assert across.length == pytest.approx(intake, abs=0.01)
    assert Point(POINT).distance(cut.exterior) < 1e-6
    assert cut.area == pytest.approx(200 * 150 - 100 * half)


def test_leather_butts_and_has_a_relief_hole_at_the_point(forms):
    (template,) = build_templates(with_dart(forms, "leather"), forms.ply(), SPEC).templates
    (hole,) = [k for k in template.ink if isinstance(k, Circle)]
    assert hole.layer == "HOLE"
    assert hole.centre == pytest.approx(tuple(POINT))
    assert 2.0 <= 2 * hole.radius <= 3.0  # common practice: 2-3 mm
    assert Polygon(template.cut).area == pytest.approx(200 * 150 - 100 * 15)


def test_a_dart_without_intake_is_still_slit(forms):
    flat_set = with_dart(forms, "leather", 1e-4)
    (template,) = build_templates(flat_set, forms.ply(), SPEC).templates
    cut = Polygon(template.cut)
    assert cut.is_valid
    assert not cut.covers(Point(100, 50))
    assert cut.covers(Point(100, 110))


def test_cloth_is_folded_not_cut(forms):
    (template,) = build_templates(with_dart(forms, "cloth", rim=0.0), forms.ply(), SPEC).templates
    cut = Polygon(template.cut)
    assert cut.covers(Polygon([(85, 0), (100, 100), (115, 0)]))
    (drill,) = [k for k in template.ink if isinstance(k, Circle)]
    # Common practice: the dart ends 10-25 mm short of the apex.
    assert 10.0 <= 100.0 - drill.centre[1] <= 25.0
    assert drill.centre[0] == pytest.approx(100.0)
    sewing = [k.points for k in template.ink if isinstance(k, Polyline) and k.layer == "DETAIL"]
    for foot in ([85.0, 0.0], [115.0, 0.0]):
        line = next(p for p in sewing if np.allclose(p[0], foot))
        assert line[1] == pytest.approx(np.array(drill.centre))
    assert "press toward the middle" in texts(template)


def test_the_mouth_of_a_folded_dart_ends_level_with_its_edge(forms):
    """Folded in numbers: leg on leg, the intake laid over the second side.

    The triangle between the second leg and the middle line, turned over about that leg, must end
    on the lower edge; the other one, turned over about the middle line first, on the same line.
    """
    (template,) = build_templates(with_dart(forms, "cloth", rim=0.0), forms.ply(), SPEC).templates
    tip = min((p for p in template.cut), key=lambda p: p[1])
    assert tip[0] == pytest.approx(100.0)
    assert tip[1] < 0.0
    leg = np.array([115.0, 0.0]) - POINT
    leg /= np.linalg.norm(leg)
    folded = POINT + 2 * ((tip - POINT) @ leg) * leg - (tip - POINT)
    assert folded[1] == pytest.approx(0.0, abs=1e-9)
    other_mouth = np.array([200.0 - 85.0, 0.0])  # the first leg's foot turned over the middle line
    assert other_mouth == pytest.approx([115.0, 0.0])


def test_legs_that_cross_call_for_a_gusset(forms):
    flat_set = with_dart(forms, "leather", 0.5)
    flat = flat_set.flats[0]
    U = flat.U.copy()
    run_in, run_out = (r.vertices for r in flat_set.panel_set.panels[0].border[1:3])
    depth = (100.0 - U[run_in, 1]) / 100.0
    U[run_in, 0] += 4.0 * depth
    U[run_out, 0] -= 4.0 * depth[::-1]
    crossed = forms.with_flats(flat_set, [U])
    (template,) = build_templates(crossed, forms.ply(), SPEC).templates
    assert Polygon(template.cut).is_valid
    assert any("gusset" in note for note in template.notes)


@settings(max_examples=40, deadline=None)
@given(
    family=st.sampled_from(["foam", "leather", "cloth", "card"]),
    point=st.tuples(st.floats(60, 140), st.floats(15, 120)),
    left=st.floats(20, 120),
    angle=st.floats(0.01, 50),
    rim=st.sampled_from([0.0, 6.0, 25.0]),
)
def test_any_dart_gives_a_piece_that_can_be_cut(forms, family, point, left, angle, rim):
    # Upright or leaning, long or short; both legs of one length, as two sides of one line are.
    turn = np.radians(angle)
    apex = np.array(point)
    spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    mouth = apex + (np.array([left, 0.0]) - apex) @ spin
    corners = np.array([[0, 0], [left, 0], apex, mouth, [240, mouth[1]], [240, 150], [0, 150]])
    if not Polygon(corners).is_valid:
        return
    panel = forms.flat_panel(*even_dart(forms, corners))
    dart = {"a": (0, 1), "b": (0, 2), "name": "dart", "kind": "dart", "dart": True,
            "joint": "butt", "fixing": "stitch"}  # fmt: skip
    flat_set = forms.join([panel], [dart], forms.material(family, t=2.0, rim=rim))
    (template,) = build_templates(flat_set, forms.ply(), SPEC).templates
    cut = Polygon(template.cut)
    assert cut.is_valid
    net = Polygon(np.concatenate([e.points[:-1] for e in template.net]))
    # All of the net but the width of a knife is there; the wedge is, only where it is folded.
    assert net.buffer(-0.2).difference(cut).area < 1e-6
    wedge = Polygon([corners[1], apex, mouth]).buffer(-0.2)
    if family == "cloth":
        near = Point(apex).buffer(0.3 * float(np.linalg.norm(mouth - apex)))
        assert wedge.intersection(near).difference(cut).area < 1e-6
    else:
        assert cut.disjoint(wedge)
    for k in template.ink:
        if isinstance(k, Text):
            assert cut.covers(text_box(k))


def even_dart(forms, corners):
    """Divided so that both legs have the same number of points."""
    edges = [(corners[i], corners[(i + 1) % len(corners)]) for i in range(len(corners))]
    counts = [max(1, round(float(np.linalg.norm(b - a)) / 5.0)) for a, b in edges]
    counts[2] = counts[1]
    rows = [
        a + (b - a) * np.arange(n)[:, None] / n for (a, b), n in zip(edges, counts, strict=True)
    ]
    return np.vstack(rows), np.cumsum([0, *counts[:-1]]).tolist()
