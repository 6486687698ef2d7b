"""The packer and the press: contacts against shapely, plans closed up to known lengths, steady ends."""

import subprocess
import sys
import threading
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plans import FOAM, assert_sound, blob, laid, rectangle, template, template_set
from shapely.affinity import rotate, translate
from shapely.geometry import Point, Polygon, box

from flatten.errors import Cancelled
from flatten.nest import strip
from flatten.nest.contacts import contacts
from flatten.nest.ground import ground_of
from flatten.nest.pieces import shapes_of
from flatten.nest.place import lay_out
from flatten.nest.press import press
from flatten.nest.search import Lie, ends_of
from flatten.nest.strip import pack_strip
from flatten.records.effort import Effort
from flatten.records.material import Stock

ROLL = Stock(name="roll", kind="roll", width_mm=500.0, gap_mm=3.0, margin_mm=0.0)
ALONG = replace(FOAM, grain="along", grain_tol_deg=0.0)


def shapes_for(outlines, material=FOAM, stock=ROLL):
    pieces = [template(outline, f"p{i}") for i, outline in enumerate(outlines)]
    return [s for i, t in enumerate(pieces) for s in shapes_of(t, i, stock, material)]


def at(x, y, angle=0.0):
    return Lie(bin=0, angle=angle, x=x, y=y)


def watch_nothing(share):
    assert 0.0 <= share <= 1.0


@settings(max_examples=30, deadline=None)
@given(a=st.integers(0, 999), b=st.integers(0, 999), way=st.floats(0.0, 6.28))
def test_the_nearest_contact_is_the_distance_of_the_outlines(a, b, way):
    still = Polygon(blob(a))
    far = translate(Polygon(blob(b)), 400.0 * np.cos(way), 400.0 * np.sin(way))
    rings = [np.array(p.exterior.coords)[:-1] for p in (still, far)]
    boxes = np.array([still.bounds, far.bounds])
    starts = np.cumsum([0, *map(len, rings)])
    pairs, rows = np.zeros((5000, 2), np.int64), np.zeros((5000, 7))
    m = contacts(
        np.concatenate(rings), starts, np.arange(2), boxes, 2, 600.0, pairs, rows
    )  # fmt: skip
    near = rows[:m][np.argmin(rows[:m, 6])]
    assert near[6] == pytest.approx(still.distance(far), abs=1e-9)
    # From the place on the border along the normal by the distance lies the vertex.
    assert near[4:6] + near[6] * near[:2] == pytest.approx(near[2:4], abs=1e-6)


def test_a_vertex_inside_has_a_negative_distance_to_the_nearest_side():
    rings = [
        np.array([(0, 0), (10, 0), (10, 10), (0, 10.0)]),
        np.array([(8, 3), (30, 2), (30, 5.0)]),
    ]
    boxes = np.array([(0, 0, 10, 10.0), (8, 2, 30, 5.0)])
    pairs, rows = np.zeros((99, 2), np.int64), np.zeros((99, 7))
    m = contacts(
        np.concatenate(rings), np.array([0, 4, 7]), np.arange(2), boxes, 2, 1.0, pairs, rows
    )
    inside = [row for pair, row in zip(pairs[:m], rows[:m], strict=True) if tuple(pair) == (1, 0)]
    assert len(inside) == 1
    assert inside[0] == pytest.approx([1, 0, 8, 3, 10, 3, -2])


def test_boxes_are_pressed_to_the_exact_length():
    # By hand: half a gap, then 100 + 3 + 100 along x; nothing is turned since along the grain.
    shapes = shapes_for([[(0, 0), (100, 0), (100, 300), (0, 300)]] * 2, ALONG)
    plan = press(shapes, [at(7.0, 40.0), at(160.0, 90.0)], ground_of(ROLL, ALONG), 3.0)
    assert ends_of(shapes, plan) == [pytest.approx(1.5 + 203.0, abs=0.02)]
    assert [lie.angle for lie in plan] == [0.0, 0.0]


def test_pieces_that_are_too_near_are_parted_and_never_overlap():
    shapes = shapes_for([blob(3), blob(4), blob(5)])
    plan = [at(120.0, 150.0), at(280.0, 160.0), at(190.0, 330.0)]
    outlines = [translate(s.true, lie.x, lie.y) for s, lie in zip(shapes, plan, strict=True)]
    assert min(a.distance(b) for a in outlines for b in outlines if a is not b) < 3.0
    pressed = press(shapes, plan, ground_of(ROLL, FOAM), 3.0)
    outlines = [
        translate(rotate(s.true, lie.angle, origin=(0, 0)), lie.x, lie.y)
        for s, lie in zip(shapes, pressed, strict=True)
    ]
    near = min(a.distance(b) for a in outlines for b in outlines if a is not b)
    assert near >= 3.0 - 1e-4
    # The ground begins half a gap before the stock.
    assert all(o.bounds[1] >= 1.499 and o.bounds[3] <= 501.501 for o in outlines)


def test_a_bar_is_turned_until_it_lies_flat_against_the_start():
    # A bar of 30 x 200 leaning by 20 degrees: upright it takes 30 mm, after half a gap.
    shapes = shapes_for([[(0, 0), (30, 0), (30, 200), (0, 200)]])
    pressed = press(shapes, [at(150.0, 150.0, 20.0)], ground_of(ROLL, FOAM), 3.0)
    assert ends_of(shapes, pressed) == [pytest.approx(1.5 + 30.0, abs=0.05)]


