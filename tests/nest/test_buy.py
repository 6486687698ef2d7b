"""What to buy and what it takes to make, against figures worked by hand."""

from dataclasses import replace

import numpy as np
import pytest
from plans import CLOTH, FOAM, edge, rectangle, template_set

from flatten.nest.effort import corners, handwork, joints_of
from flatten.nest.place import lay_out
from flatten.records.bundled import bundled_material
from flatten.records.drawing import Polyline
from flatten.records.effort import Effort, Fastening, Rates
from flatten.records.material import Stock

LEATHER = bundled_material("veg-tan-2-dry")
LITTLE = Effort(iterations=5)


def bought(templates, stock, material, notes=()):
    plan = lay_out(template_set(templates, material, notes), stock, material, LITTLE)
    return dict(plan.usage.buy)


def joined(fixing: str, joint: str = "butt", holes: int = 0, allowance: float = 0.0, **more):
    """Two pieces 100 x 500 joined along their long sides, seam 7."""
    return [
        rectangle(
            500,
            100,
            f"p{side}",
            net=(
                edge(
                    [(0, 0), (500, 0)],
                    seam=7,
                    side=side,
                    joint=joint,
                    fixing=fixing,
                    holes=holes,
                    allowance_mm=allowance,
                ),
                edge([(500, 0), (500, 100)]),
            ),
            **more,
        )
        for side in (0, 1)
    ]


SHEET = Stock(name="board", kind="sheet", width_mm=600.0, length_mm=1000.0, price=12.5)
ROLL = Stock(name="cloth", kind="roll", width_mm=700.0, gap_mm=0.0, margin_mm=10.0, price=8.0)


def test_thread_is_four_times_the_seam_and_tails():
    # Two sides of one seam of 500 mm are one seam: 4 x 500 + 300 of tails.
    rows = bought(joined("stitch", holes=100), SHEET, FOAM)
    assert rows["thread"].startswith("2.3 m (4 x 0.50 m of seam")


def test_pairs_take_everything_twice():
    rows = bought(joined("stitch", quantity=2), SHEET, FOAM)
    assert rows["thread"].startswith("4.6 m")


def test_glue_is_reckoned_on_both_faces():
    # A butt joint in 5 mm foam: 2 faces x 500 x 5 = 5,000 mm².
    assert bought(joined("glue"), SHEET, FOAM)["adhesive"].startswith("50 cm²")
    # A lap of 15: 2 faces x 500 x 15 = 15,000 mm², also where one side alone carries the lap.
    over, under = joined("glue", "lap", allowance=15.0)
    assert bought([over, under], SHEET, FOAM)["adhesive"].startswith("150 cm²")
    flush = replace(under, net=(replace(under.net[0], allowance_mm=0.0), under.net[1]))
    assert bought([over, flush], SHEET, FOAM)["adhesive"].startswith("150 cm²")


def test_lace_eyelets_and_rivets_are_counted():
    rows = bought(joined("lace", "gap", holes=11), SHEET, FOAM)
    assert rows["eyelets"] == "22"
    # 20 crossings of hypot(50, 40) = 64.03, one straight of 40, two ends of 800: 2,920.6 mm.
    assert rows["lace"].startswith("2.9 m")
    rows = bought(joined("rivet", "lap", holes=9), SHEET, LEATHER)
    assert rows["rivets"].startswith("9, posts about 6 mm")


def test_sheets_are_whole_and_cost_what_they_cost():
    rows = bought([rectangle(900, 500, f"p{i}") for i in range(3)], SHEET, FOAM)
    assert rows["board"] == "3 of 600 x 1000 mm"
    assert rows["board, cost"].startswith("37.50")
    assert rows["board, spare"].startswith("1 more sheet")
    rows = bought([rectangle(300, 500)], SHEET, FOAM)
    assert "rest of the last one" in rows["board, spare"]


def test_length_is_bought_to_the_next_tenth_of_a_metre_with_a_test_piece():
    material = replace(FOAM, grain="along", grain_tol_deg=0.0)
    # 660 of pieces, 20 of margins, 100 for the test piece: 780, so 0.8 m, at 8 a metre 6.40.
    rows = bought([rectangle(660, 600)], ROLL, material)
    assert rows["cloth"] == "0.8 m of 700 mm"
    assert rows["cloth, cost"].startswith("6.40")
    assert rows["cloth, spare"].startswith("0.7 m more")
    # Exactly 800 stays 0.8 m.
    assert bought([rectangle(680, 600)], ROLL, material)["cloth"] == "0.8 m of 700 mm"


def test_binding_comes_from_the_templates():
    note = "binding for rim 'neck': 540 mm (510 + 30 for the join)"
    rows = bought([rectangle(100, 100)], SHEET, FOAM, notes=[note, "something else"])
    assert rows["binding for rim 'neck'"] == "540 mm (510 + 30 for the join)"


def test_nothing_is_bought_for_nothing():
    plan = lay_out(template_set([]), SHEET, FOAM)
    assert plan.usage.buy == ()


def test_corners_are_where_the_blade_is_set_anew():
    assert corners(np.array([(0, 0), (50, 0), (50, 50), (0, 50)], dtype=float)) == 4
    t = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    circle = 60.0 * np.column_stack([np.cos(t), np.sin(t)])
    assert corners(circle) == 0
    # A half disc: two corners at the ends of its diameter.
    half = circle[:201]
    assert corners(half) == 2


