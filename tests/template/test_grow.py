"""Outlines grown by allowances, against closed forms and GEOS's own buffers."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon

from flatten.geometry.polygons import SLOT_MM, TRIM, filled, grow, signed_area, winding


def even(ring: np.ndarray, *widths: float) -> np.ndarray:
    """Widths per edge, each the same at both of its ends."""
    given = np.resize(np.array(widths, dtype=float), len(ring))
    return np.stack([given, given], axis=1)


def off_corners(ring: np.ndarray, edge: int, margin: float) -> np.ndarray:
    """Places along an edge farther than `margin` from its ends."""
    a, b = ring[edge], ring[(edge + 1) % len(ring)]
    length = float(np.linalg.norm(b - a))
    if length <= 2 * margin:
        return np.empty((0, 2))
    return a + (b - a) * (np.linspace(margin, length - margin, 7) / length)[:, None]


SQUARE = np.array([[0, 0], [100, 0], [100, 60], [0, 60]], dtype=float)


def test_square_corners_are_mitred():
    # A rectangle grown by w on all sides is (a + 2w)(b + 2w).
    assert grow(SQUARE, even(SQUARE, 10)).area == pytest.approx(120 * 80)


def test_unequal_allowances_meet_on_both_lines():
    grown = grow(SQUARE, even(SQUARE, 10, 4, 0, 25))
    assert grown.equals(shapely.box(-25, -10, 104, 60))


def test_no_allowance_leaves_the_net_line():
    assert grow(SQUARE, even(SQUARE, 0)).equals(Polygon(SQUARE))


@pytest.mark.parametrize("sides", [5, 6, 12])
def test_convex_outlines_agree_with_the_mitred_buffer_of_geos(sides: int):
    angle = 2 * np.pi * np.arange(sides) / sides
    ring = 80 * np.column_stack([np.cos(angle), np.sin(angle)])
    reference = Polygon(ring).buffer(12, join_style="mitre", mitre_limit=10)
    assert grow(ring, even(ring, 12)).symmetric_difference(reference).area < 1e-6


def test_a_sharp_corner_is_cut_square_across():
    ring = np.array([[0, 0], [200, -15], [200, 15]], dtype=float)
    grown = grow(ring, even(ring, 10))
    reach = -grown.bounds[0]
    assert reach == pytest.approx(TRIM * 10)
    # The trim stands square to the corner's bisector, here the x axis.
    end = [p for p in grown.exterior.coords if p[0] < -reach + 1e-6]
    assert len({round(y, 6) for _, y in end}) == 2


def test_a_wide_allowance_steps_down_beside_an_almost_straight_neighbour():
    ring = np.array([[0, 0], [100, 0], [200, 5], [200, 80], [0, 80]], dtype=float)
    grown = grow(ring, even(ring, 0, 20, 0, 0, 0))
    # The step stands at the corner: the narrow edge keeps its line right up to it.
    assert Point(99.0, -0.05).disjoint(grown)
    assert Point(103.0, -18.0).within(grown)


def test_a_hollow_corner_follows_both_lines_to_where_they_meet():
    ring = np.array([[0, 0], [100, 0], [100, 40], [40, 40], [40, 90], [0, 90]], dtype=float)
    grown = grow(ring, even(ring, 0, 0, 6, 14, 0, 0))
    assert Point(54.0, 46.0).distance(grown.exterior) < 1e-9
    assert min(Point(54.0, 46.0).distance(Point(p)) for p in grown.exterior.coords) < 1e-9


def test_a_very_hollow_armhole_keeps_its_width():
    # A half circle of radius 45 bitten out of one side; the hollow narrows to radius 35.
    angle = np.linspace(np.pi, 0, 91)
    bite = np.column_stack([100 + 45 * np.cos(angle), 120 - 45 * np.sin(angle)])
    ring = np.vstack([[[0, 0], [200, 0], [200, 120]], bite[::-1], [[0, 120]]])
    grown = grow(ring, even(ring, 10))
    assert grown.is_valid
    inner = [Point(100 + 35 * np.cos(a), 120 - 35 * np.sin(a)) for a in np.linspace(0.4, 2.7, 30)]
    assert max(p.distance(grown.exterior) for p in inner) < 0.02


def test_edges_that_face_across_a_slot_share_it_and_leave_a_cut():
    ring = np.array(
        [[0, 0], [100, 0], [100, 150], [56, 150], [56, 50], [44, 50], [44, 150], [0, 150]],
        dtype=float,
    )
    grown = grow(ring, even(ring, 10))
    left, right = LineString([(44, 70), (44, 140)]), LineString([(56, 70), (56, 140)])
    middle = LineString([(50, 70), (50, 158)])
    assert middle.disjoint(grown), "the slot stays open"
    for side in (left, right):
        assert side.distance(grown.exterior) == pytest.approx((12 - SLOT_MM) / 2, abs=1e-6)


def test_a_slot_beside_a_butt_edge_gives_the_room_to_the_other_side():
    ring = np.array(
        [[0, 0], [100, 0], [100, 150], [56, 150], [56, 50], [44, 50], [44, 150], [0, 150]],
        dtype=float,
    )
    widths = np.zeros((8, 2))
    widths[3] = 10.0  # the slot's right side; the left has none
    grown = grow(ring, widths)
    assert LineString([(56, 70), (56, 140)]).distance(grown.exterior) == pytest.approx(10.0)


def test_open_ground_that_corners_close_round_is_kept_as_a_hole():
    # A C whose sharp tips nearly touch; the trimmed corners of its allowance do.
    ring = np.array(
        [[0, 0], [120, 0], [120, 52], [60, 58], [100, 40], [100, 20], [20, 20], [20, 100],
         [100, 100], [100, 80], [60, 63], [120, 68], [120, 120], [0, 120]],
        dtype=float,
    )  # fmt: skip
    grown = grow(ring, even(ring, 5))
    assert grown.is_valid
    assert len(grown.interiors) == 1
    assert Point(45, 60).disjoint(grown)
    assert min(Polygon(ring).distance(Point(p)) for p in grown.interiors[0].coords) > 4.9


def test_a_width_that_changes_along_an_edge_is_followed():
    ring = np.array([[0, 0], [100, 0], [100, 60], [0, 60]], dtype=float)
    widths = np.zeros((4, 2))
    widths[0] = (0.0, 8.0)
    grown = grow(ring, widths)
    for x in (20.0, 50.0, 80.0):
        assert Point(x, -0.08 * x).distance(grown.exterior) < 1e-9


def test_a_ring_that_crosses_itself_covers_what_it_goes_round():
    # A strip 20 wide laid in a loop over itself: by hand, bar 2000 + side 800 + top 800 + the
    # crossing part 1600 - the part covered twice 400 + the eye of the loop 400.
    ring = np.array(
        [[0, 0], [100, 0], [100, 60], [40, 60], [40, -40], [60, -40], [60, 40], [80, 40], [80, 20],
         [0, 20]],
        dtype=float,
    )  # fmt: skip
    cover = filled(ring)
    assert cover.is_valid
    assert cover.area == pytest.approx(5200)
    assert winding(ring, np.array([[50.0, 10.0], [70.0, 30.0], [90.0, 10.0]])).tolist() == [2, 0, 1]


def test_winding_counts_turns():
    angle = np.linspace(0, 4 * np.pi, 80, endpoint=False)
    ring = np.column_stack([np.cos(angle), np.sin(angle)]) * (1 + angle / 20)[:, None]
    assert winding(ring, np.array([[0.0, 0.0], [5.0, 0.0]])).tolist() == [2, 0]


@st.composite
def rings(draw: st.DrawFn) -> np.ndarray:
    """Star-shaped outlines: spiky, hollow, tiny, with points on a straight line now and then."""
    n = draw(st.integers(3, 14))
    size = draw(st.sampled_from([3.0, 20.0, 80.0, 300.0]))
    radius = np.array(draw(st.lists(st.floats(0.06, 1.0), min_size=n, max_size=n)))
    gap = np.array(draw(st.lists(st.floats(0.2, 1.0), min_size=n, max_size=n)))
    angle = np.cumsum(gap / gap.sum()) * 2 * np.pi
    ring = size * radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    if draw(st.booleans()):
        ring = np.stack([ring, (ring + np.roll(ring, -1, axis=0)) / 2], axis=1).reshape(-1, 2)
    return ring


@settings(max_examples=150, deadline=None)
@given(rings(), st.lists(st.sampled_from([0.0, 1.0, 6.0, 10.0, 25.0]), min_size=1, max_size=5))
def test_any_outline_grows_to_one_that_holds_it_and_never_crosses(ring, widths):
    if not Polygon(ring).is_valid or signed_area(ring) <= 0:
        return
    ask = even(ring, *widths)
    grown = grow(ring, ask)
    assert grown.is_valid
    assert grown.geom_type == "Polygon"
    assert Polygon(ring).difference(grown.buffer(1e-9)).area < 1e-6
    # Nowhere farther out than a corner trimmed square across: hypot(TRIM, 1) widths.
    assert Polygon(ring).buffer(np.hypot(TRIM, 1) * 1.01 * ask.max() + 1e-6).covers(grown)


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.floats(-0.25, 0.25), min_size=4, max_size=4),
    st.lists(st.sampled_from([4.0, 6.0, 10.0, 15.0]), min_size=4, max_size=4),
)
def test_away_from_corners_the_width_is_what_was_asked(wave, widths):
    # A blob whose radius varies gently, in four runs of unequal allowance.
    angle = 2 * np.pi * np.arange(240) / 240
    radius = 120 * (1 + sum(a * np.sin((k + 1) * angle) / (k + 1) for k, a in enumerate(wave)))
    ring = radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    ask = np.repeat(np.array(widths), 60)
    grown = grow(ring, np.stack([ask, ask], axis=1))
    middle = 0.5 * (ring + np.roll(ring, -1, axis=0))
    corners = ring[::60]
    away = np.linalg.norm(middle[:, None] - corners[None], axis=2).min(axis=1) > 2 * max(widths)
    # Where the outline is hollow with a radius under the width, no cut line can keep it.
    d = np.diff(np.vstack([ring[-1:], ring]), axis=0)
    e = np.roll(d, -1, axis=0)
    turn = np.arctan2(d[:, 0] * e[:, 1] - d[:, 1] * e[:, 0], (d * e).sum(axis=1))
    room = np.linalg.norm(d, axis=1) / np.maximum(-turn, 1e-9)
    tight = ring[room < 2 * max(widths)]
    if len(tight):
        away &= np.linalg.norm(middle[:, None] - tight[None], axis=2).min(axis=1) > 40
    distance = shapely.distance(shapely.points(middle[away]), grown.exterior)
    assert np.abs(distance - ask[away]).max(initial=0.0) < 0.1
