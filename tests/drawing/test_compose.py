"""Lay plan to drawing: blocks, kerf, mirrored pieces, stock and check square."""

from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import Polygon

from flatten.drawing.compose import compose
from flatten.geometry.lettering import text_width
from flatten.geometry.placing import sheet_ink
from flatten.records.drawing import Circle, Polyline, Text
from flatten.records.material import Stock
from flatten.records.template import Placement


def rings(drawing, layer):
    return [
        Polygon(ink.points)
        for _, ink in sheet_ink(drawing)
        if ink.layer == layer and isinstance(ink, Polyline) and ink.closed
    ]


def test_one_block_per_template_and_one_drawing_per_sheet(ell, plan_of):
    places = [
        Placement(template=0, sheet=0, at=(10.0, 10.0), angle_deg=0.0),
        Placement(template=0, sheet=0, at=(900.0, 500.0), angle_deg=90.0),
        Placement(template=0, sheet=1, at=(10.0, 10.0), angle_deg=180.0),
    ]
    plan = plan_of(ell, *places, sheets=((1000.0, 2000.0), (500.0, 600.0)))
    first, second = compose(plan, title="Tide warden")
    assert [b.name for b in first.blocks] == ["LEFT-FRONT-LOWER"]
    assert len(first.inserts) == 2
    assert (first.title, second.title) == ("Tide warden, sheet 1 of 2", "Tide warden, sheet 2 of 2")
    assert (second.width_mm, second.height_mm) == (600.0, 500.0)
    assert rings(second, "STOCK")[0].bounds == (0.0, 0.0, 600.0, 500.0)
    # Turned by 90 degrees about its own origin, then moved.
    assert rings(first, "NET")[1].bounds == pytest.approx((600.0, 500.0, 900.0, 700.0))


@pytest.mark.parametrize("kerf", [0.0, 0.3, 4.0])
def test_kerf_moves_outer_lines_out_and_inner_lines_in_by_half(ell, plan_of, kerf):
    """Sizes of a square-cornered piece grow, and of a hole shrink, by the whole kerf."""
    plan = plan_of(ell, Placement(template=0, sheet=0, at=(0.0, 0.0), angle_deg=0.0), kerf=kerf)
    (drawing,) = compose(plan)
    outer, slot = rings(drawing, "CUT")
    assert outer.bounds == pytest.approx((-kerf / 2, -kerf / 2, 200 + kerf / 2, 300 + kerf / 2))
    assert slot.area == pytest.approx((10 - kerf) * (20 - kerf))
    assert outer.area == pytest.approx(Polygon(ell.cut).area + 1000 * kerf / 2 + kerf**2)
    (net,) = rings(drawing, "NET")
    assert net.area == pytest.approx(22_500)


def test_a_hole_smaller_than_the_kerf_is_kept_as_drawn(ell, plan_of):
    plan = plan_of(ell, Placement(template=0, sheet=0, at=(0.0, 0.0), angle_deg=0.0), kerf=10.5)
    (drawing,) = compose(plan)
    assert min(r.area for r in rings(drawing, "CUT")) == pytest.approx(200.0)


def test_a_mirrored_piece_is_mirrored_but_its_words_read(ell, plan_of):
    place = Placement(template=0, sheet=0, at=(500.0, 0.0), angle_deg=0.0, mirrored=True)
    (drawing,) = compose(plan_of(ell, place))
    assert drawing.inserts[0].mirrored is False
    inks = [ink for _, ink in sheet_ink(drawing)]
    net = next(i for i in inks if i.layer == "NET")
    assert np.allclose(net.points, ell.cut * (-1, 1) + (500, 0))
    hole = next(i for i in inks if isinstance(i, Circle))
    assert hole.centre == pytest.approx((480.0, 20.0))
    word = next(i for i in inks if isinstance(i, Text) and i.layer == "LABEL")
    width = text_width("Left", 8.0)
    assert word.at == pytest.approx((500.0 - 60.0 - width, 20.0))
    assert word.angle_deg == 0.0


