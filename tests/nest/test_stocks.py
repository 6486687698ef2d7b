"""Several stocks, toothed mats, cloth on the fold, hides with zones and a backbone, offcuts, ways out."""

from dataclasses import replace

import numpy as np
import pytest
from plans import CLOTH, FOAM, assert_sound, blob, laid, rectangle, template, template_set
from shapely.affinity import scale, translate
from shapely.geometry import Polygon, box

from flatten.drawing.compose import template_ink
from flatten.drawing.stock_edge import stock_edge
from flatten.geometry.freespace import shape_of
from flatten.nest.folded import fold_line, halved
from flatten.nest.offcuts import as_stocks
from flatten.nest.place import lay_out, spared_by, with_ways
from flatten.records.bundled import bundled_material
from flatten.records.drawing import Circle, Polyline, Text
from flatten.records.effort import Effort
from flatten.records.material import Stock, Zone

LITTLE = Effort(iterations=10)
BOARD = Stock(
    name="board", kind="sheet", width_mm=425.0, length_mm=930.0, gap_mm=5.0, margin_mm=10.0
)
LEATHER = bundled_material("veg-tan-2-dry")
FOLDED = Stock(name="cloth", kind="roll", width_mm=1000.0, gap_mm=2.0, margin_mm=10.0, fold=True)


def names_of(plan):
    return [stock.name for stock in plan.sheet_stocks]


def test_what_there_is_is_used_up_first_then_more_is_begun():
    # A board holds six of 300 x 200 (3 x 300 + 2 x 5 + 20 = 930); the small one holds one.
    small = replace(BOARD, name="small", width_mm=220.0, length_mm=320.0, count=2)
    pieces = [rectangle(300, 200, f"p{i}") for i in range(8)]
    plan = lay_out(template_set(pieces), [small, BOARD], FOAM, LITTLE)
    assert not plan.unplaced
    assert names_of(plan) == ["small", "small", "board"]
    assert dict(plan.usage.taken) == {"small": 2.0, "board": 1.0}
    assert plan.sheet_sizes == ((220.0, 320.0), (220.0, 320.0), (425.0, 930.0))
    rows = dict(plan.usage.buy)
    assert rows["small"] == "2 of 220 x 320 mm (2 there)"
    assert rows["board"] == "1 of 425 x 930 mm"


def test_of_sizes_that_can_be_had_the_cheapest_that_holds_is_taken():
    # Seven pieces: two boards at 10 come to 20; a board and a small sheet at 3 come to 13.
    board = replace(BOARD, price=10.0)
    small = replace(BOARD, name="small", width_mm=220.0, length_mm=320.0, price=3.0)
    pieces = [rectangle(300, 200, f"p{i}") for i in range(7)]
    plan = lay_out(template_set(pieces), [board, small], FOAM, LITTLE)
    assert not plan.unplaced
    assert sorted(names_of(plan)) == ["board", "small"]
    assert plan.usage.cost == pytest.approx(13.0)
    # Dear small sheets: then two boards.
    dear = replace(small, price=30.0)
    assert lay_out(template_set(pieces), [board, dear], FOAM, LITTLE).usage.cost == 20.0


def test_what_other_plies_have_taken_is_gone():
    pieces = [rectangle(300, 200, f"p{i}") for i in range(6)]
    counted = replace(BOARD, count=2)
    plan = lay_out(template_set(pieces), counted, FOAM, LITTLE, taken={"board": 1.0})
    assert not plan.unplaced
    plan = lay_out(template_set(pieces), counted, FOAM, LITTLE, taken={"board": 2.0})
    assert len(plan.unplaced) == 6
    assert "other plies have used up board" in plan.notes