def test_time_is_lengths_and_counts_over_the_rates():
    rates = Rates(
        cut_mm_per_min={"foam": 1200.0},
        corner_s=6.0,
        hole_s=3.0,
        stitch_s=10.0,
        glue_mm_per_min=100.0,
    )
    work = handwork(template_set(joined("stitch", holes=100)), FOAM, rates)
    assert (work.pieces, work.cut_mm, work.corners) == (2, pytest.approx(2400.0), 8)
    assert (work.holes, work.stitches, work.stitch_mm) == (200, 100, pytest.approx(500.0))
    # 2,400 / 1,200 + 8 x 6 s; 200 x 3 s; 100 x 10 s.
    want = {"cutting": 2.8, "punching": 10.0, "stitching": 100.0 / 6.0}
    assert dict(work.minutes) == pytest.approx(want)
    assert work.total_minutes == pytest.approx(sum(want.values()))
    glued = handwork(template_set(joined("glue")), FOAM, rates)
    assert glued.glue_mm == pytest.approx(500.0)
    assert dict(glued.minutes)["gluing"] == pytest.approx(5.0)


def test_a_facing_behind_an_edge_is_not_a_second_seam():
    a, b = joined("lace", "gap", holes=11)
    facing = replace(a, name="facing")
    (joint,) = joints_of(template_set((a, b, facing)))
    assert joint.holes == (11, 11)


def test_a_pair_from_one_template_has_its_middle_seam_once_and_its_side_seams_twice():
    # Back (a pair from one template) and front: seam 1 joins the backs, 2 and 3 back and front.
    def one(seam, side, fixing, length=500.0, holes=11):
        return edge(
            [(0, 0), (length, 0)], seam=seam, side=side, joint="gap", fixing=fixing, holes=holes
        )

    panels = (
        (one(1, 0, "lace"), one(2, 0, "stitch")),
        (one(1, 1, "lace"), one(3, 0, "stitch")),
        (one(2, 1, "stitch"), one(3, 1, "stitch")),
    )
    made = template_set(
        [rectangle(500, 90, net=panels[0], quantity=2), rectangle(500, 90, "front", net=panels[2])]
    )
    made = replace(made, panel_edges=panels)
    assert sorted((j.fixing, j.count, len(j.sides)) for j in joints_of(made)) == [
        ("lace", 1, 2), ("stitch", 1, 2), ("stitch", 1, 2),
    ]  # fmt: skip
    rows = dict(lay_out(made, SHEET, FOAM, LITTLE).usage.buy)
    # As above: one lacing of 2.9 m with 22 eyelets; 4 x 1,000 of seam and 2 x 300 of tails.
    assert rows["lace"].startswith("2.9 m")
    assert rows["eyelets"] == "22"
    assert rows["thread"].startswith("4.6 m")


def test_fasteners_at_points_are_bought_by_length_and_take_time():
    points = [
        Fastening(kind="rivet", stack_mm=4.0),
        Fastening(kind="rivet", stack_mm=9.0),
        Fastening(kind="rivet", stack_mm=9.0),
        Fastening(kind="eyelet", stack_mm=2.0),
        Fastening(kind="hole", stack_mm=9.0),
    ]
    plan = lay_out(
        template_set([rectangle(90, 90)], LEATHER), SHEET, LEATHER, LITTLE, points=points
    )
    rows = [much for what, much in plan.usage.buy if what == "rivets"]
    # The stack and 2.5 mm: 6.5 and 11.5.
    assert rows == [
        "1, posts about 6 mm for a stack of 4 mm", "2, posts about 12 mm for a stack of 9 mm",
    ]  # fmt: skip
    assert dict(plan.usage.buy)["eyelets"] == "1"
    # Five holes at 4 s, four fasteners at 60 s.
    assert dict(plan.handwork.details)["fasteners at points"] == pytest.approx(260.0 / 60.0)


def test_what_the_details_cost_is_said_apart():
    line = np.array([[10.0, 10.0], [60.0, 10.0], [60.0, 50.0]])
    ink = (
        Polyline(layer="DETAIL", points=line),
        Polyline(layer="SCORE", points=line[:2], closed=False),
        Polyline(layer="NET", points=line),
    )
    rates = Rates(mark_mm_per_min=30.0, score_mm_per_min=100.0)
    work = handwork(template_set([rectangle(100, 100, ink=ink)]), FOAM, rates)
    assert (work.mark_mm, work.score_mm) == (pytest.approx(90.0), pytest.approx(50.0))
    assert dict(work.details) == {"detail lines": pytest.approx(3.0), "scoring": pytest.approx(0.5)}
    plain = handwork(template_set([rectangle(100, 100)]), FOAM, rates)
    assert work.total_minutes - plain.total_minutes == pytest.approx(3.5)


def test_yield_is_said_for_every_stock():
    # 500 x 300 of 600 x (300 + 2 x 5): the length that is used counts.
    along = replace(FOAM, grain="along", grain_tol_deg=0.0)
    rows = bought([rectangle(300, 500)], SHEET, along)
    assert rows["board, yield"].startswith(f"{100.0 * 150000 / (600 * 310):.0f} %")


def test_cloth_by_machine_takes_three_threads():
    # Common practice for a lockstitch: 3 x 500 + 200 of tails.
    assert bought(joined("stitch"), ROLL, CLOTH)["thread"].startswith("1.7 m (3 x 0.50 m")


def test_cloth_is_sewn_by_machine():
    work = handwork(template_set(joined("stitch")), CLOTH, Rates(sew_mm_per_min=250.0))
    assert dict(work.minutes)["stitching"] == pytest.approx(2.0)
