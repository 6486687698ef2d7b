"""Alterations, mirrored pairs, details cut as pieces, shrinkage."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Polygon

from flatten.errors import BadInput
from flatten.records.drawing import Circle, Polyline, Text
from flatten.records.making import Alter
from flatten.records.panels import PanelMark
from flatten.template.build import build_templates
from flatten.template.spec import TemplateSpec


def two(forms, mat=None, **seam):
    front = forms.rectangle(180, 240, name="left front", names=["hem", "x", "top", "centre"])
    back = forms.rectangle(120, 240, name="left back", names=["hem", "centre", "top", "x"])
    given = {"a": (0, 1), "b": (1, 3), "name": "side left", "joint": "seam"} | seam
    return forms.join([front, back], [given], mat or forms.material("leather", seam=10))


def net(template) -> Polygon:
    return Polygon(np.concatenate([e.points[:-1] for e in template.net]))


def test_letting_out_a_seam_moves_both_partners(forms):
    spec = TemplateSpec(alters=(Alter(line="side left", by_mm=8.0),))
    a, b = build_templates(two(forms), forms.ply(), spec).templates
    assert net(a).symmetric_difference(shapely.box(0, 0, 188, 240)).area < 1e-6
    assert net(b).symmetric_difference(shapely.box(-8, 0, 120, 240)).area < 1e-6
    assert Polygon(a.cut).bounds[2] == pytest.approx(198.0)
    holes = np.array([k.centre for k in a.ink if isinstance(k, Circle)])
    assert holes[:, 0] == pytest.approx(np.full(len(holes), 188.0))


def test_lowering_a_rim_takes_in_and_trims_its_neighbours(forms):
    spec = TemplateSpec(alters=(Alter(line="top", by_mm=-10.0),))
    for template in build_templates(two(forms), forms.ply(), spec).templates:
        assert net(template).bounds[3] == pytest.approx(230.0)
        for e, after in zip(template.net, [*template.net[1:], template.net[0]], strict=True):
            assert np.array_equal(e.points[-1], after.points[0])
    a, b = build_templates(two(forms), forms.ply(), spec).templates
    lengths = [LineString(e.points).length for t in (a, b) for e in t.net if e.seam == 0]
    assert lengths == pytest.approx([230.0, 230.0])


def test_an_alteration_from_here_to_there_fades_at_its_ends(forms):
    spec = TemplateSpec(alters=(Alter(line="side left", by_mm=6.0, start=0.3, end=0.9),))
    a, b = build_templates(two(forms), forms.ply(), spec).templates
    for template, edge, sign in ((a, 180.0, 1), (b, 0.0, -1)):
        points = next(e.points for e in template.net if e.seam == 0)
        out = (points[:, 0] - edge) * sign
        y = points[:, 1]
        assert out[y < 0.3 * 240 - 1e-6] == pytest.approx(0.0, abs=1e-9)
        middle = (y > 0.46 * 240) & (y < 0.74 * 240)
        assert out[middle] == pytest.approx(np.full(middle.sum(), 6.0))
        assert out.max() == pytest.approx(6.0)


@settings(max_examples=25, deadline=None)
@given(
    step=st.sampled_from([2.5, 5.0, 20.0]),
    ease=st.floats(0.0, 12.0),
    eased_from=st.floats(0.0, 0.8),
    start=st.floats(0.01, 0.5),
    reach=st.floats(0.31, 0.48),
    by=st.sampled_from([-8.0, 3.0, 8.0]),
)
def test_partners_with_ease_are_let_out_at_the_same_places_of_their_seam(
    forms, step, ease, eased_from, start, reach, by
):
    """A seam of 200 mm on the body whose second side is longer from some place on: what is let out
    begins, rises, falls and ends at the same places on the body on both sides."""
    y = np.linspace(0.0, 200.0, round(200.0 / step) + 1)
    longer = y + ease * np.clip((y / 200.0 - eased_from) / (1.0 - eased_from), 0.0, 1.0)
    a = forms.rectangle(100, 200, name="a", step=step)
    ring = np.vstack(
        [[[0.0, 0.0], [100.0, 0.0], [100.0, longer[-1]]], np.stack([0 * y, longer], 1)[:0:-1]]
    )
    b = forms.flat_panel(ring, [0, 1, 2, 3], name="b")
    seam = {"a": (0, 1), "b": (1, 3), "name": "side", "ease": longer - y, "ease_side": 1}
    flat_set = forms.join([a, b], [seam], forms.material("leather"))
    spec = TemplateSpec(alters=(Alter(line="side", by_mm=by, start=start, end=start + reach),))
    found = []
    for template, x, sign, on_flat in zip(
        build_templates(flat_set, forms.ply(), spec).templates,
        (100.0, 0.0),
        (1, -1),
        (y, longer),
        strict=True,
    ):
        points = next(e.points for e in template.net if e.seam == 0)[::sign]
        out = (points[:, 0] - x) * sign / by
        at = np.interp(points[:, 1], on_flat, y)
        top = int(out.argmax())
        assert out[top] == pytest.approx(1.0, abs=1e-6)
        levels = [0.01, 0.25, 0.5, 0.75, 0.99]
        up = np.interp(levels, out[: top + 1], at[: top + 1])
        down = np.interp(levels, out[:top:-1], at[:top:-1])
        found.append(np.concatenate([up, down]))
    assert found[0] == pytest.approx(found[1], abs=0.1)
    # Half of it is reached in the middle of the fade of 15 %.
    assert found[0][[2, 7]] == pytest.approx(
        [200 * start + 15, 200 * (start + reach) - 15], abs=0.1
    )


def bent(forms, mat=None, marks=()):
    """Two panels that share an arc of R 200 over 60 degrees, one round there, the other hollow."""
    turn = np.linspace(-np.pi / 6, np.pi / 6, 61)
    arc = 200.0 * np.column_stack([np.cos(turn), np.sin(turn)])
    low, high = arc[0, 1], arc[-1, 1]
    inner = np.vstack([[[20.0, high], [20.0, low]], arc])
    outer = np.vstack([[[330.0, low], [330.0, high]], arc[::-1]])
    names = ["x", "lower", "seam", "upper"]
    front = forms.flat_panel(
        inner, [0, 1, 2, len(inner) - 1], name="front", names=names, marks=marks
    )
    back = forms.flat_panel(outer, [0, 1, 2, len(outer) - 1], name="back", names=names)
    given = {"a": (0, 2), "b": (1, 2), "name": "princess", "joint": "butt"}
    return forms.join([front, back], [given], mat or forms.material("leather", t=2.0))


def test_partners_of_a_bent_seam_still_meet_after_it_is_let_out(forms):
    # Parallels of an arc at 8 mm are (R + 8) and (R - 8) times the angle: the trade walks the seam
    # and trues its ends, so that both are R times the angle again, with hole over hole.
    length = 200.0 * np.pi / 3
    spec = TemplateSpec(alters=(Alter(line="princess", by_mm=8.0),))
    templates = build_templates(bent(forms), forms.ply(), spec).templates
    edges = [next(e for e in t.net if e.seam == 0) for t in templates]
    assert [LineString(e.points).length for e in edges] == pytest.approx([length] * 2, abs=0.4)
    assert LineString(edges[0].points).length == pytest.approx(
        LineString(edges[1].points).length, abs=1e-6
    )
    middles = [LineString(e.points).interpolate(0.5, normalized=True) for e in edges]
    assert [float(np.hypot(p.x, p.y)) for p in middles] == pytest.approx([208.0, 192.0], abs=0.05)
    assert edges[0].holes == edges[1].holes > 40
    ends = [length - np.array(edges[1].notches)[:, 0], np.array(edges[0].notches)[:, 0]]
    assert ends[0] == pytest.approx(ends[1], abs=0.4)
    for template in templates:  # the rims run on to the new corners
        for e, after in zip(template.net, [*template.net[1:], template.net[0]], strict=True):
            assert np.array_equal(e.points[-1], after.points[0])
        assert net(template).is_valid
        assert not any("after the alterations" in note for note in template.notes)


def test_partners_of_a_bent_seam_between_two_junctions_meet_after_it_is_let_out(forms):
    """No rim ends the seam: the corners where it meets other seams give way, and hold those."""
    panels = [(p, f) for p, f in zip(bent(forms).panel_set.panels, bent(forms).flats, strict=True)]
    reach = [np.linalg.norm(np.subtract(*f.U[p.border[1].vertices[[0, -1]]])) for p, f in panels]
    bands = [
        forms.flat_panel(
            np.array([[0.0, 0.0], [a, 0.0], [a + b, 0.0], [a + b, 60.0], [0.0, 60.0]]),
            [0, 1, 2, 3, 4],
            name=name,
            names=["first", "second", "x", "y", "z"],
        )
        for name, a, b in (("collar", *reach), ("band", *reach[::-1]))
    ]
    joins = [
        {"a": (0, 2), "b": (1, 2), "name": "princess"},
        {"a": (0, 3), "b": (2, 0), "name": "neck front"},
        {"a": (1, 1), "b": (2, 1), "name": "neck back"},
        {"a": (0, 1), "b": (3, 1), "name": "waist front"},
        {"a": (1, 3), "b": (3, 0), "name": "waist back"},
    ]
    spec = TemplateSpec(alters=(Alter(line="princess", by_mm=8.0),))
    flat_set = forms.join([*panels, *bands], joins)
    templates = build_templates(flat_set, forms.ply(), spec).templates
    sides = [LineString(e.points).length for t in templates for e in t.net if e.seam == 0]
    assert sides[0] == pytest.approx(sides[1], abs=1e-6)
    notes = [note for t in templates for note in t.notes if "after the alterations" in note]
    assert not any("princess" in note for note in notes)
    assert len(notes) == 4  # the seams across it, which only its own two panels lengthened


def test_what_an_alteration_leaves_unequal_is_said(forms):
    """A seam lengthened by its neighbour's letting out, on one panel only, cannot be trued."""
    middle = forms.rectangle(100, 150, name="middle", names=["hem", "x", "top", "y"])
    side = forms.rectangle(80, 150, name="side", names=["hem", "x", "top", "y"])
    top = forms.rectangle(100, 60, name="yoke", names=["lower", "x", "top", "y"])
    flat_set = forms.join(
        [middle, side, top],
        [{"a": (0, 1), "b": (1, 3), "name": "side"}, {"a": (0, 2), "b": (2, 0), "name": "yoke"}],
    )
    spec = TemplateSpec(alters=(Alter(line="side", by_mm=8.0),))
    templates = build_templates(flat_set, forms.ply(), spec).templates
    notes = [note for t in templates for note in t.notes if "after the alterations" in note]
    assert len(notes) == 1
    assert "'yoke' is 8.0 mm longer here than on yoke" in notes[0]


