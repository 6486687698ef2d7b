"""Notches, match marks and stitch holes, measured on both partners."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon

from flatten.geometry.polygons import signed_area
from flatten.records.drawing import Circle, Polyline, Text
from flatten.records.making import StitchChoice
from flatten.template.build import build_templates
from flatten.template.notches import mark_fractions
from flatten.template.spec import TemplateSpec

SPEC = TemplateSpec(title="Tide warden")


def two_panels(forms, height=240.0, mat=None, **seam):
    front = forms.rectangle(180, height, name="left front")
    back = forms.rectangle(120, height, name="left back")
    given = {"a": (0, 1), "b": (1, 3), "name": "side left"} | seam
    return forms.join([front, back], [given], mat or forms.material("leather", t=2.0, lap=10))


def holes(template) -> np.ndarray:
    return np.array([k.centre for k in template.ink if isinstance(k, Circle)]).reshape(-1, 2)


def ticks(template) -> list[np.ndarray]:
    return [k.points for k in template.ink if isinstance(k, Polyline) and k.layer == "NOTCH"]


def along_seam(template, places, seam=0) -> np.ndarray:
    """Lengths along a template's edge, in the seam's direction (side 1 runs against it)."""
    edge = next(e for e in template.net if e.seam == seam)
    line = LineString(edge.points)
    at = np.array([line.project(Point(p)) for p in places])
    return np.sort(at if edge.side == 0 else line.length - at)


def test_leather_stitch_holes_as_the_trade_has_them(forms):
    # Common practice: 3 mm from the edge, pitch 4; equal counts; rows start equally at both ends.
    a, b = build_templates(two_panels(forms, joint="butt"), forms.ply(), SPEC).templates
    ha, hb = holes(a), holes(b)
    assert len(ha) == len(hb) == next(e.holes for e in a.net if e.seam == 0) > 50
    assert np.allclose(ha[:, 0], 180 - 3.0)
    assert np.allclose(hb[:, 0], 3.0)
    sa, sb = along_seam(a, ha), along_seam(b, hb)
    assert sa == pytest.approx(sb, abs=1e-6)
    assert sa[0] == pytest.approx(240 - sa[-1])
    pitch = np.diff(sa)
    assert pitch == pytest.approx(np.full_like(pitch, pitch[0]))
    assert pitch[0] == pytest.approx(4.0, abs=0.1)


def test_thick_leather_is_pricked_wider(forms):
    mat = forms.material("leather", t=3.5)
    a, _ = build_templates(two_panels(forms, mat=mat, joint="butt"), forms.ply(), SPEC).templates
    assert np.allclose(holes(a)[:, 0], 180 - 4.5)
    assert np.diff(along_seam(a, holes(a)))[0] == pytest.approx(5.5, abs=0.1)


def test_a_turned_seam_is_sewn_on_its_net_line(forms):
    a, b = build_templates(two_panels(forms, joint="seam"), forms.ply(), SPEC).templates
    assert np.allclose(holes(a)[:, 0], 180.0)
    assert np.allclose(holes(b)[:, 0], 0.0)


@pytest.mark.parametrize("under", [0, 1])
def test_in_a_lap_the_holes_lie_on_each_other(forms, under):
    templates = build_templates(
        two_panels(forms, joint="lap", under=under), forms.ply(), SPEC
    ).templates
    lap = {0: (180.0, 1.0), 1: (0.0, -1.0)}
    for side, template in enumerate(templates):
        edge, out = lap[side]
        beyond = (holes(template)[:, 0] - edge) * out
        assert beyond == pytest.approx(np.full_like(beyond, 3.0 if side == under else -3.0))
        width = next(e.allowance_mm for e in template.net if e.seam == 0)
        assert width == (10.0 if side == under else 0.0)
        text = " ".join(k.text for k in template.ink if isinstance(k, Text))
        assert ("this edge under" in text) == (side == under)
        assert ("this edge on top" in text) == (side != under)


def test_rivets_move_to_the_middle_of_a_narrow_lap_and_say_so(forms):
    flat_set = two_panels(forms, joint="lap", fixing="rivet", under=1)
    on_top, under = build_templates(flat_set, forms.ply(), SPEC).templates
    assert np.allclose(holes(on_top)[:, 0], 180 - 5.0)
    assert np.allclose(holes(under)[:, 0], -5.0)
    assert len(holes(under)) == len(holes(on_top)) > 3
    assert any("narrow" in note for note in under.notes)


def test_rows_of_neighbouring_edges_leave_each_other_room(forms):
    # Three panels round a corner: every hole keeps more than its own width to the next.
    middle = forms.rectangle(100, 150, name="middle")
    side, top = forms.rectangle(80, 150, name="side"), forms.rectangle(100, 60, name="top")
    flat_set = forms.join(
        [middle, side, top],
        [
            {"a": (0, 1), "b": (1, 3), "joint": "butt"},
            {"a": (0, 2), "b": (2, 0), "joint": "butt"},
        ],
        forms.material("leather", t=2.0),
    )
    template = build_templates(flat_set, forms.ply(), SPEC).templates[0]
    places = holes(template)
    apart = np.linalg.norm(places[:, None] - places[None], axis=2) + 99 * np.eye(len(places))
    assert apart.min() > 2.0
    assert not any("left out" in note for note in template.notes)


def test_paired_rows_and_own_numbers(forms):
    spec = TemplateSpec(
        stitch={"side left": StitchChoice(pitch_mm=6.0, inside_mm=5.0, hole_mm=1.5, rows=2)}
    )
    a, b = build_templates(two_panels(forms, joint="butt"), forms.ply(), spec).templates
    for template in (a, b):
        radii = {k.radius for k in template.ink if isinstance(k, Circle)}
        assert radii == {0.75}
    x = np.unique(holes(a)[:, 0].round(6))
    assert x == pytest.approx([180 - 11.0, 180 - 5.0])
    assert len(holes(a)) == len(holes(b))


def test_lacing_has_eyelets_and_a_facing_with_the_same_holes(forms):
    # Common practice: facing 25-30 wide, eyelets 10-12 in.
    flat_set = two_panels(forms, joint="gap", fixing="lace")
    templates = build_templates(flat_set, forms.ply(), SPEC).templates
    names = [t.name for t in templates]
    assert names == [
        "base left front",
        "base left back",
        "base left front, facing of side left",
        "base left back, facing of side left",
    ]
    for panel, facing in ((templates[0], templates[2]), (templates[1], templates[3])):
        assert 25.0 <= np.ptp(facing.cut[:, 0]) <= 30.0
        # The facing lies face down: mirrored against its panel.
        assert np.sort(holes(facing)[:, 1]) == pytest.approx(np.sort(holes(panel)[:, 1]))
        assert np.unique(-holes(facing)[:, 0].round(6)) == pytest.approx(
            np.unique(holes(panel)[:, 0].round(6))
        )
    assert len(holes(templates[0])) == len(holes(templates[1]))
    assert 10.0 <= 180 - holes(templates[0])[:, 0].max() <= 12.0


def test_foam_is_not_faced_with_foam(forms):
    flat_set = two_panels(forms, mat=forms.material("foam", t=5.0), joint="gap", fixing="lace")
    templates = build_templates(flat_set, forms.ply(), SPEC).templates
    assert [t.panel for t in templates] == ["left front", "left back"]
    assert all(any("strip of leather" in note for note in t.notes) for t in templates)


def test_a_corner_in_a_seam_gets_a_hole_and_whole_stitches_on_either_side(forms):
    # Two panels that meet along a line with a right angle in it.
    corners = np.array([[0, 0], [100, 0], [100, 60], [160, 60], [160, 160], [0, 160]], dtype=float)
    ring, at = forms.divided(corners, 5.0)
    one = forms.flat_panel(ring, [at[0], at[1], at[3], at[4], at[5]], name="inner")
    corners = np.array([[0, 0], [60, 0], [60, 60], [0, 60]], dtype=float)
    ring2, at2 = forms.divided(corners, 5.0)
    two = forms.flat_panel(ring2, [at2[0], at2[1], at2[2]], name="corner piece")
    flat_set = forms.join(
        [one, two],
        [{"a": (0, 1), "b": (1, 2), "joint": "butt", "name": "step"}],
        forms.material("leather", t=2.0),
    )
    a, b = build_templates(flat_set, forms.ply(), SPEC).templates
    ha, hb = holes(a), holes(b)
    assert len(ha) == len(hb)
    # The corner (100, 60) of the hollow piece, 3 mm in along both edges; (0, 60) of the other.
    assert np.linalg.norm(ha - [97.0, 63.0], axis=1).min() < 0.2
    assert np.linalg.norm(hb - [3.0, 57.0], axis=1).min() < 0.2
    # Even stitches along each leg of each piece, none lost at the corner.
    for h in (ha[np.isclose(ha[:, 0], 97)][:, 1], hb[np.isclose(hb[:, 1], 57)][:, 0]):
        steps = np.diff(np.sort(h))
        assert steps == pytest.approx(np.full_like(steps, steps[0]), abs=1e-6)
        assert 3.5 < steps[0] < 4.5
    assert len(ha) == 2 * np.isclose(ha[:, 0], 97).sum() - 1


def test_marks_lie_at_the_same_length_on_both_partners(forms):
    for joint in ("butt", "seam", "lap"):
        a, b = build_templates(two_panels(forms, joint=joint), forms.ply(), SPEC).templates
        sa = along_seam(a, [t[0] for t in ticks(a)])
        sb = along_seam(b, [t[0] for t in ticks(b)])
        assert len(sa) >= 2
        assert sa == pytest.approx(sb, abs=1e-6)


def test_snips_lie_in_the_allowance_and_ticks_inside_the_net_line(forms):
    # Common practice: a snip 3-5 deep, at most half the allowance; under 6 a 4 mm drawn tick.
    cut, _ = build_templates(two_panels(forms, joint="seam"), forms.ply(), SPEC).templates
    for tick in ticks(cut):
        assert tick[:, 0].max() == pytest.approx(190.0)
        depth = float(np.ptp(tick[:, 0]))
        assert 3.0 <= depth <= 5.0
    drawn, _ = build_templates(
        two_panels(forms, mat=forms.material("leather", seam=4), joint="seam"), forms.ply(), SPEC
    ).templates
    for tick in ticks(drawn):
        assert sorted(tick[:, 0]) == pytest.approx([176.0, 180.0])


@pytest.mark.parametrize("length", [30.0, 80.0, 125.0, 300.0, 900.0, 2000.0])
def test_no_seam_matches_its_own_mirror_image(length: float):
    places = mark_fractions(length) * length
    assert len(places) >= 1
    away = np.abs(places[:, None] - (length - places)[None]).min(axis=1)
    assert away.max() > 2.0
    assert np.all(np.diff(np.diff(np.concatenate([[0.0], places, [length]]))) > 0)


def test_seams_of_a_panel_are_told_apart(forms):
    middle = forms.rectangle(100, 150, name="middle")
    others = [forms.rectangle(80, 150, name=f"p{i}") for i in range(3)]
    square = forms.rectangle(100, 100, name="p4")
    flat_set = forms.join(
        [middle, *others, square],
        [
            {"a": (0, 1), "b": (1, 3)},
            {"a": (0, 3), "b": (2, 1)},
            {"a": (0, 2), "b": (4, 0)},
        ],
    )
    template = build_templates(flat_set, forms.ply(), SPEC).templates[0]
    kinds = {e.seam: {k for _, k in e.notches} for e in template.net if e.seam >= 0}
    assert sorted(next(iter(k)) for k in kinds.values()) == [1, 2, 3]


def test_eased_seams_carry_their_marks_to_the_same_place_on_the_body(forms):
    # Side 1 is 12 mm longer over its upper half: vertex i lies on vertex i.
    y = np.linspace(0, 200, 41)
    longer = np.where(y > 100, 100 + (y - 100) * 1.12, y)
    a = forms.rectangle(100, 200, name="a")
    ring = np.vstack([
        [[0.0, 0.0]], np.column_stack([np.linspace(5, 95, 19), np.zeros(19)]), [[100.0, 0.0]],
        [[100.0, 212.0]], np.column_stack([np.zeros(41), longer[::-1]])[:-1],
    ])  # fmt: skip
    b = forms.flat_panel(ring, [0, 20, 21, 22], name="b")
    flat_set = forms.join(
        [a, b],
        [{"a": (0, 1), "b": (1, 3), "joint": "seam", "ease": longer - y, "ease_side": 1}],
        forms.material("leather"),
    )
    ta, tb = build_templates(flat_set, forms.ply(), SPEC).templates
    ya = np.sort(holes(ta)[:, 1])
    yb = np.sort(holes(tb)[:, 1])
    assert yb == pytest.approx(np.interp(ya, y, longer), abs=0.05)


def test_junctions_carry_one_letter_on_all_pieces(forms):
    # A T: the long edge of one panel meets two others.
    wide = forms.flat_panel(
        *(lambda r: (r[0], [r[1][0], r[1][1], r[1][1] + 20, r[1][2], r[1][3]]))(
            forms.divided(np.array([[0, 0], [120, 0], [120, 200], [0, 200]], dtype=float), 5.0)
        ),
        name="wide",
    )
    low, high = forms.rectangle(80, 100, name="low"), forms.rectangle(80, 100, name="high")
    flat_set = forms.join(
        [wide, low, high],
        [{"a": (0, 1), "b": (1, 3)}, {"a": (0, 2), "b": (2, 3)}, {"a": (1, 2), "b": (2, 0)}],
    )
    flat_set = forms.weld(flat_set)
    for template, corner in zip(
        build_templates(flat_set, forms.ply(), SPEC).templates,
        ([120.0, 100.0], [0.0, 100.0], [0.0, 0.0]),
        strict=True,
    ):
        letters = [k for k in template.ink if isinstance(k, Text) and k.text == "A"]
        assert len(letters) == 1
        assert np.linalg.norm(np.array(letters[0].at) - corner) < 20
        assert min(np.linalg.norm(t[0] - corner) for t in ticks(template)) < 1e-6


@settings(max_examples=30, deadline=None)
@given(data=st.data())
def test_no_hole_or_mark_ever_leaves_its_piece(forms, data):
    n = data.draw(st.integers(3, 8))
    size = data.draw(st.sampled_from([12.0, 60.0, 200.0]))
    radius = np.array(data.draw(st.lists(st.floats(0.12, 1.0), min_size=n, max_size=n)))
    gap = np.array(data.draw(st.lists(st.floats(0.25, 1.0), min_size=n, max_size=n)))
    angle = np.cumsum(gap / gap.sum()) * 2 * np.pi
    corners = size * radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    if not Polygon(corners).is_valid or signed_area(corners) < 2.0:
        return
    ring, at = forms.divided(corners, 5.0)
    panel = forms.flat_panel(ring, at, name="one")
    mirrored = (ring * [-1.0, 1.0])[::-1]
    twin = forms.flat_panel(
        mirrored, [(len(ring) - 1 - i) % len(ring) for i in at][::-1], name="two"
    )
    joints = data.draw(
        st.lists(st.sampled_from(["butt", "seam", "lap", "gap"]), min_size=n, max_size=n)
    )
    fixing = data.draw(st.sampled_from(["stitch", "lace", "rivet"]))
    seams = [
        {"a": (0, i), "b": (1, (n - 2 - i) % n), "joint": joints[i], "fixing": fixing}
        for i in range(n)
    ]  # fmt: skip
    family = data.draw(st.sampled_from(["leather", "foam", "cloth"]))
    flat_set = forms.join([panel, twin], seams, forms.material(family, t=2.0))
    templates = build_templates(flat_set, forms.ply(), SPEC).templates
    counts = {}
    for template in templates:
        cut = Polygon(template.cut)
        assert cut.is_valid
        for k in template.ink:
            if isinstance(k, Circle):
                assert cut.buffer(-0.9).contains(Point(k.centre).buffer(k.radius))
            elif k.layer == "NOTCH":
                assert cut.buffer(1e-5).covers(LineString(k.points))
        for edge in template.net:
            if edge.seam >= 0:
                counts.setdefault(edge.seam, []).append(edge.holes)
    assert all(len(set(c)) == 1 for c in counts.values())


def test_what_is_cut_and_what_is_drawn_are_told_apart(forms):
    """Common practice: snips only in a hidden allowance of 6 mm or more, else ticks inside.

    NOTCH has every mark; SNIP, which a knife follows, only the slits, all in the allowance.
    """
    cloth = two_panels(forms, mat=forms.material("cloth", seam=10), joint="seam")
    foam = two_panels(forms, mat=forms.material("foam", t=5.0), joint="butt")
    for flat_set, cut in ((cloth, True), (foam, False)):
        for template in build_templates(flat_set, forms.ply(), SPEC).templates:
            snips = [k.points for k in template.ink if k.layer == "SNIP"]
            marks = [k.points for k in template.ink if k.layer == "NOTCH"]
            assert len(snips) == (len(marks) if cut else 0)
            net = Polygon(np.concatenate([e.points[:-1] for e in template.net]))
            outer = Polygon(template.cut).exterior
            for snip in snips:
                assert any(np.array_equal(snip, mark) for mark in marks)
                assert net.distance(LineString(snip)) >= 5.0 - 1e-6
                assert outer.distance(Point(snip[0])) < 1e-6
            for mark in [] if cut else marks:
                assert net.buffer(1e-6).covers(LineString(mark))
                assert LineString(mark).length == pytest.approx(4.0)