def test_the_teeth_of_a_mat_are_kept_clear_of_and_drawn():
    mat = Stock(
        name="mat", kind="sheet", width_mm=620.0, length_mm=620.0, teeth_mm=10.0, margin_mm=0.0,
        gap_mm=0.0, count=1,
    )  # fmt: skip
    along = replace(FOAM, grain="along", grain_tol_deg=0.0)
    # 620 less two rows of teeth leave 600: exactly 2 x 300.
    pieces = [rectangle(300, 300, f"p{i}") for i in range(4)]
    plan = lay_out(template_set(pieces, along), mat, along, LITTLE)
    assert not plan.unplaced
    assert_sound(plan, box(10, 10, 610, 610), 0.0)
    wider = [rectangle(601, 300, "wide")]
    ((_, why),) = lay_out(template_set(wider, along), mat, along, LITTLE).unplaced
    assert "1.0 mm too long" in why
    rings = [ink.points for ink in stock_edge(mat, 620.0, 620.0)]
    assert [np.ptp(ring, axis=0).tolist() for ring in rings] == [[620.0, 620.0], [600.0, 600.0]]


def test_flaws_of_a_roll_are_drawn():
    flaw = np.array([(60, 80), (100, 80), (100, 120)], dtype=float)
    roll = Stock(name="r", kind="roll", width_mm=700.0, holes=(flaw,))
    edge, drawn = stock_edge(roll, 700.0, 900.0)
    assert (edge.layer, drawn.layer) == ("STOCK", "STOCK")
    assert np.array_equal(drawn.points, flaw)


def kite(name="kite", **more):
    """Symmetric about its grain along x, 400 long and 300 wide."""
    return template([(0, 0), (150, -150), (400, 0), (150, 150)], name, **more)