@pytest.mark.parametrize("by", [8.0, -8.0])
def test_a_line_that_ended_on_the_seam_ends_on_it_again(forms, by):
    panel, flat = forms.rectangle(180, 240)
    right = panel.border[1].vertices
    vertex = int(right[len(right) // 2])  # on the seam, half way up
    face = int(np.flatnonzero(np.equal(panel.F, vertex).any(axis=1))[0])
    corner = (panel.F[face] == vertex).astype(float)
    middle = int(np.linalg.norm(flat.U[panel.F].mean(axis=1) - (90, 120), axis=1).argmin())
    mark = PanelMark(
        line="wave", kind="score", face=np.array([middle, face]),
        bary=np.array([np.full(3, 1 / 3), corner]),
    )  # fmt: skip
    front = forms.rectangle(180, 240, name="left front", names=["hem", "x", "top", "centre"],
                            marks=(mark,))  # fmt: skip
    back = forms.rectangle(120, 240, name="left back", names=["hem", "centre", "top", "x"])
    flat_set = forms.join([front, back], [{"a": (0, 1), "b": (1, 3), "name": "side left"}])
    spec = TemplateSpec(alters=(Alter(line="side left", by_mm=by),))
    template = build_templates(flat_set, forms.ply(), spec).templates[0]
    (score,) = [k for k in template.ink if isinstance(k, Polyline) and k.layer == "SCORE"]
    assert score.points[-1, 0] == pytest.approx(180.0 + by, abs=1e-6)
    assert score.points[0] == pytest.approx(flat.U[panel.F[middle]].mean(axis=0))


@pytest.mark.parametrize(
    "alter", [Alter(line="sleeve", by_mm=3), Alter(line="top", by_mm=3, start=0.8, end=0.2)]
)
def test_an_alteration_of_nothing_is_refused(forms, alter):
    with pytest.raises(BadInput) as caught:
        build_templates(two(forms), forms.ply(), TemplateSpec(alters=(alter,)))
    assert alter.line in str(caught.value)
    assert "\n" not in str(caught.value)


def lopsided(forms, side: int, name: str, shift: float = 0.0):
    """A quadrilateral without symmetry of its own; `side` -1 is its mirror image."""
    corners = np.array([[20, 0], [110 + shift, 10], [90, 130], [30, 120]], dtype=float)
    if side < 0:
        corners = (corners * [-1, 1])[::-1]
    turn = np.radians(17.0 * side)
    flat = corners @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    panel, made = forms.flat_panel(*forms.divided(flat, 5.0), name=name,
                                   lift=lambda U: np.column_stack([U[:, 0] + 40 * side, U[:, 1],
                                                                   0 * U[:, 0]]))  # fmt: skip
    return panel, made


def label_of(template) -> str:
    return "\n".join(k.text for k in template.ink if isinstance(k, Text))


def test_mirror_images_are_found_and_one_template_can_serve_both(forms):
    flat_set = forms.join(
        [lopsided(forms, 1, "left front"), lopsided(forms, -1, "right front")], []
    )
    left, right = build_templates(flat_set, forms.ply(), TemplateSpec()).templates
    assert "mirror of right front" in label_of(left)
    assert "mirror of left front" in label_of(right)
    assert left.quantity == right.quantity == 1
    (both,) = build_templates(flat_set, forms.ply(), TemplateSpec(one_per_pair=True)).templates
    assert both.quantity == 2
    assert "cut 1 pair (1 L, 1 R)" in label_of(both)
    assert "piece 1 of 1" in label_of(both)


def test_panels_that_differ_are_no_pair(forms):
    flat_set = forms.join(
        [lopsided(forms, 1, "left front"), lopsided(forms, -1, "right front", shift=6.0)], []
    )
    templates = build_templates(flat_set, forms.ply(), TemplateSpec(one_per_pair=True)).templates
    assert [t.quantity for t in templates] == [1, 1]
    # Two of the same kind, not mirrored, are none either.
    panel, flat = lopsided(forms, 1, "right front")
    same = forms.join([lopsided(forms, 1, "left front"), (panel, flat)], [])
    moved = forms.moved(same, 1, [-400.0, 0.0, 0.0])
    templates = build_templates(moved, forms.ply(), TemplateSpec(one_per_pair=True)).templates
    assert [t.quantity for t in templates] == [1, 1]


def test_a_material_that_shrinks_is_drawn_larger(forms):
    plain = two(forms)
    wet = replace(plain, material=replace(plain.material, shrink_pct=3.0))
    made = build_templates(wet, forms.ply(), TemplateSpec())
    a, _ = made.templates
    # 3 % smaller when dry: the width to cut, times 0.97, is the width wanted.
    assert net(a).bounds[2] * 0.97 == pytest.approx(180.0)
    assert any("once 3 % is lost" in note for note in made.notes)
