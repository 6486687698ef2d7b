"""Turned, bound and piped rims, covers over a base, folded-back corners."""

import numpy as np
import pytest
import shapely
from shapely.affinity import affine_transform
from shapely.geometry import LineString, Point, Polygon

from flatten.records.drawing import Polyline, Text
from flatten.template.build import build_templates
from flatten.template.spec import TemplateSpec


def slanted(forms, lean: float):
    """A hem along the lower edge, seams at both sides that lean by `lean` over 100 mm up."""
    corners = np.array([[0, 0], [160, 0], [160 - lean, 100], [lean, 100]], dtype=float)
    one = forms.flat_panel(*forms.divided(corners, 5.0), name="one")
    other = forms.flat_panel(*forms.divided(corners, 5.0), name="other")
    return forms.join(
        [one, other],
        [{"a": (0, 1), "b": (1, 3), "joint": "seam"}, {"a": (0, 3), "b": (1, 1), "joint": "seam"}],
        forms.material("cloth", seam=10, rim=30),
    )


@pytest.mark.parametrize("lean", [-25.0, 0.0, 25.0, 40.0])
def test_a_hem_folded_back_lies_on_the_piece(forms, lean):
    template = build_templates(slanted(forms, lean), forms.ply(), TemplateSpec()).templates[0]
    cut = Polygon(template.cut)
    hem = cut.intersection(shapely.box(-500, -500, 500, 0))
    assert hem.bounds[1] == pytest.approx(-30.0)
    folded = affine_transform(hem, [1, 0, 0, -1, 0, 0])  # turned over the net line y = 0
    assert folded.difference(cut.buffer(1e-6)).area < 1e-3
    # And it reaches the sides: a hem that stops short of the seam's allowance could not be caught.
    above = cut.intersection(shapely.box(-500, 0, 500, 30))
    assert above.difference(folded.buffer(1e-6)).area < 1e-3


def test_a_cover_is_turned_round_its_base(forms):
    # Common practice: thickness of the base + 12-15, skived; slit in the hollow, notched outside.
    angle = np.linspace(0, np.pi, 61)
    bite = np.column_stack([100 + 60 * np.cos(angle), 130 - 60 * np.sin(angle)])
    ring = np.vstack([[[0, 0], [200, 0], [200, 130]], bite, [[0, 130]]]).astype(float)
    panel = forms.flat_panel(ring, [0, 1, 2, 3, 63, 64], name="yoke")
    flat_set = forms.join([panel], [], forms.material("leather", t=1.0))
    spec = TemplateSpec(beneath_mm=5.0)
    (template,) = build_templates(flat_set, forms.ply(over="base"), spec).templates
    width = template.net[0].allowance_mm
    assert 5.0 + 12.0 <= width <= 5.0 + 15.0
    cut = Polygon(template.cut)
    assert cut.bounds[1] == pytest.approx(-width)
    armhole = LineString(template.net[3].points)
    slits = [k.points for k in template.ink if k.layer == "SNIP"]
    assert len(slits) >= 8
    for slit in slits:
        assert len(slit) == 2, "a hollow edge is slit, not notched"
        assert armhole.distance(Point(slit[1])) == pytest.approx(5.0, abs=0.05)
        assert Point(slit[0]).distance(cut.exterior) < 0.05
    skive = [k for k in template.ink if k.layer == "DETAIL"]
    assert len(skive) >= 4
    assert any("skive" in k.text for k in template.ink if isinstance(k, Text))


def test_a_round_turned_edge_is_notched_so_that_it_closes(forms):
    angle = np.linspace(0, 2 * np.pi, 100, endpoint=False)
    ring = 50 * np.column_stack([np.cos(angle), np.sin(angle)])
    flat_set = forms.join([forms.flat_panel(ring, [0])], [], forms.material("leather", t=1.0))
    spec = TemplateSpec(beneath_mm=4.0)
    (template,) = build_templates(flat_set, forms.ply(over="base"), spec).templates
    width = template.net[0].allowance_mm
    notches = [k.points for k in template.ink if k.layer == "SNIP"]
    assert len(notches) >= 20
    assert all(len(n) == 3 for n in notches)
    # What is cut out is about what the cut edge is too long by: 2 pi times the turned width.
    taken = sum(float(np.linalg.norm(n[2] - n[0])) for n in notches)
    spare = 2 * np.pi * width * len(notches) * 12.0 / (2 * np.pi * 50)
    assert taken == pytest.approx(spare, rel=0.05)


def test_finishes_set_the_allowance_and_the_length_of_binding(forms):
    flat_set = forms.join(
        [forms.rectangle(100, 80, names=["hem", "side", "neck", "side 2"])],
        [],
        forms.material("leather", seam=8, rim=5),
    )
    spec = TemplateSpec(rim_finish={"neck": "bound", "hem": "piped", "*": "raw"})
    built = build_templates(flat_set, forms.ply(), spec)
    width = {e.name: e.allowance_mm for e in built.templates[0].net}
    assert width == {"hem": 8.0, "side": 5.0, "neck": 0.0, "side 2": 5.0}
    assert Polygon(built.templates[0].cut).equals(shapely.box(-5, -8, 105, 80))
    assert any("binding for rim 'neck': 120 mm" in note for note in built.notes)
    assert any("piping for rim 'hem': 120 mm" in note for note in built.notes)


def test_top_stitching_keeps_its_distance(forms):
    flat_set = forms.join([forms.rectangle(100, 80, names=["hem", "a", "b", "c"])], [])
    spec = TemplateSpec(topstitch={"hem": (4.0, 10.0)})
    (template,) = build_templates(flat_set, forms.ply(), spec).templates
    lines = [k.points for k in template.ink if isinstance(k, Polyline) and k.layer == "DETAIL"]
    assert sorted(float(p[:, 1].mean()) for p in lines) == pytest.approx([4.0, 10.0])
    assert all(np.ptp(p[:, 1]) < 1e-9 for p in lines)
