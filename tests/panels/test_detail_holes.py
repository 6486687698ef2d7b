"""Holes round a detail: even, at their distance inside, the same places above and beneath."""

import numpy as np
import pytest
from shapely.geometry import LinearRing, Point, Polygon

from flatten.panels.cut import cut_panels
from flatten.panels.detail_holes import hole_places, with_holes
from flatten.panels.overlay import cut_overlay

RADIUS = 48 * 5.0 / (2 * np.pi)
BOX = [(-3.4, 8.3), (4.6, 8.3), (4.6, 19.7), (-3.4, 19.7), (-3.4, 8.3)]


def unrolled(points):
    return np.column_stack([np.arctan2(points[:, 0], points[:, 2]) * RADIUS, points[:, 1]])


@pytest.mark.parametrize("drawn", [BOX, BOX[::-1]], ids=["left round", "right round"])
def test_a_box_of_40_by_57_at_a_pitch_of_5_inside_4(tube, drawn):
    """By hand: the row is 32 by 49 round, 6 and 10 stitches a side, a hole on every corner."""
    network = tube().draw("crest", drawn, kind="detail").network()
    places = unrolled(hole_places(network, "crest", 5.0, 4.0))
    assert len(places) == 2 * (6 + 10)
    outline = Polygon(5.0 * np.array(BOX))
    away = np.array([outline.exterior.distance(Point(p)) for p in places])
    assert away == pytest.approx(np.full(len(places), 4.0), abs=0.1)
    assert all(outline.contains(Point(p)) for p in places)
    row = LinearRing(places)
    assert row.length == pytest.approx(2 * (32 + 49), abs=0.6)
    steps = np.linalg.norm(np.roll(places, -1, axis=0) - places, axis=1)
    assert sorted(np.round(steps, 1)) == pytest.approx([4.9] * 20 + [5.3] * 12, abs=0.11)


def test_an_overlay_and_the_panels_beneath_have_hole_over_hole(tube):
    shape = tube().draw("crest", BOX, kind="detail")
    network = shape.network()
    places = hole_places(network, "crest", 5.0, 4.0)
    crest = with_holes(cut_overlay(network, "crest"), "crest", places, 1.0, lambda p: True)
    base = tube().draw("front", [(0.3, 0), (0.3, 30)]).draw("back", [(24, 0), (24, 30)])
    under = with_holes(cut_panels(base.network()), "crest", places, 1.0, lambda p: True)

    def at(panel_set):
        return np.concatenate([
            np.einsum("kc,kcx->kx", row.bary, panel.V[panel.F[row.face]])
            for panel in panel_set.panels for row in panel.holes
        ])  # fmt: skip

    assert [len(p.holes) for p in crest.panels] == [1]
    assert all(len(p.holes) == 1 for p in under.panels)
    assert len(under.panels) == 2
    above, beneath = at(crest), at(under)
    assert len(above) == len(beneath) == len(places)
    gaps = np.linalg.norm(above[:, None] - beneath[None], axis=2)
    assert sorted(gaps.argmin(axis=1)) == list(range(len(places)))
    assert gaps.min(axis=1).max() < 0.1  # a facet of 5 mm lies 0.08 mm under the round
