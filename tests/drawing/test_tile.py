"""Pages: counts by hand, overlap, nothing lost, nothing empty."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Polygon, box
from shapely.ops import unary_union

from flatten.drawing.tile import LONGEST_MM, tile
from flatten.errors import BadInput
from flatten.records.drawing import Circle, Drawing, Polyline


def drawing(*ink):
    return Drawing(title="t", width_mm=1000, height_mm=500, blocks=(), inserts=(), ink=ink)


def rectangle(width, height, layer="CUT", at=(0.0, 0.0)):
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=float)
    return Polyline(layer=layer, points=corners + at, closed=True)


def test_800_by_600_on_a4_takes_the_12_pages_of_lying_paper():
    """By hand: 190 x 277 printed, 180 and 267 further a page: 5 x 3 upright, 3 x 4 lying."""
    found = tile(drawing(rectangle(800, 600)), "A4", margin_mm=10, overlap_mm=10)
    assert (found.columns, found.rows, len(found.tiles)) == (3, 4, 12)
    assert found.page_mm == (297, 210)
    assert [t.name for t in found.tiles[:4]] == ["A1", "B1", "C1", "A2"]


@pytest.mark.parametrize(
    ("paper", "size", "pages"),
    [
        ("A4", (190, 277), 1),
        ("A4", (277, 190), 1),
        ("A4", (190.1, 277.1), 2),
        ("A3", (400, 277), 1),
        ("Letter", (195.9, 259.4), 1),
        ("610", (590, 3000), 1),
        ("841", (3000, 821), 1),
        ("914", (894, 894), 1),
        ("610", (590, LONGEST_MM - 20), 1),
        ("610", (590, LONGEST_MM), 2),
    ],
)
def test_page_counts(paper, size, pages):
    assert len(tile(drawing(rectangle(*size)), paper).tiles) == pages


def test_the_stock_edge_and_the_check_square_need_no_pages():
    found = tile(drawing(rectangle(100, 100), rectangle(3000, 2000, "STOCK")))
    assert len(found.tiles) == 1


def test_pages_inside_a_large_piece_are_kept_and_pages_beside_it_are_not():
    ring = rectangle(1200, 1200)
    assert len(tile(drawing(ring)).tiles) == tile(drawing(ring)).rows * tile(drawing(ring)).columns
    ell = np.array([[0, 0], [1200, 0], [1200, 100], [100, 100], [100, 1200], [0, 1200]], float)
    found = tile(drawing(Polyline(layer="CUT", points=ell, closed=True)))
    assert len(found.tiles) < found.rows * found.columns / 2


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-900, 900), st.floats(-900, 900)), min_size=2, max_size=6),
    st.sampled_from(["A4", "A3", "Letter", "610"]),
    st.sampled_from([(10.0, 10.0), (5.0, 20.0), (12.0, 0.0)]),
)
def test_every_stroke_is_on_the_pages_and_no_page_is_empty(points, paper, edges):
    margin, overlap = edges
    line = Polyline(layer="NET", points=np.array(points))
    dot = Circle(layer="HOLE", centre=(0.0, 0.0), radius=3.0)
    found = tile(drawing(line, dot), paper, margin_mm=margin, overlap_mm=overlap)
    windows = [box(*t.low, *t.high) for t in found.tiles]
    shapes = [LineString(points), LineString([(-3, 0), (3, 0)])]
    together = unary_union(windows).buffer(1e-3)
    assert all(together.covers(s) for s in shapes)
    assert all(any(w.intersects(s) for s in shapes) for w in windows)
    for window in windows:
        low_x, low_y, high_x, high_y = window.bounds
        assert high_x - low_x == pytest.approx(found.page_mm[0] - 2 * margin)
        assert high_y - low_y == pytest.approx(found.page_mm[1] - 2 * margin)


def test_neighbours_overlap_by_what_was_asked():
    found = tile(drawing(rectangle(800, 600)), overlap_mm=15)
    by_place = {(t.row, t.column): t for t in found.tiles}
    a, b, c = by_place[0, 0], by_place[0, 1], by_place[1, 0]
    assert a.high[0] - b.low[0] == pytest.approx(15)
    assert c.high[1] - a.low[1] == pytest.approx(15)
    spare = Polygon(box(*by_place[found.rows - 1, 0].low, *by_place[0, found.columns - 1].high))
    low_x, low_y, high_x, high_y = spare.bounds
    # What is to spare is shared out on both sides.
    assert low_x + high_x == pytest.approx(800)
    assert low_y + high_y == pytest.approx(600)


def test_a_sheet_with_nothing_on_it_has_no_pages():
    assert tile(drawing(rectangle(500, 500, "STOCK"))).tiles == ()


@pytest.mark.parametrize(
    ("paper", "edges", "said"),
    [("B5", (10, 10), "unknown paper 'B5'; use one of A4"), ("A4", (100, 10), "no room"),
     ("A4", (10, 100), "no room"), ("A4", (-1, 10), "no room")],
)  # fmt: skip
def test_impossible_pages_are_refused(paper, edges, said):
    with pytest.raises(BadInput, match=said):
        tile(drawing(rectangle(10, 10)), paper, margin_mm=edges[0], overlap_mm=edges[1])
