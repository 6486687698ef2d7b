"""What to buy and what it takes to make, against figures worked by hand."""

from dataclasses import replace

import numpy as np
import pytest
from plans import CLOTH, FOAM, edge, rectangle, template_set

from flatten.nest.effort import corners, handwork, joints_of
from flatten.nest.place import lay_out
from flatten.records.bundled import bundled_material
from flatten.records.effort import Effort, Rates
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
    (joint,) = joints_of((a, b, facing))
    assert joint.holes == (11, 11)


def test_cloth_is_sewn_by_machine():
    work = handwork(template_set(joined("stitch")), CLOTH, Rates(sew_mm_per_min=250.0))
    assert dict(work.minutes)["stitching"] == pytest.approx(2.0)
