"""Lay plans: sound by an independent look, exact on rectangles, the same every time, honest."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from plans import CLOTH, FOAM, assert_sound, blob, edge, laid, rectangle, template, template_set
from shapely.geometry import Point, Polygon, box

from flatten.errors import BadInput, Cancelled
from flatten.nest.place import lay_out
from flatten.records.effort import Effort
from flatten.records.material import Stock

LITTLE = Effort(iterations=0)
SHEET = Stock(name="sheet", kind="sheet", width_mm=600.0, length_mm=900.0, gap_mm=3.0)
ROLL = Stock(name="roll", kind="roll", width_mm=700.0, gap_mm=2.0, margin_mm=10.0)


def ground(stock, length=None):
    m = stock.margin_mm
    return box(m, m, (length or stock.length_mm) - m, stock.width_mm - m)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    seeds=st.lists(st.integers(0, 10_000), min_size=1, max_size=9),
    gap=st.sampled_from([0.0, 1.0, 3.0, 8.0]),
    margin=st.sampled_from([0.0, 5.0, 20.0]),
    along=st.booleans(),
    pairs=st.booleans(),
)
def test_random_pieces_lie_on_sheets_with_their_gap(seeds, gap, margin, along, pairs):
    stock = replace(SHEET, gap_mm=gap, margin_mm=margin)
    material = replace(FOAM, grain="along" if along else "free")
    pieces = [template(blob(s), f"p{i}", quantity=2 if pairs else 1) for i, s in enumerate(seeds)]
    plan = lay_out(template_set(pieces, material), stock, material, LITTLE)
    assert not plan.unplaced
    assert len(plan.placements) == sum(p.quantity for p in pieces)
    assert_sound(plan, ground(stock), gap)


def test_pieces_on_a_roll_take_the_length_that_is_said():
    pieces = [template(blob(s), f"p{s}") for s in range(12)]
    plan = lay_out(template_set(pieces), ROLL, FOAM, LITTLE)
    assert_sound(plan, ground(ROLL, plan.usage.used_length_mm), ROLL.gap_mm)
    far = max(p.bounds[2] for _, p in laid(plan))
    assert plan.usage.used_length_mm == pytest.approx(far + ROLL.margin_mm, abs=0.01)
    assert plan.sheet_sizes == ((700.0, pytest.approx(plan.usage.used_length_mm)),)
    area = sum(Polygon(p.cut).area for p in pieces)
    wanted = 100.0 * area / (700.0 * plan.usage.used_length_mm)
    assert plan.usage.yield_pct == pytest.approx(wanted)


def test_kerf_is_cut_beyond_gap_and_margin():
    material = replace(FOAM, kerf_mm=2.0)
    pieces = [rectangle(100, 100, f"p{i}") for i in range(4)]
    plan = lay_out(template_set(pieces, material), SHEET, material, LITTLE)
    assert_sound(plan, ground(SHEET).buffer(-1.0, join_style="mitre"), SHEET.gap_mm + 2.0)


def test_six_rectangles_fill_a_sheet_exactly():
    # By hand: 3 x 300 + 2 x 5 of gap + 2 x 10 of margin = 930; 2 x 200 + 5 + 20 = 425.
    stock = Stock(
        name="s", kind="sheet", width_mm=425.0, length_mm=930.0, gap_mm=5.0, margin_mm=10.0
    )
    material = replace(FOAM, grain="along", grain_tol_deg=0.0)
    pieces = [rectangle(300, 200, f"p{i}") for i in range(6)]
    plan = lay_out(template_set(pieces, material), stock, material)
    assert not plan.unplaced
    assert plan.usage.sheets == 1
    assert plan.usage.used_length_mm == pytest.approx(930.0, abs=1e-6)
    assert plan.usage.yield_pct == pytest.approx(100.0 * 6 * 300 * 200 / (425.0 * 930.0))
    assert_sound(plan, ground(stock), 5.0)


def test_a_seventh_rectangle_begins_a_second_sheet():
    stock = Stock(
        name="s", kind="sheet", width_mm=425.0, length_mm=930.0, gap_mm=5.0, margin_mm=10.0
    )
    pieces = [rectangle(300, 200, f"p{i}") for i in range(7)]
    plan = lay_out(template_set(pieces), stock, FOAM, LITTLE)
    assert plan.usage.sheets == 2
    assert len(plan.sheet_sizes) == 2
    assert {p.sheet for p in plan.placements} == {0, 1}


def test_what_a_counted_sheet_cannot_hold_is_said_with_ways_out():
    stock = Stock(
        name="board", kind="sheet", width_mm=425.0, length_mm=930.0, gap_mm=5.0, margin_mm=10.0,
        count=1,
    )  # fmt: skip
    pieces = [rectangle(300, 200, f"p{i}") for i in range(8)]
    plan = lay_out(template_set(pieces), stock, FOAM, LITTLE)
    assert len(plan.placements) + len(plan.unplaced) == 8
    assert len(plan.unplaced) == 2
    for index, reason in plan.unplaced:
        assert pieces[index].name in reason
        assert "buy 1 more board" in reason


def test_a_roll_that_is_too_short_says_what_length_would_do():
    stock = replace(ROLL, length_mm=260.0, name="rest")
    pieces = [rectangle(240, 300, f"p{i}") for i in range(4)]
    material = replace(CLOTH, grain_tol_deg=0.0)
    plan = lay_out(template_set(pieces, material), stock, material, LITTLE)
    assert len(plan.unplaced) == 2
    # By hand: two rows of 240, a gap of 2 and margins of 10.
    assert "502 mm of length would hold everything, 242 mm more" in plan.unplaced[0][1]


def test_a_piece_too_wide_says_by_how_much_and_how_to_split_it():
    material = replace(CLOTH, grain_tol_deg=0.0)
    plan = lay_out(template_set([rectangle(200, 720)], material), ROLL, material, LITTLE)
    ((index, reason),) = plan.unplaced
    assert index == 0
    assert "200 x 720 mm along and across the grain" in reason
    # 700 less two margins of 10 leaves 680.
    assert "680 mm within its margins: 40.0 mm too wide" in reason
    # Along the grain, halfway across its 720: a seam as long as the piece, 10 mm on both sides.
    split = (
        "split piece along the grain into 2, 360 mm from its end on the grain's right, which adds"
    )
    assert f"{split} 200 mm of seam, 10 mm allowance on both sides" in reason
    # w cos a + h sin a for a bar of 720 x 200 is first 680 or less at 90 degrees less a little.
    assert "off the grain" in reason
    assert plan.usage.sheets == 0
    assert not plan.placements


def test_off_grain_is_the_least_turn_by_the_closed_form():
    # A bar of 10 x 720 needs 720 cos a + 10 sin a <= 680: a = 19.9 degrees, in steps of 0.5: 20.
    material = replace(CLOTH, grain_tol_deg=0.0)
    stock = replace(ROLL, gap_mm=0.0)
    angles = np.radians(np.arange(0.0, 90.0, 0.5))
    first = np.degrees(angles[720 * np.cos(angles) + 10 * np.sin(angles) <= 680.0][0])
    plan = lay_out(template_set([rectangle(10, 720)], material), stock, material, LITTLE)
    assert f"it fits turned {first:g}° off the grain" in plan.unplaced[0][1]


def test_the_grains_tolerance_is_used_where_it_lets_a_piece_fit():
    material = replace(CLOTH, grain_tol_deg=25.0)
    stock = replace(ROLL, gap_mm=0.0)
    plan = lay_out(template_set([rectangle(10, 720)], material), stock, material, LITTLE)
    assert not plan.unplaced
    assert any("off the grain, within the material's tolerance" in note for note in plan.notes)
    assert_sound(plan, ground(stock, plan.usage.used_length_mm), 0.0)


@pytest.mark.parametrize("one_way", [False, True])
def test_grain_runs_along_the_stock(one_way):
    material = replace(CLOTH, one_way=one_way)
    pieces = [template(blob(s), f"p{s}", grain_deg=20.0 * s, quantity=2) for s in range(6)]
    plan = lay_out(template_set(pieces, material), ROLL, material, LITTLE)
    turns = set()
    for place in plan.placements:
        grain = pieces[place.template].grain_deg
        grain = 180.0 - grain if place.mirrored else grain
        turns.add(round((grain + place.angle_deg) % 360.0, 6) % 360.0)
    assert turns <= ({0.0} if one_way else {0.0, 180.0})


def test_a_pair_is_laid_once_as_drawn_and_once_mirrored():
    plan = lay_out(template_set([template(blob(3), quantity=2)]), SHEET, FOAM, LITTLE)
    assert sorted(p.mirrored for p in plan.placements) == [False, True]


def test_a_small_piece_lies_in_a_cut_out():
    hole = [(40, 40), (260, 40), (260, 260), (40, 260)]
    frame = template([(0, 0), (300, 0), (300, 300), (0, 300)], "frame", inner=(np.array(hole),))
    stock = Stock(
        name="s", kind="sheet", width_mm=310.0, length_mm=310.0, gap_mm=3.0, margin_mm=5.0
    )
    plan = lay_out(template_set([frame, rectangle(150, 150, "small")]), stock, FOAM, LITTLE)
    assert plan.usage.sheets == 1
    assert_sound(plan, ground(stock), 3.0)


def test_the_gap_grows_along_a_bevelled_edge():
    # tan 45 degrees at 5 mm: 5 mm more along the bevelled side, measured to the other's outline.
    sides = [edge([(100, 0), (100, 100)], bevels=((50.0, 45.0),))]
    pieces = [rectangle(100, 100, f"p{i}", net=tuple(sides)) for i in range(3)]
    material = replace(FOAM, grain="along", one_way=True)
    stock = Stock(name="s", kind="sheet", width_mm=112.0, length_mm=900.0, gap_mm=3.0)
    plan = lay_out(template_set(pieces, material), stock, material, LITTLE)
    boxes = sorted(p.bounds for _, p in laid(plan))
    assert all(b[0] - a[2] >= 8.0 - 0.01 for a, b in pairwise(boxes))


def waved_hide(count: int = 1) -> Stock:
    t = np.linspace(0.0, 2.0 * np.pi, 90, endpoint=False)
    r = 1.0 + 0.1 * np.cos(4 * t) + 0.05 * np.sin(3 * t)
    outline = np.column_stack([500.0 + 480.0 * r * np.cos(t), 380.0 + 350.0 * r * np.sin(t)])
    u = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
    ring = np.column_stack([np.cos(u), np.sin(u)])
    return Stock(
        name="hide", kind="hide", outline=outline, count=count, gap_mm=3.0, margin_mm=6.0,
        holes=(ring * 30.0 + (400.0, 350.0), ring * 12.0 + (700.0, 450.0)),
    )  # fmt: skip


def test_a_hide_is_filled_until_nothing_more_fits_clear_of_its_flaws():
    stock = waved_hide()
    rng = np.random.default_rng(5)
    pieces = [template(blob(s, rng.uniform(25, 110)), f"p{s}") for s in range(70)]
    plan = lay_out(template_set(pieces), stock, FOAM, LITTLE)
    hide = Polygon(stock.outline)
    clear = hide.buffer(-stock.margin_mm)
    for hole in stock.holes:
        clear = clear.difference(Polygon(hole).buffer(stock.gap_mm, quad_segs=64))
    assert_sound(plan, clear.buffer(0.009), stock.gap_mm)
    area = sum(p.area for _, p in laid(plan))
    assert plan.usage.yield_pct == pytest.approx(100.0 * area / hide.area)
    assert plan.usage.yield_pct > 62.0
    assert len(plan.placements) + len(plan.unplaced) == 70


def test_what_is_left_over_of_a_hide_fits_nowhere_on_it():
    # One small disc is laid by brute force: wherever its centre may lie, it does not fit any more.
    stock = waved_hide()
    t = np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False)
    disc = 60.0 * np.column_stack([np.cos(t), np.sin(t)])
    plan = lay_out(template_set([template(disc, f"p{i}") for i in range(60)]), stock, FOAM, LITTLE)
    assert plan.unplaced
    free = Polygon(stock.outline).buffer(-stock.margin_mm - 60.0)
    for hole in stock.holes:
        free = free.difference(Polygon(hole).buffer(stock.gap_mm + 60.0))
    # Columns lose a little beside every piece: 4 mm is what is forgiven here.
    for _, piece in laid(plan):
        free = free.difference(piece.centroid.buffer(120.0 + stock.gap_mm + 4.0))
    assert free.area == 0.0


def test_as_many_hides_as_needed_are_begun():
    pieces = [template(blob(s), f"p{s}") for s in range(30)]
    plan = lay_out(template_set(pieces), waved_hide(count=0), FOAM, LITTLE)
    assert not plan.unplaced
    assert plan.usage.sheets == len(plan.sheet_sizes) > 1


def test_a_search_by_the_clock_says_so_and_is_sound():
    pieces = [template(blob(s), f"p{s}") for s in range(8)]
    plan = lay_out(template_set(pieces), ROLL, FOAM, Effort(seconds=2.0))
    assert any("by the clock" in note for note in plan.notes)
    assert not plan.unplaced
    assert_sound(plan, ground(ROLL, plan.usage.used_length_mm), ROLL.gap_mm)


def test_whoever_watches_can_stop_the_search():
    def stop(share: float) -> None:
        raise Cancelled("stopped")

    with pytest.raises(Cancelled):
        lay_out(template_set([template(blob(s)) for s in range(5)]), ROLL, FOAM, LITTLE, stop)


def test_stock_without_room_is_refused_in_one_line():
    for stock in (
        replace(SHEET, width_mm=8.0),
        Stock(name="hide", kind="hide", outline=np.array([(0, 0), (9, 0), (0, 9)])),
        Stock(name="none", kind="sheet"),
    ):
        with pytest.raises(BadInput, match="margins"):
            lay_out(template_set([rectangle(10, 10)]), stock, FOAM, LITTLE)


def test_nothing_to_lay_takes_nothing():
    plan = lay_out(template_set([]), SHEET, FOAM)
    assert not plan.placements
    assert plan.usage.sheets == 0
    assert plan.usage.used_length_mm == 0.0


def test_points_are_turned_about_the_templates_own_origin():
    far = template(np.array([(1000, 500), (1100, 500), (1100, 550)]), "far", grain_deg=90.0)
    plan = lay_out(template_set([far], CLOTH), ROLL, CLOTH, LITTLE)
    ((_, piece),) = laid(plan)
    assert Point(ROLL.margin_mm, ROLL.margin_mm).distance(piece) < 120.0
    assert_sound(plan, ground(ROLL, plan.usage.used_length_mm), 0.0)


def test_flaws_in_a_roll_are_kept_clear_of():
    spots = tuple(
        np.array([(x, y), (x + 40, y), (x + 40, y + 40)]) for x, y in ((60, 80), (200, 400))
    )
    stock = replace(ROLL, holes=spots)
    plan = lay_out(template_set([template(blob(s)) for s in range(10)]), stock, FOAM, LITTLE)
    assert not plan.unplaced
    clear = ground(stock, plan.usage.used_length_mm)
    for spot in spots:
        clear = clear.difference(Polygon(spot).buffer(stock.gap_mm))
    assert_sound(plan, clear.buffer(0.009), stock.gap_mm)


def test_a_template_without_area_is_named():
    line = template([(0, 0), (100, 0), (50, 0)], "line")
    plan = lay_out(template_set([line, rectangle(50, 50)]), SHEET, FOAM, LITTLE)
    assert plan.unplaced == ((0, "line has no area to cut"),)
    assert len(plan.placements) == 1
