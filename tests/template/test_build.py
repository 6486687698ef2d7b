"""Templates of developable forms, read back with shapely."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon

from flatten.geometry.freespace import text_box
from flatten.geometry.polygons import signed_area
from flatten.records.drawing import Circle, Polyline, Text
from flatten.records.material import JointChoice
from flatten.records.panels import PanelMark
from flatten.template.build import build_templates
from flatten.template.spec import TemplateSpec

SPEC = TemplateSpec(title="Tide warden", wearer="sample", revision=3)


def words(template) -> list[Text]:
    return [ink for ink in template.ink if isinstance(ink, Text)]


def check_lettering(template) -> None:
    """Every text inside the net line (so across no cut) and clear of every other text."""
    net = Polygon(np.concatenate([e.points[:-1] for e in template.net]))
    boxes = [text_box(t) for t in words(template)]
    beside = any("beside" in note for note in template.notes)
    for box in boxes:
        assert net.covers(box) or (beside and box.disjoint(Polygon(template.cut)))
    for i, a in enumerate(boxes):
        for b in boxes[:i]:
            assert a.intersection(b).area < 1e-6 or a.equals(b)
    drawn = [k for k in template.ink if isinstance(k, Polyline | Circle) and k.layer != "LABEL"]
    shapes = [
        Point(k.centre).buffer(k.radius)
        if isinstance(k, Circle)
        else LineString(np.vstack([k.points, k.points[:1]]) if k.closed else k.points)
        for k in drawn
    ]
    for box in boxes:
        assert all(box.distance(shape) > 0.7 for shape in shapes)
    # The grain line and its head keep clear of every other line too.
    grain = [s for s, k in zip(shapes, drawn, strict=True) if k.layer == "GRAIN"]
    rest = [s for s, k in zip(shapes, drawn, strict=True) if k.layer != "GRAIN"]
    assert all(a.distance(b) > 0.7 for a in grain for b in rest)
    for ring in template.inner:
        assert all(LineString(np.vstack([ring, ring[:1]])).disjoint(box) for box in boxes)


@pytest.fixture(scope="module")
def two(forms):
    front = forms.rectangle(180, 240, name="left front")
    back = forms.rectangle(
        120,
        240,
        name="left back",
        lift=lambda U: np.column_stack([U[:, 0] - 150.0, U[:, 1], np.zeros(len(U))]),
    )
    seam = {"a": (0, 1), "b": (1, 3), "name": "side left 2", "line": "side left"}
    return forms.join([front, back], [seam], forms.material(seam=10, lap=15, rim=12))


def test_partner_edges_have_one_length_and_name_each_other(forms, two):
    front, back = build_templates(two, forms.ply(), SPEC).templates
    a = next(e for e in front.net if e.seam == 0)
    b = next(e for e in back.net if e.seam == 0)
    assert LineString(a.points).length == pytest.approx(LineString(b.points).length)
    assert (a.name, a.partner, b.partner) == ("side left 2", "left back", "left front")
    assert (a.joint, a.fixing, a.allowance_mm) == ("seam", "stitch", 10.0)


def test_net_edges_follow_each_other_round_the_piece(forms, two):
    for face, turn in (("face", 1), ("back", -1)):
        for template in build_templates(two, forms.ply(face=face), SPEC).templates:
            ends = [e.points[-1] for e in template.net]
            starts = [e.points[0] for e in template.net]
            assert all(
                np.array_equal(a, b) for a, b in zip(ends, starts[1:] + starts[:1], strict=True)
            )
            ring = np.concatenate([e.points[:-1] for e in template.net])
            assert np.sign(signed_area(ring)) == turn


def test_allowances_of_a_rectangle(forms, two):
    front, back = build_templates(two, forms.ply(), SPEC).templates
    assert Polygon(front.cut).equals(shapely.box(-12, -12, 190, 252))
    assert Polygon(back.cut).equals(shapely.box(-10, -12, 132, 252))


def test_a_ply_overrides_the_joint_of_a_line(forms, two):
    lap = forms.ply(joints={"side left": JointChoice(joint="lap"), "*": JointChoice(joint="butt")})
    front, _ = build_templates(two, lap, SPEC).templates
    edge = next(e for e in front.net if e.seam == 0)
    assert (edge.joint, edge.fixing, edge.allowance_mm) == ("lap", "stitch", 15.0)
    every = forms.ply(joints={"*": JointChoice(joint="butt", fixing="glue")})
    front, _ = build_templates(two, every, SPEC).templates
    edge = next(e for e in front.net if e.seam == 0)
    assert (edge.joint, edge.fixing, edge.allowance_mm) == ("butt", "glue", 0.0)


@pytest.mark.parametrize(
    ("family", "said", "want"),
    [
        ("cloth", {}, ("seam", "stitch", 10.0)),  # common practice: cloth edges are never butted
        ("foam", {}, ("butt", "glue", 0.0)),
        ("cloth", {"*": JointChoice(joint="butt", fixing="glue")}, ("butt", "glue", 0.0)),
    ],
)
def test_cloth_is_sewn_where_nothing_is_said_of_a_joint(forms, family, said, want):
    sides = [forms.rectangle(180, 240, name=name) for name in ("left front", "left back")]
    seam = {"a": (0, 1), "b": (1, 3), "name": "side left", "joint": "butt", "fixing": "glue"}
    flats = forms.join(sides, [seam], forms.material(family, seam=10))
    made = build_templates(flats, forms.ply(joints=said), SPEC)
    for template in made.templates:
        edge = next(e for e in template.net if e.seam == 0)
        assert (edge.joint, edge.fixing, edge.allowance_mm) == want
    assert any("cloth is sewn" in note for note in made.notes) == (want[0] == "seam")


def test_the_back_is_the_mirror_image_with_words_that_read(forms, two):
    face, _ = build_templates(two, forms.ply(), SPEC).templates
    back, _ = build_templates(two, forms.ply(face="back"), SPEC).templates
    assert Polygon(back.cut * [-1.0, 1.0]).equals(Polygon(face.cut))
    assert back.face == "back"
    for template, side in ((face, "face"), (back, "back")):
        text = " ".join(t.text for t in words(template))
        assert f"this side up: {side}" in text
        check_lettering(template)
        for t in words(template):
            assert -90.0 < t.angle_deg <= 90.0 + 1e-6


def test_the_label_says_all(forms, two):
    _, back = build_templates(two, forms.ply(), SPEC).templates
    text = "\n".join(t.text for t in words(back))
    for part in ("Tide warden", "for sample", "left back", "wearer's right", "base", "test cloth",
                 "cut 1", "piece 2 of 2", "revision 3", "this side up: face", "up",
                 "side left 2 to left front: seam, stitch"):  # fmt: skip
        assert part in text


def test_frustum_has_the_size_of_its_development(forms):
    # Frustum r 60/100, height 96: slant 104, radii 156/260, sector 138.4615° (cone development).
    turn = np.radians(138.46153846)
    n = 126
    a = np.linspace(0, turn, n)
    outer = 260 * np.column_stack([np.cos(a), np.sin(a)])
    inner = 156 * np.column_stack([np.cos(a[::-1]), np.sin(a[::-1])])
    ring = np.vstack([outer, inner])
    flat_set = forms.join(
        [forms.flat_panel(ring, [0, n - 1, n, 2 * n - 1], name="greave")],
        [{"a": (0, 1), "b": (0, 3), "name": "back seam"}],
        forms.material(seam=10, rim=6),
    )
    (template,) = build_templates(flat_set, forms.ply(), SPEC).templates
    net = Polygon(np.concatenate([e.points[:-1] for e in template.net]))
    assert net.area == pytest.approx(52276.10, rel=1e-4)
    lengths = [LineString(e.points).length for e in template.net]
    assert [lengths[1], lengths[3]] == pytest.approx([104, 104])
    assert lengths[0] == pytest.approx(2 * np.pi * 100, abs=0.05)
    cut = Polygon(template.cut)
    for edge in template.net:
        middle = LineString(edge.points).interpolate(0.5, normalized=True)
        assert middle.distance(cut.exterior) == pytest.approx(edge.allowance_mm, abs=0.01)
    check_lettering(template)


def test_grain_line_and_up_arrow_point_where_they_should(forms):
    # A panel whose height on the wearer grows along (0.6, 0.8) on the flat.
    def lift(U):
        return np.column_stack([0.8 * U[:, 0] - 0.6 * U[:, 1], 0.6 * U[:, 0] + 0.8 * U[:, 1],
                                np.zeros(len(U))])  # fmt: skip

    flat_set = forms.join([forms.rectangle(160, 160, lift=lift)], [])
    for face, sign in (("face", 1), ("back", -1)):
        (template,) = build_templates(flat_set, forms.ply(face=face), SPEC).templates
        lines = [k for k in template.ink if isinstance(k, Polyline) and len(k.points) == 2]
        grain = next(k for k in lines if k.layer == "GRAIN")
        up = next(k for k in lines if k.layer == "LABEL")
        for line, want in ((grain, (0.0, 1.0)), (up, (0.6 * sign, 0.8))):
            d = line.points[1] - line.points[0]
            assert d / np.linalg.norm(d) == pytest.approx(want, abs=1e-6)


def test_marks_of_the_panel_are_laid_flat(forms):
    mark = PanelMark(
        line="crest",
        kind="detail",
        face=np.array([0, 1, 2]),
        bary=np.array([[0.2, 0.3, 0.5], [1, 0, 0], [0, 0.5, 0.5]]),
        closed=True,
    )
    crease = PanelMark(line="fold", kind="score", face=np.array([3, 4]), bary=np.eye(3)[:2])
    panel, flat = forms.rectangle(90, 70, marks=(mark, crease))
    (template,) = build_templates(forms.join([(panel, flat)], []), forms.ply(), SPEC).templates
    detail = next(k for k in template.ink if k.layer == "DETAIL")
    score = next(k for k in template.ink if k.layer == "SCORE")
    U, F = flat.U, panel.F
    assert detail.closed
    assert detail.points[0] == pytest.approx(np.array([0.2, 0.3, 0.5]) @ U[F[0]])
    assert detail.points[1] == pytest.approx(U[F[1, 0]])
    assert detail.points[2] == pytest.approx((U[F[2, 1]] + U[F[2, 2]]) / 2)
    assert score.points == pytest.approx(np.array([U[F[3, 0]], U[F[4, 1]]]))


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_any_panel_gives_a_template_that_can_be_cut_and_read(forms, data):
    n = data.draw(st.integers(3, 10))
    size = data.draw(st.sampled_from([4.0, 25.0, 90.0, 260.0]))
    radius = np.array(data.draw(st.lists(st.floats(0.1, 1.0), min_size=n, max_size=n)))
    gap = np.array(data.draw(st.lists(st.floats(0.25, 1.0), min_size=n, max_size=n)))
    angle = np.cumsum(gap / gap.sum()) * 2 * np.pi
    corners = size * radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    if not Polygon(corners).is_valid or signed_area(corners) < 2.0:
        return
    ring, at = forms.divided(corners, 5.0)
    mat = forms.material(rim=data.draw(st.sampled_from([0.0, 3.0, 10.0, 25.0])))
    face = data.draw(st.sampled_from(["face", "back"]))
    flat_set = forms.join([forms.flat_panel(ring, at)], [], mat)
    (template,) = build_templates(flat_set, forms.ply(face=face), SPEC).templates
    cut = Polygon(template.cut)
    net = Polygon(np.concatenate([e.points[:-1] for e in template.net]))
    assert cut.is_valid
    assert cut.buffer(1e-7).covers(net)
    check_lettering(template)
