"""One template for a left and a right piece that are mirror images."""

import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, Point, Polygon

from flatten.records.drawing import Circle, Polyline, Text
from flatten.records.panels import PanelMark
from flatten.template.build import build_templates
from flatten.template.spec import TemplateSpec

SPEC = TemplateSpec(title="Tide warden", one_per_pair=True)


HALF = np.array([[70, 0], [100, 90], [60, 200]], dtype=float)  # the front's left edge, going up


def suit(forms, mark_left=False):
    """A front across the middle, and a left and a right back that are each other's mirror image.

    The side seams run up on the left and down on the right.
    """
    ring, at = forms.divided(np.vstack([HALF, HALF[::-1] * [-1, 1]]), 5.0)
    middle = forms.flat_panel(ring, at, name="front")

    def back_of(sign, marks=()):
        corners = np.vstack([[[150, 0], [150, 190]], HALF[::-1]])
        corners = corners if sign > 0 else (corners * [-1, 1])[::-1]
        return forms.flat_panel(
            *forms.divided(corners, 5.0),
            name=f"{'left' if sign > 0 else 'right'} back",
            lift=lambda U: np.column_stack([U[:, 0] + 5.0 * sign, U[:, 1], 0 * U[:, 0]]),
            marks=marks,
        )

    marks = ()
    if mark_left:
        bare, flat = back_of(1)
        face = int(np.linalg.norm(flat.U[bare.F].mean(axis=1) - (120, 90), axis=1).argmin())
        marks = (
            PanelMark(
                line="emblem", kind="detail", face=np.array([face] * 2),
                bary=np.array([[1.0, 0, 0], [0, 1.0, 0]]),
            ),
        )  # fmt: skip
    return middle, back_of(1, marks), back_of(-1)


def joined(forms, **more):
    middle, left, right = suit(forms, **more)
    seams = [
        {"a": (0, 0), "b": (1, 3), "name": "side left"},
        {"a": (0, 1), "b": (1, 2), "name": "side left 2"},
        {"a": (0, 3), "b": (2, 1), "name": "side right 2"},
        {"a": (0, 4), "b": (2, 0), "name": "side right"},
    ]
    seams = [{"joint": "butt"} | seam for seam in seams]
    return forms.weld(forms.join([middle, left, right], seams, forms.material("leather", t=2.0)))


def lines(ink, layer):
    shapes = [LineString(k.points) for k in ink if isinstance(k, Polyline) and k.layer == layer]
    shapes += [Point(k.centre) for k in ink if isinstance(k, Circle) and k.layer == layer]
    return shapely.union_all(shapes)


def test_one_template_serves_left_and_right_with_marks_that_meet_both_partners(forms):
    templates = {t.panel: t for t in build_templates(joined(forms), forms.ply(), SPEC).templates}
    assert set(templates) == {"front", "left back"}
    back, front = templates["left back"], templates["front"]
    assert back.quantity == 2
    ends = {e.name: e for e in front.net}
    of_back = {e.name: e for e in back.net if e.seam >= 0}
    assert set(of_back) == {"side left", "side left 2"}
    for name, edge in of_back.items():
        length = LineString(edge.points).length
        assert len(edge.notches) > 0
        # The left back lies on the front's left edge as it is, its mirror image on the right one;
        # there the front's border runs the other way round.
        upward = sorted((length - at, kind) for at, kind in edge.notches)
        for partner, want in (
            (ends[name], upward),
            (ends[name.replace("left", "right")], sorted(edge.notches)),
        ):
            got = sorted(partner.notches)
            assert [k for _, k in got] == [k for _, k in want]
            assert [at for at, _ in got] == pytest.approx([at for at, _ in want], abs=1e-6)
            assert partner.holes == edge.holes > 0


def test_the_second_of_a_pair_is_the_mirror_image_in_its_own_words(forms):
    for face in ("face", "back"):
        templates = build_templates(joined(forms), forms.ply(face=face), SPEC).templates
        back = next(t for t in templates if t.panel == "left back")

        def flip(points):
            return points * [-1.0, 1.0]

        for layer in ("NET", "NOTCH", "HOLE"):
            one, other = lines(back.ink, layer), lines(back.mirror_ink, layer)
            assert shapely.hausdorff_distance(shapely.transform(one, flip), other) < 1e-6
        first = "\n".join(k.text for k in back.ink if isinstance(k, Text))
        second = "\n".join(k.text for k in back.mirror_ink if isinstance(k, Text))
        for text in (first, second):
            assert "cut 1 pair (1 L, 1 R)" in text
            assert f"this side up: {face}" in text
        assert "turned over, right back" in first
        assert "left back turned over" in second
        assert "side left to front" in first
        assert "side right to front" in second
        assert "side left" not in second
        net = Polygon(np.concatenate([e.points[:-1] for e in back.net]) * [-1.0, 1.0])
        for k in back.mirror_ink:
            if isinstance(k, Text):
                assert net.covers(Point(k.at))
                assert -90.0 < k.angle_deg <= 90.0 + 1e-6


def test_a_drawing_on_one_side_only_keeps_two_templates(forms):
    made = build_templates(joined(forms, mark_left=True), forms.ply(), SPEC)
    assert [t.quantity for t in made.templates] == [1, 1, 1]
    assert any("templates of their own" in note for note in made.notes)
