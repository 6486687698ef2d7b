"""The mock-up: wide seams, and fitting lines at the heights they name."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import Delaunay
from shapely.geometry import LineString, Polygon

from flatten.geometry.freespace import text_box
from flatten.records.cast import Symmetry
from flatten.records.drawing import Polyline, Text
from flatten.records.making import Making
from flatten.records.material import JointChoice
from flatten.template.build import build_templates
from flatten.template.mockup import fitting_levels, level_lines
from flatten.template.spec import TemplateSpec

SPEC = TemplateSpec(title="Tide warden", mock_up=True)


def hourglass(forms):
    """A closed body of revolution, r = 100 + 30 cos(2 pi y / 200): narrowest at 100, fullest at 200."""
    turn = np.linspace(0, 2 * np.pi, 90)[:-1]
    height = np.linspace(40.0, 260.0, 111)
    radius = 100.0 + 30.0 * np.cos(2 * np.pi * height / 200.0)
    V = np.stack(
        [
            np.outer(radius, np.sin(turn)),
            np.outer(height, np.ones_like(turn)),
            np.outer(radius, np.cos(turn)),
        ],
        axis=2,
    ).reshape(-1, 3)
    n = len(turn)
    i = np.arange(len(height) - 1)[:, None] * n
    j, k = np.arange(n)[None, :], (np.arange(n) + 1)[None, :] % n
    F = np.concatenate(
        [
            np.stack([i + j, i + k, i + n + k], axis=2),
            np.stack([i + j, i + n + k, i + n + j], axis=2),
        ]
    ).reshape(-1, 3)
    flat_set = forms.join([forms.rectangle(10, 10)], [])
    cast = flat_set.panel_set.cast
    return replace(cast, V=V, F=F, N=np.tile([0.0, 0.0, 1.0], (len(V), 1)), rims=())


def test_the_narrowest_and_the_fullest_level_are_found(forms):
    levels = dict(fitting_levels(hourglass(forms)))
    # One sample of 48 over 220 mm is 4.5 mm.
    assert levels["narrowest level"] == pytest.approx(100.0, abs=4.6)
    assert levels["fullest level"] == pytest.approx(200.0, abs=4.6)


def test_a_level_line_lies_where_its_height_is():
    rng = np.random.default_rng(5)
    U = rng.uniform(0, 100, (400, 2))
    F = Delaunay(U).simplices
    (line,) = level_lines(0.6 * U[:, 0] + 0.8 * U[:, 1] - 62.0, F, U)
    assert 0.6 * line[:, 0] + 0.8 * line[:, 1] == pytest.approx(np.full(len(line), 62.0))
    assert LineString(line).is_simple
    assert LineString(line).length > 80.0


@pytest.mark.parametrize(("family", "joint"), [("cloth", "seam"), ("foam", "lap"), ("card", "lap")])
def test_seams_are_wide_whatever_the_joints_of_the_garment(forms, family, joint):
    front = forms.rectangle(180, 240, name="front")
    back = forms.rectangle(120, 240, name="back")
    seam = {"a": (0, 1), "b": (1, 3), "name": "side", "joint": "butt", "fixing": "glue"}
    flat_set = forms.join([front, back], [seam], forms.material(family))
    making = Making(mock_up=True)
    for template in build_templates(flat_set, forms.ply(making=making), SPEC).templates:
        edge = next(e for e in template.net if e.seam == 0)
        assert edge.joint == joint
        widths = {e.allowance_mm for e in template.net if e.seam != 0}
        assert widths == {25.0}
        assert edge.allowance_mm == 25.0 or (joint == "lap" and not edge.under)
    kept = forms.ply(making=making, joints={"side": JointChoice(joint="gap", fixing="closure")})
    edges = [e for t in build_templates(flat_set, kept, SPEC).templates for e in t.net]
    assert {e.joint for e in edges if e.seam == 0} == {"gap"}


@pytest.mark.parametrize("face", ["face", "back"])
def test_centre_front_is_drawn_and_named_on_the_piece_it_crosses(forms, face):
    panel = forms.rectangle(
        180, 240, name="front", lift=lambda U: np.column_stack([U, 0 * U[:, 0]])
    )
    flat_set = forms.join([panel], [])
    plane = Symmetry(point=np.array([70.0, 0, 0]), normal=np.array([1.0, 0, 0]), rms_mm=0.0)
    panel_set = flat_set.panel_set
    flat_set = replace(
        flat_set,
        panel_set=replace(panel_set, cast=replace(panel_set.cast, symmetry=plane)),
    )
    ply = forms.ply(making=Making(mock_up=True), face=face)
    (template,) = build_templates(flat_set, ply, SPEC).templates
    (line,) = [k for k in template.ink if isinstance(k, Polyline) and k.layer == "DETAIL"]
    x = 70.0 if face == "face" else -70.0
    assert line.points[:, 0] == pytest.approx(np.full(len(line.points), x))
    assert LineString(line.points).length == pytest.approx(240.0)
    (words,) = [k for k in template.ink if isinstance(k, Text) and k.text == "centre front"]
    assert abs(words.at[0] - x) < 12.0
    assert Polygon(template.cut).area == pytest.approx(230.0 * 290.0)


def test_marks_can_be_kept_to_the_back_or_to_the_allowance(forms):
    front = forms.rectangle(180, 240, name="front")
    back = forms.rectangle(120, 240, name="back")
    seam = {"a": (0, 1), "b": (1, 3), "name": "side", "joint": "gap", "fixing": "closure"}
    flat_set = forms.join([front, back], [seam], forms.material("card", gap=12.0, rim=12.0))
    backs = build_templates(flat_set, forms.ply(), TemplateSpec(marks="back")).templates
    assert {t.face for t in backs} == {"back"}
    for face in ("face", "back"):
        made = build_templates(flat_set, forms.ply(face=face), TemplateSpec(marks="allowance"))
        for template in made.templates:
            net = Polygon(np.concatenate([e.points[:-1] for e in template.net]))
            cut = Polygon(template.cut)
            words = [k for k in template.ink if isinstance(k, Text)]
            assert any(template.panel in k.text for k in words)
            boxes = [text_box(k) for k in words]
            assert all(cut.covers(b) and b.intersection(net).area < 1e-6 for b in boxes)
            ticks = [LineString(k.points) for k in template.ink if k.layer == "NOTCH"]
            assert ticks
            assert all(net.distance(t.centroid) > 1.0 and cut.covers(t.centroid) for t in ticks)
            assert not [k for k in template.ink if k.layer == "GRAIN"]
    narrow = forms.join([forms.rectangle(180, 240)], [], forms.material("card", rim=1.0))
    (template,) = build_templates(narrow, forms.ply(), TemplateSpec(marks="allowance")).templates
    assert any("no allowance is wide enough" in note for note in template.notes)
