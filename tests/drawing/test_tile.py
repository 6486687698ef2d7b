"""Pages: counts by hand, overlap, nothing lost, nothing empty, nothing on anything else."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import rotate, translate
from shapely.geometry import Polygon, box
from shapely.ops import unary_union

from flatten.drawing.paper import paper_tiling
from flatten.drawing.tile import LONGEST_MM
from flatten.errors import BadInput
from flatten.records.drawing import Block, Polyline, Text


def piece(ring, *more, name="P"):
    line = Polyline(layer="CUT", points=np.array(ring, dtype=float), closed=True)
    return Block(name=name, ink=(line, *more))


def rectangle(width, height, name="P"):
    return piece([[0, 0], [width, 0], [width, height], [0, height]], name=name)


def lying(tiling):
    """The outline of every piece where it lies, turned and moved by hand."""
    rings = {b.name: Polygon(b.ink[0].points) for b in tiling.drawing.blocks}
    return [
        translate(rotate(rings[i.block], i.angle_deg, origin=(0, 0)), *i.at)
        for i in tiling.drawing.inserts
    ]


def test_800_by_600_on_a4_takes_the_12_pages_of_lying_paper():
    """By hand: 190 x 277 printed, 180 and 267 further a page: 5 x 3 upright, 3 x 4 lying."""
    found = paper_tiling((rectangle(800, 600),), "t", "A4", margin_mm=10, overlap_mm=10)
    assert (found.columns, found.rows, len(found.tiles)) in ((3, 4, 12), (4, 3, 12))
    assert found.page_mm == ((297, 210) if found.columns == 3 else (210, 297))
    names = [t.name for t in found.tiles]
    assert names[:3] == ["A1", "B1", "C1"]
    assert len(set(names)) == 12


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
        ("610", (700, 900), 2),
    ],
)
def test_page_counts(paper, size, pages):
    assert len(paper_tiling((rectangle(*size),), "t", paper).tiles) == pages


def test_small_pieces_share_a_page_and_two_halves_of_one_are_not_parted():
    four = tuple(rectangle(90, 130, name=f"P{i}") for i in range(4))
    assert len(paper_tiling(four, "t", "A4").tiles) == 1
    five = (*four, rectangle(90, 130, name="P4"))
    assert len(paper_tiling(five, "t", "A4").tiles) == 2


def test_a_piece_that_the_page_before_shows_whole_asks_for_no_other_page():
    found = paper_tiling((rectangle(188, 270), rectangle(20, 270, name="Q")), "t", "A4")
    assert len(found.tiles) == 2
    for outline in lying(found):
        assert any(box(*t.low, *t.high).covers(outline) for t in found.tiles)


def test_pages_inside_a_large_piece_are_kept_and_pages_beside_it_are_not():
    found = paper_tiling((rectangle(1200, 1200),), "t")
    assert len(found.tiles) == found.rows * found.columns
    ell = [[0, 0], [1200, 0], [1200, 100], [100, 100], [100, 1200], [0, 1200]]
    found = paper_tiling((piece(ell),), "t")
    assert len(found.tiles) < found.rows * found.columns / 2


def test_a_label_that_stands_beside_its_piece_is_on_the_paper_too():
    block = piece([[0, 0], [10, 0], [0, 10]], Text(text="left front", at=(13.0, 5.0), height=3.0))
    found = paper_tiling((block, rectangle(100, 100, name="Q")), "t")
    (tile,) = found.tiles
    at = np.array(found.drawing.inserts[0].at)
    assert found.drawing.inserts[0].angle_deg == 0.0
    words = box(at[0] + 13, at[1] + 4, at[0] + 40, at[1] + 9)
    assert box(*tile.low, *tile.high).covers(words)
    assert lying(found)[1].disjoint(words)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(20, 700), st.floats(20, 700), st.floats(0.05, 1)),
        min_size=1,
        max_size=7,
    ),
    st.sampled_from(["A4", "A3", "Letter", "610"]),
    st.sampled_from([(10.0, 10.0), (5.0, 20.0), (12.0, 0.0)]),
)
def test_every_piece_is_on_the_pages_clear_of_the_others(sizes, paper, edges):
    margin, overlap = edges
    blocks = tuple(
        piece([[0, 0], [w, 0], [w * lean, h]], name=f"P{i}") for i, (w, h, lean) in enumerate(sizes)
    )
    found = paper_tiling(blocks, "t", paper, margin_mm=margin, overlap_mm=overlap)
    outlines = lying(found)
    windows = [box(*t.low, *t.high) for t in found.tiles]
    together = unary_union(windows).buffer(1e-3)
    assert all(together.covers(outline) for outline in outlines)
    assert all(any(w.intersects(outline) for outline in outlines) for w in windows)
    for i, outline in enumerate(outlines):
        assert all(outline.distance(other) > 1.0 for other in outlines[:i])
    for window in windows:
        low_x, low_y, high_x, high_y = window.bounds
        assert high_x - low_x == pytest.approx(found.page_mm[0] - 2 * margin)
        assert high_y - low_y == pytest.approx(found.page_mm[1] - 2 * margin)


def test_neighbours_overlap_by_what_was_asked():
    found = paper_tiling((rectangle(800, 600),), "t", overlap_mm=15)
    by_place = {(t.row, t.column): t for t in found.tiles}
    a, b, c = by_place[0, 0], by_place[0, 1], by_place[1, 0]
    assert a.high[0] - b.low[0] == pytest.approx(15)
    assert c.high[1] - a.low[1] == pytest.approx(15)


@pytest.mark.parametrize(
    ("paper", "edges", "said"),
    [("B5", (10, 10), "unknown paper 'B5'; use one of A4"), ("A4", (100, 10), "no room"),
     ("A4", (10, 100), "no room"), ("A4", (-1, 10), "no room")],
)  # fmt: skip
def test_impossible_pages_are_refused(paper, edges, said):
    with pytest.raises(BadInput, match=said):
        paper_tiling((rectangle(10, 10),), "t", paper, margin_mm=edges[0], overlap_mm=edges[1])
