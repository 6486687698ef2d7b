"""A piece too large for its stock comes in parts that make it again."""

import numpy as np
import pytest
from shapely import union_all
from shapely.geometry import LineString, Point, Polygon

from flatten.errors import BadInput
from flatten.guide.build import build_guide
from flatten.records.drawing import Polyline, Text
from flatten.records.making import SplitChoice, StitchChoice
from flatten.template.build import build_templates
from flatten.template.spec import TemplateSpec


def made(forms, choice, family="foam", *, face="face", **spec):
    """Templates of a board of 400 by 300 in one panel, split."""
    panel, flat = forms.rectangle(400.0, 300.0)
    flat_set = forms.join([(panel, flat)], [], forms.material(family, t=5.0))
    spec = TemplateSpec(title="Tide warden", split={"front": choice}, **spec)
    return build_templates(flat_set, forms.ply(face=face), spec).templates


def crosses(template):
    return [
        np.mean(item.points, axis=0)
        for item in template.ink
        if isinstance(item, Polyline) and item.layer == "NOTCH"
    ]


def nets(templates):
    return [Polygon(np.concatenate([e.points[:-1] for e in t.net])) for t in templates]


def test_foam_in_parts_is_the_board_again_without_gap_or_overlap(forms):
    templates = made(forms, SplitChoice(across_mm=(100.0,), along_mm=(150.0,)))
    assert [t.name for t in templates] == [f"base front, part {k}" for k in (1, 2, 3, 4)]
    areas = [Polygon(t.cut).area for t in templates]
    # The grain runs up the board: 100 of its 300 high, and 150 of its 400 wide from the right.
    assert sorted(areas) == pytest.approx(sorted([100 * 150, 100 * 250, 200 * 150, 200 * 250]))
    assert union_all([Polygon(t.cut) for t in templates]).area == pytest.approx(400 * 300)
    assert union_all(nets(templates)).area == pytest.approx(400 * 300)


def test_cloth_in_parts_overlaps_by_both_allowances(forms):
    one, other = (Polygon(t.cut) for t in made(forms, SplitChoice(across_mm=(100.0,)), "cloth"))
    low, high = sorted((one, other), key=lambda p: p.centroid.y)
    assert low.bounds[3] - high.bounds[1] == pytest.approx(2 * 10.0)  # of 10 mm a side
    first, second = nets(made(forms, SplitChoice(across_mm=(100.0,)), "cloth"))
    assert first.intersection(second).area == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("family", ["foam", "cloth"])
@pytest.mark.parametrize("face", ["face", "back"])
def test_register_marks_of_both_parts_lie_on_each_other(forms, family, face):
    one, other = made(forms, SplitChoice(along_mm=(150.0,)), family, face=face)
    (join,) = [edge for edge in one.net if edge.name == "front split"]
    (back,) = [edge for edge in other.net if edge.name == "front split"]
    assert (join.partner, back.partner) == ("front, part 2", "front, part 1")
    line = LineString(join.points)
    places = [sorted(line.project(p) for p in _points(e)) for e in (join, back)]
    assert places[0] == pytest.approx(places[1])
    gap = [places[0][0], line.length - places[0][-1]]
    assert abs(gap[0] - gap[1]) > 20  # uneven, so that no part can be joined upside down
    for template in (one, other):
        for mark in crosses(template):
            assert line.distance(LineString([mark, mark + 1e-9])) < 3.0
    if family == "cloth":  # whole crosses in the overlap
        for mark, twin in zip(_sorted(crosses(one)), _sorted(crosses(other)), strict=True):
            assert mark == pytest.approx(twin)


def _points(edge):
    line = LineString(edge.points)
    return [Point(line.interpolate(at).coords[0]) for at, _ in edge.notches]


def _sorted(points):
    return sorted(points, key=lambda p: (round(p[0], 3), round(p[1], 3)))


def test_a_part_says_what_it_is_joined_to(forms):
    for template in made(forms, SplitChoice(across_mm=(150.0,))):
        words = " ".join(item.text for item in template.ink if isinstance(item, Text))
        own, other = ("1", "2") if template.name.endswith("1") else ("2", "1")
        assert f"front, part {own}" in words
        assert f"to part {other}: butt, glue" in words
        assert "of 2" in words


def test_every_hole_is_on_one_part_and_one_on_the_cut_is_told(forms):
    panels = [forms.rectangle(400.0, 300.0, name=name) for name in ("front", "other")]
    seam = {"a": (0, 1), "b": (1, 3), "joint": "seam", "fixing": "stitch"}
    flat_set = forms.join(panels, [seam], forms.material("leather", t=3.0))
    rows = {"*": StitchChoice(pitch_mm=10.0)}
    whole = build_templates(flat_set, forms.ply(), TemplateSpec(stitch=rows)).templates[0]
    centres = sorted(c.centre for c in whole.ink if c.layer == "HOLE")
    y = centres[len(centres) // 2][1]
    low = min(p[1] for p in whole.cut)
    for at, lost in ((y + 5.0 - low, 0), (y - low, 1)):
        spec = TemplateSpec(stitch=rows, split={"front": SplitChoice(across_mm=(at,))})
        parts = build_templates(flat_set, forms.ply(), spec).templates[:2]
        found = {c.centre for t in parts for c in t.ink if c.layer == "HOLE"}
        assert found <= set(centres)
        notes = [n for t in parts for n in t.notes if "punch there" in n]
        if lost and len(found) < len(centres):
            assert notes
        else:
            assert len(found) == len(centres)
            assert not notes


def test_a_cut_off_the_piece_and_an_unknown_piece_are_told(forms):
    with pytest.raises(BadInput, match=r"from 0 to 300 mm"):
        made(forms, SplitChoice(across_mm=(350.0,)))
    with pytest.raises(BadInput, match="scrap"):
        made(forms, SplitChoice(across_mm=(0.1,)))
    panel, flat = forms.rectangle(100.0, 100.0)
    hemmed = forms.join([(panel, flat)], [], forms.material("cloth", rim=25.0))
    spec = TemplateSpec(split={"front": SplitChoice(across_mm=(10.0,))})
    with pytest.raises(BadInput, match="nothing off but allowance"):
        build_templates(hemmed, forms.ply(), spec)
    flat_set = forms.join([(panel, flat)], [], forms.material("foam"))
    spec = TemplateSpec(split={"back": SplitChoice(across_mm=(50.0,))})
    with pytest.raises(BadInput, match="no piece is named 'back'"):
        build_templates(flat_set, forms.ply(), spec)


def test_the_guide_joins_the_parts_while_they_are_flat(forms):
    panel, flat = forms.rectangle(400.0, 300.0)
    flat_set = forms.join([(panel, flat)], [], forms.material("foam", t=5.0))
    spec = TemplateSpec(split={"front": SplitChoice(along_mm=(130.0, 260.0))})
    templates = build_templates(flat_set, forms.ply(), spec)
    steps = build_guide([(forms.ply(), flat_set.material, templates)]).plies[0].steps
    joins = [step for step in steps if step.what == "front split"]
    assert [step.pieces for step in joins] == [
        ("front, part 1", "front, part 2"),
        ("front, part 2", "front, part 3"),
    ]
    assert [step.length_mm for step in joins] == pytest.approx([300.0, 300.0])
