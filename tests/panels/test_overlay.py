"""Overlays: cut whole over seams or at them, grown to the outside of their base, corners kept."""

import re
from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import Polygon

from flatten.geometry.topology import border_loops
from flatten.geometry.triangles import face_areas
from flatten.lines.network import join_lines
from flatten.panels.beneath import Layer, thickness_at
from flatten.panels.cut import cut_panels
from flatten.panels.offset import offset_panels
from flatten.panels.overlay import add_overlays, cut_overlay, overlay_names, past_garment
from flatten.records.lines import Line

RADIUS = 48 * 5.0 / (2 * np.pi)
BOX = [(-3.4, 8.3), (4.6, 8.3), (4.6, 19.7), (-3.4, 19.7), (-3.4, 8.3)]


def unrolled(panel, radius):
    """The border laid flat: a cylinder is developable (angle times radius, height)."""
    loop = np.concatenate([run.vertices[:-1] for run in panel.border])
    P = panel.V[loop]
    return np.column_stack([np.arctan2(P[:, 0], P[:, 2]) * radius, P[:, 1]])


def radial(panel_set):
    """The set with exact normals, so that its offset is exact."""
    N = panel_set.cut_V * [1.0, 0.0, 1.0]
    N = N / np.linalg.norm(N, axis=1, keepdims=True)
    panels = tuple(replace(p, N=N[p.cast_vertex]) for p in panel_set.panels)
    return replace(panel_set, cut_N=N, panels=panels)


@pytest.fixture(scope="module")
def whole(tube):
    return cut_overlay(tube().draw("crest", BOX, kind="detail").network(), "crest")


def test_a_closed_detail_is_cut_whole_with_its_corners(whole):
    (crest,) = whole.panels
    assert (crest.name, crest.detail, whole.seams) == ("crest", "crest", ())
    assert len(border_loops(crest.F)) == 1
    flat = Polygon(unrolled(crest, RADIUS))
    # 8 cells by 11.4, each 5 mm: the box as it was drawn, counterclockwise from outside.
    assert flat.exterior.is_ccw
    assert flat.symmetric_difference(Polygon(5.0 * np.array(BOX))).area < 0.01 * flat.area
    assert len(crest.border) == 4
    starts = np.array([crest.V[run.vertices[0]] for run in crest.border])
    drawn = 5.0 * np.array(BOX[:4])
    at = np.column_stack([np.arctan2(starts[:, 0], starts[:, 2]) * RADIUS, starts[:, 1]])
    for corner in drawn:
        assert np.linalg.norm(at - corner, axis=1).min() < 0.05
    for run in crest.border:
        assert (run.seam, run.name) == (-1, "crest")


def test_an_overlay_lies_outside_its_base_and_grows_with_it(tube, whole):
    """On a cylinder a box of width w lies w (R + d) / R wide at a distance d; its height stays."""
    base = cut_panels(tube().draw("back", [(24, 0), (24, 30)]).network())
    both = radial(add_overlays(base, [whole]))
    first = len(base.cut_V)
    beneath = np.zeros(len(both.cut_V))
    beneath[first:] = thickness_at(
        both.cut_V[first:], [Layer(thickness_mm=5.0, panels=base.panels)]
    )
    assert np.allclose(beneath[first:], 5.0, atol=0.05)
    moved = offset_panels(both, beneath + 0.5 * 2.0)
    assert moved.offset_mm == pytest.approx(1.0)
    body, crest = moved.panels
    assert (body.detail, crest.detail) == ("", "crest")
    assert np.allclose(np.linalg.norm(body.V[:, [0, 2]], axis=1).max(), RADIUS + 1.0, atol=1e-6)
    flat = Polygon(unrolled(crest, RADIUS + 6.0))
    width, height = 8 * 5.0 * (RADIUS + 6.0) / RADIUS, 11.4 * 5.0
    assert flat.area == pytest.approx(width * height, rel=2e-3)
    assert flat.length == pytest.approx(2 * (width + height), rel=2e-3)


def test_cut_at_a_seam_its_parts_share_their_edges(tube):
    shape = tube().draw("crest", BOX).draw("middle", [(0.3, 0), (0.3, 30)])
    shape.draw("far", [(20, 0), (20, 30)])
    made = cut_overlay(shape.network(), "crest", ("*",))
    assert [p.name for p in made.panels] == ["crest left", "crest right"]
    assert {p.detail for p in made.panels} == {"crest"}
    (seam,) = made.seams
    assert (seam.line, seam.name) == ("middle", "crest, middle 2")
    a, b = (made.panels[s.panel].V[s.vertices] for s in seam.sides)
    assert np.array_equal(a, b)
    assert np.linalg.norm(np.diff(a, axis=0), axis=1).sum() == pytest.approx(11.4 * 5.0, rel=1e-3)
    areas = [face_areas(p.V, p.F).sum() for p in made.panels]
    # The seam stands 0.3 cells to the wearer's left of the middle.
    assert areas == pytest.approx([4.3 * 5 * 11.4 * 5, 3.7 * 5 * 11.4 * 5], rel=0.01)
    for k, panel in enumerate(made.panels):
        runs = [run for run in panel.border if run.seam >= 0]
        assert [made.seams[r.seam].sides[r.side].panel for r in runs] == [k]