def test_the_check_square_is_100_mm_and_lies_off_the_stock(ell, plan_of):
    (drawing,) = compose(plan_of(ell))
    (square,) = rings(drawing, "TEST")
    assert square.length == pytest.approx(400.0)
    assert square.area == pytest.approx(10_000.0)
    assert not square.intersects(rings(drawing, "STOCK")[0])
    words = [i for i in drawing.ink if isinstance(i, Text)]
    assert words[0].text == "100 x 100 mm"
    for word in words:
        x, y = word.at
        assert square.contains(Polygon([(x, y), (x + text_width(word.text, word.height), y),
                                        (x, y + word.height)]))  # fmt: skip


def test_a_hides_outline_and_flaws_are_its_stock_edge(ell, plan_of):
    hide = np.array([[0, 0], [900, 0], [800, 700]], dtype=float)
    flaw = np.array([[400, 100], [420, 100], [410, 120]], dtype=float)
    stock = Stock(
        name="hide", kind="hide", width_mm=700, length_mm=900, outline=hide, holes=(flaw,)
    )
    (drawing,) = compose(plan_of(ell), stock)
    assert [r.area for r in rings(drawing, "STOCK")] == [315_000.0, 200.0]


def test_block_names_are_plain_and_different(ell, plan_of):
    plan = plan_of(ell)
    names = ["épaule / left *2*", "Epaule: left 2", "漢字", "x" * 80]
    templates = tuple(replace(ell, name=name) for name in names)
    placements = tuple(
        Placement(template=i, sheet=0, at=(0.0, 0.0), angle_deg=0.0, mirrored=bool(i % 2))
        for i in range(4)
    )
    plan = replace(
        plan, template_set=replace(plan.template_set, templates=templates), placements=placements
    )
    (drawing,) = compose(plan)
    found = [b.name for b in drawing.blocks]
    assert len(set(found)) == 4
    for name in found:
        # R12 takes 31 characters (DXF reference).
        assert len(name) <= 31
        assert name.replace("-", "").isalnum()
        assert name.isascii()


def test_a_remark_stands_beside_the_check_square_off_the_stock(ell, plan_of):
    remark = "NOT FOR A LASER: it may hold PVC, which gives off hydrogen chloride"
    plan = plan_of(ell, Placement(template=0, sheet=0, at=(10.0, 10.0), angle_deg=0.0))
    words = [i for i in compose(plan, remark=remark)[0].ink if isinstance(i, Text)]
    said = [text for text in words if text.at[0] > 100.0]
    assert " ".join(text.text for text in said) == remark
    for text in said:
        assert text.layer == "TEST"
        assert text.at[1] + 1.4 * text.height < 0.0
        assert text.at[1] > -120.0


def test_words_beside_a_piece_never_lie_on_another(ell, plan_of):
    beside = Text(text="3/7", at=(230.0, 100.0), height=3.0)
    small = replace(ell, ink=(*ell.ink, beside))
    for gap, kept in ((400.0, True), (225.0, False)):
        places = [
            Placement(template=0, sheet=0, at=(10.0, 10.0), angle_deg=0.0),
            Placement(template=0, sheet=0, at=(10.0 + gap, 10.0), angle_deg=0.0),
        ]
        (drawing,) = compose(plan_of(small, *places))
        assert (beside in drawing.blocks[0].ink) == kept


def test_marks_kept_to_paper_are_not_in_the_drawing(ell, plan_of):
    plan = plan_of(ell, Placement(template=0, sheet=0, at=(10.0, 10.0), angle_deg=0.0))
    marked, bare = compose(plan)[0].blocks[0], compose(plan, unmarked=True)[0].blocks[0]
    assert {i.layer for i in bare.ink} <= {"CUT", "SNIP", "HOLE", "SCORE"}
    assert "LABEL" in {i.layer for i in marked.ink}
    assert next(i for i in marked.ink if i.layer == "CUT").points.tolist() == (
        next(i for i in bare.ink if i.layer == "CUT").points.tolist()
    )
