"""Columns and slides against shapely, boxes against a known packing, the exact check against faults."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plans import blob
from shapely.affinity import translate
from shapely.geometry import Polygon, box

from flatten.nest.columns import columns_of, slide
from flatten.nest.pieces import rings_of
from flatten.nest.verify import at_fault


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), step=st.floats(0.7, 30.0))
def test_columns_cover_exactly_what_the_shape_covers(seed, step):
    shape = Polygon(blob(seed)).difference(Polygon(0.4 * blob(seed)))
    x0 = shape.bounds[0]
    count = int(np.ceil((shape.bounds[2] - x0) / step))
    offsets, spans = columns_of(*rings_of(shape), x0, count, step)
    for k in range(count):
        strip = shape.intersection(box(x0 + k * step, -1e4, x0 + (k + 1) * step, 1e4))
        # The shadow of the strip on the y axis, part by part.
        parts = getattr(strip, "geoms", [strip])
        shadow = [(p.bounds[1], p.bounds[3]) for p in parts if not p.is_empty]
        found = spans[offsets[k] : offsets[k + 1]]
        for low, high in shadow:
            assert any(a <= low + 1e-6 and high <= b + 1e-6 for a, b in found)
        for a, b in found:
            assert any(low - 1e-6 <= a <= high + 1e-6 for low, high in shadow)
            assert any(low - 1e-6 <= b <= high + 1e-6 for low, high in shadow)


@settings(max_examples=40, deadline=None)
@given(a=st.integers(0, 10_000), b=st.integers(0, 10_000), dy=st.floats(-150.0, 150.0))
def test_a_slide_ends_where_the_shapes_touch(a, b, dy):
    still, moving = Polygon(blob(a)), translate(Polygon(blob(b)), 500.0, dy)
    far = slide(*rings_of(moving), *rings_of(still), 0)
    if np.isinf(far):
        swept = box(-1e3, moving.bounds[1], 1e3, moving.bounds[3])
        assert not swept.buffer(-1e-9).intersects(still) or not moving.intersects(
            translate(still, 500.0, 0.0)
        )
        return
    assert translate(moving, -far, 0).distance(still) == pytest.approx(0.0, abs=1e-6)
    assert translate(moving, -far, 0).intersection(still).area < 1e-3
    for share in np.linspace(0.0, 0.99, 12):
        assert not translate(moving, -share * far, 0).intersects(still)


def test_slides_of_boxes_by_hand():
    a, b = box(10, 0, 20, 10), box(0, 5, 4, 30)
    assert slide(*rings_of(a), *rings_of(b), 0) == pytest.approx(6.0)
    assert np.isinf(slide(*rings_of(a), *rings_of(b), 1))
    c = box(12, -9, 15, -2)
    assert slide(*rings_of(a), *rings_of(c), 1) == pytest.approx(2.0)


def test_the_exact_check_names_the_later_piece_of_a_bad_pair_and_what_leaves():
    ground = box(0, 0, 100, 100)
    shapes = [box(0, 0, 40, 40), box(42, 0, 80, 40), box(41, 50, 101, 60), box(5, 5, 10, 10)]
    assert at_fault(shapes, ground, 2.0) == [2, 3]
    assert at_fault(shapes, ground, 2.1) == [1, 2, 3]
    assert at_fault(shapes[:1], ground, 2.0) == []