def test_a_symmetric_piece_is_halved_on_the_fold_by_hand():
    plan = lay_out(template_set([kite()], CLOTH), FOLDED, CLOTH, LITTLE)
    (half,) = plan.template_set.templates
    assert half.fold
    assert Polygon(half.cut).area == pytest.approx(0.5 * Polygon(kite().cut).area)
    # The first and last point of the cut lie on the fold, and nothing else is left open.
    ((_, piece),) = laid(plan)
    assert piece.bounds[1] == pytest.approx(0.0, abs=1e-9)
    assert piece.bounds[0] == pytest.approx(10.0, abs=0.01)
    (place,) = plan.placements
    turn = np.radians(place.angle_deg)
    ends = half.cut[[0, -1]] @ np.array(
        [[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]
    )
    assert (ends + place.at)[:, 1] == pytest.approx(0.0, abs=1e-9)
    # Two layers of half the width: 400 + 20 of length, the whole piece counted.
    assert plan.sheet_sizes == ((500.0, pytest.approx(420.0, abs=0.01)),)
    assert plan.usage.yield_pct == pytest.approx(100.0 * 60000.0 / (1000.0 * 420.0), rel=1e-3)
    assert dict(plan.usage.buy)["cloth"] == "0.6 m of 1000 mm"  # 420 + 100 for the test piece


def test_pairs_are_cut_through_both_layers_and_odd_pieces_opened_out():
    odd = template([(0, 0), (300, 0), (300, 900), (0, 700)], "odd")
    pair = template([(0, 0), (250, 0), (250, 180)], "pair", quantity=2)
    plan = lay_out(template_set([kite("a"), kite("b"), pair, odd], CLOTH), FOLDED, CLOTH, LITTLE)
    assert not plan.unplaced
    assert names_of(plan) == ["cloth, folded, the fold below", "cloth, opened out"]
    by_template = {p.template: p for p in plan.placements}
    assert len(plan.placements) == 4  # the pair once
    assert by_template[2].sheet == 0
    assert by_template[3].sheet == 1
    folded = [piece for sheet, piece in laid(plan) if sheet == 0]
    for i, a in enumerate(folded):
        assert a.bounds[3] <= 490.0 + 0.01
        for b in folded[:i]:
            assert a.distance(b) >= FOLDED.gap_mm - 0.01
    pieces = 2 * 60000.0 + 2 * 22500.0 + Polygon(odd.cut).area
    area = 1000.0 * plan.usage.used_length_mm
    assert plan.usage.yield_pct == pytest.approx(100.0 * pieces / area, rel=1e-3)


def test_the_ink_of_a_half_is_clipped_at_the_fold_and_its_label_kept_whole():
    rows = [Text(text=f"row {k}", at=(150.0, 20.0 - 15.0 * k), height=8.0) for k in range(4)]
    far = Text(text="other side", at=(120.0, -120.0), height=4.0)
    ring = np.array([(20, 0), (150, -130), (370, 0), (150, 130)], dtype=float)
    holes = [Circle(layer="HOLE", centre=(150.0, y), radius=3.0) for y in (-100.0, 100.0)]
    whole = kite(ink=(Polyline(layer="NET", points=ring, closed=True), *holes, *rows, far))
    half = halved(whole, *fold_line(whole))
    said = [i for i in half.ink if isinstance(i, Text)]
    assert [t.text for t in said] == ["row 0", "row 1", "row 2", "row 3", "place on the fold"]
    assert all(t.at[1] > 0.0 for t in said)
    heights = [t.at[1] for t in said[:4]]
    assert np.diff(heights) == pytest.approx([-15.0] * 3)
    assert min(heights) >= said[4].at[1] + said[4].height
    assert [i.centre for i in half.ink if isinstance(i, Circle)] == [(150.0, 100.0)]
    (net,) = [i for i in half.ink if isinstance(i, Polyline) and i.layer == "NET"]
    assert not net.closed
    assert sorted(map(tuple, net.points.tolist())) == [(20.0, 0.0), (150.0, 130.0), (370.0, 0.0)]
    cut = template_ink(half)[0]
    assert not cut.closed  # the fold itself is never cut
    assert cut.points[[0, -1]][:, 1] == pytest.approx([0.0, 0.0])


def test_no_lettering_of_a_half_crosses_its_edge_or_the_fold():
    # Common practice: what is written is read on the piece, never across a cut.
    arrow = Polyline(layer="LABEL", points=np.array([(290.0, -50.0), (290.0, -20.0)]))
    rows = [
        Text(text="a row of the label", at=(120.0, 40.0 - 12.0 * k), height=7.0) for k in range(8)
    ]
    tip = Text(text="edge to edge, stitched", at=(10.0, -2.0), height=4.0, angle_deg=45.0)
    mark = Text(text="upper edge", at=(300.0, -60.0), height=4.0, angle_deg=60.0)
    whole = kite(ink=(*rows, arrow, tip, mark))
    half = halved(whole, *fold_line(whole))
    inside = Polygon(half.cut)
    drawn = [shape_of(i) for i in half.ink if isinstance(i, Text) or i.layer == "LABEL"]
    assert len(drawn) >= len(rows) + 2  # with its arrow, and the fold's own words
    for i, a in enumerate(drawn):
        assert inside.contains(a)
        assert all(a.distance(b) > 0.0 for b in drawn[:i])


def test_a_piece_that_is_not_symmetric_has_no_fold():
    assert fold_line(template(blob(3))) is None
    assert fold_line(kite()) is not None
    # Symmetric, but across its grain.
    assert fold_line(kite(grain_deg=90.0)) is None


def disc(count: int = 48) -> np.ndarray:
    t = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    return np.column_stack([np.cos(t), np.sin(t)])


HIDE = Stock(
    name="hide", kind="hide", outline=disc() * (800.0, 600.0) + (800.0, 600.0), count=1, gap_mm=3.0,
    margin_mm=5.0, backbone_deg=0.0,
    zones=(
        Zone(name="back", outline=np.array([(0, 420), (1600, 420), (1600, 780), (0, 780)], float)),
        Zone(name="belly", outline=np.array([(0, 0), (1600, 0), (1600, 420), (0, 420)], float)),
    ),
)  # fmt: skip


def zone_of(piece) -> set[str]:
    """Names of the zones that hold a piece whole."""
    return {z.name for z in HIDE.zones if Polygon(z.outline).buffer(0.05).covers(piece)}


def test_pairs_come_from_one_zone_and_stretch_toward_the_belly():
    pieces = [template(blob(s, 110.0), f"pair {s}", quantity=2, grain_deg=30.0) for s in range(4)]
    pieces += [
        template(blob(9, 90.0), "cuff left"),
        template(blob(9, 90.0) * (-1, 1), "cuff right"),
    ]
    pieces += [template(blob(s, 60.0), f"single {s}") for s in range(20, 26)]
    plan = lay_out(template_set(pieces, LEATHER), HIDE, LEATHER, LITTLE)
    assert not plan.unplaced
    assert_sound(plan, Polygon(HIDE.outline).buffer(-5.0), 3.0)
    found: dict[int, list[set[str]]] = {}
    for place, (_, piece) in zip(plan.placements, laid(plan), strict=True):
        found.setdefault(place.template, []).append(zone_of(piece))
        grain = pieces[place.template].grain_deg
        grain = 180.0 - grain if place.mirrored else grain
        off = abs((grain + place.angle_deg + 90.0) % 180.0 - 90.0)
        assert off <= 10.0 + 1e-6  # leather: within 10 degrees of the backbone
    for own in (found[0], found[1], found[2], found[3], [*found[4], *found[5]]):
        assert len(own) == 2
        assert own[0] & own[1]


def test_a_pair_that_no_zone_holds_is_laid_and_said():
    narrow = replace(HIDE, zones=(Zone(name="strip", outline=HIDE.zones[0].outline * (0.1, 1.0)),))
    plan = lay_out(
        template_set([template(blob(2), "p", quantity=2)], LEATHER), narrow, LEATHER, LITTLE
    )
    assert not plan.unplaced
    assert any("stretch differently" in note for note in plan.notes)


def test_a_turned_backbone_turns_the_pieces():
    spine = replace(HIDE, zones=(), backbone_deg=37.0)
    along = replace(LEATHER, grain="along", grain_tol_deg=0.0)
    plan = lay_out(template_set([rectangle(400, 100)], along), spine, along, LITTLE)
    assert plan.placements[0].angle_deg % 180.0 == pytest.approx(37.0)


def test_offcuts_lie_in_what_is_left_and_serve_the_next_job():
    pieces = [rectangle(300, 200, f"p{i}") for i in range(2)]
    plan = lay_out(template_set(pieces), BOARD, FOAM, LITTLE)
    (offcut,) = plan.offcuts
    free = box(0, 0, 930, 425).difference(
        Polygon.union(*(piece.buffer(5.0, quad_segs=64) for _, piece in laid(plan)))
    )
    shape = Polygon(offcut.outline)
    assert shape.area > 0.9 * free.area
    # It fits into what is left, somewhere: it was only moved to begin at 0, 0.
    low = np.array(free.bounds[2:]) - np.array(shape.bounds[2:])
    assert any(
        free.buffer(0.5).covers(translate(shape, float(low[0] - dx), float(low[1] - dy)))
        for dx in (0.0, 1.0, 2.0)
        for dy in (0.0, 1.0, 2.0)
    )
    (stock,) = as_stocks(plan.offcuts, 5.0, 5.0)
    again = lay_out(template_set([rectangle(300, 200)]), [stock, BOARD], FOAM, LITTLE)
    assert names_of(again) == [stock.name]
    assert_sound(again, shape.buffer(-5.0), 5.0)


def test_another_plys_leavings_are_a_way_out_where_they_hold_it():
    along = replace(FOAM, grain="along", grain_tol_deg=0.0)
    one = replace(BOARD, count=1)
    first = lay_out(
        template_set([rectangle(300, 200)], along), replace(BOARD, name="b2"), along, LITTLE
    )
    pieces = [rectangle(300, 200, f"p{i}") for i in range(7)]
    plan = lay_out(template_set(pieces, along), one, along, LITTLE)
    assert len(plan.unplaced) == 1
    other = spared_by("lining", first, [replace(BOARD, name="b2", count=1)], {"b2": 1.0})
    said = with_ways(plan, [one], along, others=[other])
    kinds = [way.kind for way in said.ways]
    assert kinds[0] == "other stock"  # it costs nothing
    assert "from what is left of b2 (1) of ply 'lining'" in said.ways[0].words
    # A ply that has nothing left is no way out.
    none = spared_by(
        "lining", replace(first, offcuts=()), [replace(BOARD, name="b2", count=1)], {"b2": 1.0}
    )
    assert "other stock" not in [w.kind for w in with_ways(plan, [one], along, others=[none]).ways]


def test_a_split_is_offered_only_where_its_parts_really_fit():
    along = replace(CLOTH, grain_tol_deg=0.0)
    # 600 x 100 along a sheet of 420: two parts of 300, each 10 longer by its allowance.
    sheet = Stock(
        name="s", kind="sheet", width_mm=260.0, length_mm=420.0, gap_mm=2.0, margin_mm=10.0, count=1
    )
    long = rectangle(600, 100, "long")
    plan = lay_out(template_set([long], along), sheet, along, LITTLE)
    (way,) = [w for w in plan.ways if w.kind == "split"]
    # By hand: the cut across 100 mm; both sides 10 mm; 310 <= 400 and 2 x 100 + 2 <= 240.
    assert "split long across the grain into 2, 300 mm from its end" in way.words
    assert "adds 100 mm of seam, 10 mm allowance on both sides" in way.words
    assert way.minutes == pytest.approx(100.0 / 120.0)
    # Too narrow for both parts side by side, and no second sheet: then it is not offered.
    low = replace(sheet, width_mm=200.0)
    plan = lay_out(template_set([long], along), low, along, LITTLE)
    assert plan.unplaced
    assert "split" not in [w.kind for w in plan.ways]


def test_ways_out_are_in_order_of_what_they_cost():
    along = replace(CLOTH, grain_tol_deg=0.0)
    sheet = Stock(
        name="s", kind="sheet", width_mm=320.0, length_mm=660.0, gap_mm=0.0, margin_mm=0.0, count=1,
        price=8.0,
    )  # fmt: skip
    # 300 x 330 is 10 too wide; turned by 90 degrees two of them fill 2 x 330, and no turn less will do.
    plan = lay_out(
        template_set([rectangle(300, 330, f"p{i}") for i in range(2)], along), sheet, along
    )
    assert plan.ways[0].kind == "turn"
    assert "90° off the grain" in plan.ways[0].words
    costs = [np.inf if w.kind == "buy" and w.cost is None else w.cost or 0.0 for w in plan.ways]
    assert costs == sorted(costs)


def test_a_mirror_image_is_laid_as_one():
    # The independent look at plans turns mirrored pieces by shapely's own maps.
    piece = template(blob(5), "p", quantity=2)
    plan = lay_out(template_set([piece], LEATHER), replace(HIDE, zones=()), LEATHER, LITTLE)
    a, b = (shape for _, shape in laid(plan))
    assert a.area == pytest.approx(b.area)
    assert scale(a, -1, 1).area == pytest.approx(b.area)


def test_no_more_sheets_are_offered_than_hold_what_is_left_over():
    # Laid all anew in a hurry these want two more boards; what the one plan leaves over fits on one.
    board = Stock(
        name="board", kind="sheet", width_mm=600.0, length_mm=600.0, gap_mm=3.0, margin_mm=5.0,
        count=2,
    )  # fmt: skip
    pieces = [template(blob(60 + k, size=190.0 + 20.0 * (k % 3)), f"p{k}") for k in range(10)]
    plan = lay_out(template_set(pieces), board, FOAM)
    over = [pieces[i] for i, _ in plan.unplaced]
    need = lay_out(template_set(over), replace(board, count=0), FOAM).usage.sheets
    assert over
    (way,) = [w for w in plan.ways if w.kind == "buy"]
    assert way.words == f"buy {need} more board"