def test_the_press_keeps_clear_of_flaws():
    flaw = np.array([(60, 200), (110, 200), (110, 260), (60, 260.0)])
    stock = replace(ROLL, holes=(flaw,))
    shapes = shapes_for([[(0, 0), (100, 0), (100, 100), (0, 100)]], ALONG, stock)
    pressed = press(shapes, [at(300.0, 180.0)], ground_of(stock, ALONG), 3.0)
    (lie,) = pressed
    where = translate(shapes[0].true, lie.x, lie.y)
    assert where.distance(Polygon(flaw)) >= 3.0 - 0.01
    assert where.bounds[0] < 300.0


def test_many_pieces_are_packed_the_same_every_time_and_tighter_than_filled():
    pieces = template_set([template(blob(s, 90.0), f"p{s}") for s in range(12)])
    a, b = (lay_out(pieces, ROLL, FOAM, Effort(iterations=40, seed=3)) for _ in range(2))
    assert a.placements == b.placements
    assert a.notes == b.notes
    filled = lay_out(pieces, ROLL, FOAM, Effort(iterations=0))
    assert a.usage.used_length_mm < filled.usage.used_length_mm
    assert_sound(a, box(0.0, 0.0, a.usage.used_length_mm, 500.0), 3.0)


def test_pieces_packed_along_the_grain_lie_along_it():
    pieces = template_set([template(blob(s, 90.0), f"p{s}") for s in range(8)], ALONG)
    plan = lay_out(pieces, ROLL, ALONG, Effort(iterations=20))
    assert {round(p.angle_deg, 6) % 180.0 for p in plan.placements} == {0.0}
    assert_sound(plan, box(0.0, 0.0, plan.usage.used_length_mm, 500.0), 3.0)


def test_what_is_left_of_a_sheet_is_filled_from_the_next():
    # Twelve squares of 150 lie four by two on a sheet of 620 x 320; any later sheet holds the rest.
    stock = Stock(
        name="s", kind="sheet", width_mm=320.0, length_mm=620.0, gap_mm=3.0, margin_mm=0.0
    )
    pieces = template_set([rectangle(150, 150, f"p{i}") for i in range(12)])
    plan = lay_out(pieces, stock, FOAM, Effort(iterations=10))
    assert not plan.unplaced
    assert plan.usage.sheets == 2
    assert sorted(sum(p.sheet == b for p in plan.placements) for b in range(2)) == [4, 8]
    assert_sound(plan, box(0.0, 0.0, 620.0, 320.0), 3.0)


ODD = {
    "spiky": [
        (r * np.cos(t), r * np.sin(t))
        for r, t in zip([90, 12] * 9, np.arange(18) * np.pi / 9, strict=True)
    ],
    "tiny": [(0, 0), (2, 0), (1, 1.5)],
    "as wide as the stock": [(0, 0), (60, 0), (60, 500), (0, 500)],
    "needle": [(0, 0), (300, 1), (300, 2), (0, 1.5)],
}


def test_odd_shapes_are_packed_soundly():
    t = np.linspace(0.0, 2.0 * np.pi, 40, endpoint=False)
    circle = np.column_stack([np.cos(t), np.sin(t)])
    ring = template(120.0 * circle, "ring", inner=(90.0 * circle,))
    open_ring = Polygon(110.0 * circle, [85.0 * circle]).difference(Point(110, 0).buffer(40.0))
    pieces = [template(points, name) for name, points in ODD.items()]
    pieces += [ring, template(np.array(open_ring.exterior.coords)[:-1], "open ring")]
    pieces += [template(blob(s, 60.0), f"p{s}") for s in range(4)]
    plan = lay_out(template_set(pieces), ROLL, FOAM, Effort(iterations=15))
    assert not plan.unplaced
    assert len(laid(plan)) == len(pieces)
    assert_sound(plan, box(0.0, 0.0, plan.usage.used_length_mm, 500.0), 3.0)


def test_stopping_ends_the_packer_too(monkeypatch):
    started = []
    popen = subprocess.Popen

    def watched(*args, **more):
        started.append(popen(*args, **more))
        return started[-1]

    monkeypatch.setattr(strip.subprocess, "Popen", watched)
    calls = iter(range(9))

    def stop(_share):
        if next(calls) == 3:
            raise Cancelled("stopped")

    shapes = shapes_for([blob(s) for s in range(6)])
    threads = threading.active_count()
    with pytest.raises(Cancelled):
        pack_strip(shapes, ground_of(ROLL, FOAM), 3.0, Effort(), stop)
    assert [worker.poll() is not None for worker in started] == [True]
    assert threading.active_count() == threads


def test_where_no_process_can_be_started_the_fill_stands(monkeypatch):
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    shapes = shapes_for([blob(s) for s in range(3)])
    packed = pack_strip(shapes, ground_of(ROLL, FOAM), 3.0, Effort(), watch_nothing)
    assert packed.plans == []
    plan = lay_out(template_set([template(blob(s)) for s in range(3)]), ROLL, FOAM, Effort())
    assert not plan.unplaced