def test_what_encloses_no_patch_is_said(tube):
    ring = [(0, 12), (16, 12.4), (32, 12.2), (48, 12)]
    network = tube().draw("band", ring, kind="detail").network()
    assert overlay_names(network, ("b*",)).closed == ("band",)
    assert "goes round an opening" in cut_overlay(network, "band")
    open_line = tube().draw("wave", [(2, 3), (5, 9)], kind="detail").network()
    names = overlay_names(open_line, ("wave",))
    assert names.closed == ()
    assert "is open" in names.said[0]


def test_a_cover_comes_down_beside_its_base_within_the_thickness(tube):
    """Where the base is: its thickness; beside it, 45 degrees down; farther on: nothing."""
    network = tube().draw("a", [(12, 0), (12, 30)]).draw("b", [(36, 0), (36, 30)]).network()
    panel_set = cut_panels(network)
    one = tuple(p for p in panel_set.panels if p.V[:, 2].mean() > 0.0)  # from -90 to 90 degrees
    away = np.array([-10.0, 2.0, 4.0, 6.0])  # mm beyond the edge along the surface
    at = np.pi / 2 + away / RADIUS
    places = np.column_stack([RADIUS * np.sin(at), np.full(4, 70.0), RADIUS * np.cos(at)])
    found = thickness_at(places, [Layer(thickness_mm=5.0, panels=one), Layer(thickness_mm=1.0)])
    assert found == pytest.approx([6.0, 4.0, 2.0, 1.0], abs=0.15)


def on_tube(at):
    """Points in space of points (k, 2) in cells round and up the tube."""
    at = np.asarray(at, dtype=float)
    turn = at[:, 0] * 5.0 / RADIUS
    return np.column_stack([RADIUS * np.sin(turn), 5.0 * at[:, 1], RADIUS * np.cos(turn)])


@pytest.mark.parametrize("height", [16.0, 18.0, 21.0])
def test_an_overlay_that_reaches_past_a_trim_line_says_how_far(tube, whole, height):
    """The box ends at 19.7 rows of 5 mm and is 8 columns wide: past the trim, 8 by the rest."""
    ring = [(k, height) for k in range(0, 49, 6)]
    shape = tube().draw("cut off", ring, kind="trim").draw("back", [(24, 0), (24, 30)])
    said = past_garment(whole, cut_panels(shape.network()).panels)
    past = (19.7 - height) * 5.0
    if past < 0.0:
        assert said == []
        return
    (note,) = said
    reach, area, of = re.search(
        r"overlay 'crest' reaches up to (\d+) mm past .* ([\d.]+) cm² of its ([\d.]+) cm²", note
    ).groups()
    assert float(reach) == pytest.approx(past, abs=1.0)
    assert float(area) == pytest.approx(past * 40.0 / 100, abs=0.3)
    assert float(of) == pytest.approx(11.4 * 5 * 40.0 / 100, rel=0.01)
    near = np.array(re.search(r"near \((.*?)\)", note).group(1).split(","), dtype=float)
    assert near[1] == pytest.approx(19.7 * 5.0, abs=0.1)


@pytest.mark.parametrize("patterns", [("crest",), ("*",)])
def test_an_overlay_over_the_rim_is_none_and_says_where_it_is_open(tube, patterns):
    """A box 40 mm wide that sticks out 10 mm over the upper rim at 150 mm."""
    u = np.linspace(0.0, 1.0, 21)[:-1]
    low, high = (-3.4, 24.0), (4.6, 32.0)
    box = np.concatenate([
        np.column_stack([low[0] + 8 * u, np.full(20, low[1])]),
        np.column_stack([np.full(20, high[0]), low[1] + 8 * u]),
        np.column_stack([high[0] - 8 * u, np.full(20, high[1])]),
        np.column_stack([np.full(20, low[0]), high[1] - 8 * u]),
    ])  # fmt: skip
    crest = Line(name="crest", kind="detail", points=on_tube(box), closed=True)
    asked = overlay_names(join_lines(tube().cast(), (crest,)), patterns)
    assert asked.closed == ()
    (note,) = asked.said
    assert "'crest' runs over the rim 'upper'" in note
    missing = float(re.search(r"where (\d+) mm of its outline are missing", note).group(1))
    assert missing == pytest.approx(2 * RADIUS * np.sin(20.0 / RADIUS), abs=1.5)  # the chord
    near = np.array(re.search(r"near \((.*?)\)", note).group(1).split(","), dtype=float)
    assert near[1] == pytest.approx(150.0, abs=0.5)
    assert "draw it within the rim" in note
