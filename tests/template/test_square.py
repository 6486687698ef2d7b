"""Slits stand square to the edge they are cut into, however few chords a bend is drawn with.

Common practice: a snip is cut square to the edge.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon

from flatten.template.build import build_templates
from flatten.template.spec import TemplateSpec
from flatten.template.square import across


def degrees_apart(a: np.ndarray, b: np.ndarray) -> float:
    cos = float(a @ b / np.linalg.norm(a) / np.linalg.norm(b))
    return float(np.degrees(np.arccos(np.clip(cos, -1.0, 1.0))))


@settings(max_examples=200, deadline=None)
@given(
    radius=st.floats(12.0, 400.0),
    step=st.floats(1.0, 8.0),
    at=st.floats(0.0, 1.0),
    hollow=st.booleans(),
)
def test_on_an_arc_of_few_chords_the_way_out_is_the_radius(radius, step, at, hollow):
    if step / radius > np.radians(34.0):  # sharper turns are corners
        return
    turn = np.linspace(0.0, 1.5 * np.pi, round(1.5 * np.pi * radius / step) + 1)
    arc = radius * np.column_stack([np.cos(turn), np.sin(turn)])
    arc = arc[::-1] if hollow else arc
    length = float(np.linalg.norm(np.diff(arc, axis=0), axis=1).sum())
    place, normal = across(arc, 8.0 + at * (length - 16.0))
    assert degrees_apart(normal, -place if hollow else place) < 4.0


@settings(max_examples=200, deadline=None)
@given(
    bend=st.floats(6.0, 120.0),
    step=st.floats(1.0, 10.0),
    away=st.floats(-25.0, 25.0),
    left=st.booleans(),
)
def test_beside_a_bend_it_is_square_to_its_own_run_and_on_it_half_way(bend, step, away, left):
    angle = np.radians(bend) * (1 if left else -1)
    run = np.linspace(0.0, 40.0, round(40.0 / step) + 1)[:, None]
    first, second = np.array([1.0, 0.0]), np.array([np.cos(angle), np.sin(angle)])
    points = np.vstack([run * first, 40.0 * first + run[1:] * second])
    ways = (np.array([0.0, -1.0]), np.array([np.sin(angle), -np.cos(angle)]))
    if abs(away) > 0.1:
        assert degrees_apart(across(points, 40.0 + away)[1], ways[away > 0]) < 0.1
    assert degrees_apart(across(points, 40.0)[1], ways[0] + ways[1]) < 0.1


@settings(max_examples=100, deadline=None)
@given(
    rags=st.lists(st.floats(-0.3, 0.3), min_size=41, max_size=41),
    at=st.floats(20.0, 100.0),
)
def test_the_rags_of_an_edge_do_not_turn_it(rags, at):
    """0.3 mm to either side at points 3 mm apart: chords stand up to 11 degrees off."""
    points = np.column_stack([np.arange(41) * 3.0, rags])
    assert degrees_apart(across(points, at)[1], np.array([0.0, -1.0])) < 4.0


@pytest.mark.parametrize("hollow", [True, False])
@pytest.mark.parametrize("radius", [15.0, 25.0, 60.0])
@pytest.mark.parametrize("step", [3.0, 6.0, 8.0])
def test_slits_and_notches_of_a_turned_edge_stand_along_its_radius(forms, hollow, radius, step):
    """A half round of 3 to 8 mm chords: by a chord's own normal they stood up to 17 degrees off."""
    turn = np.linspace(0.0, np.pi, round(np.pi * radius / step) + 1)
    up = -1.0 if hollow else 1.0
    arc = np.array([150.0, 130.0]) + radius * np.column_stack([np.cos(turn), up * np.sin(turn)])
    ring = np.vstack([[[0, 0], [300, 0], [300, 130]], arc, [[0, 130]]])
    last = 3 + len(arc) - 1
    panel = forms.flat_panel(ring, [0, 1, 2, 3, last, last + 1], name="yoke")
    flat_set = forms.join([panel], [], forms.material("leather", t=1.0))
    spec = TemplateSpec(beneath_mm=4.0)
    (template,) = build_templates(flat_set, forms.ply(over="base"), spec).templates
    cut, edge = Polygon(template.cut).exterior, LineString(template.net[3].points)
    width = template.net[3].allowance_mm
    slits = [k.points for k in template.ink if k.layer == "SNIP"]
    assert len(slits) >= 3
    for slit in slits:
        out = np.mean(slit[[0, -1]], axis=0) if len(slit) == 3 else slit[0]
        radial = (slit[1] - [150.0, 130.0]) * up
        assert degrees_apart(out - slit[1], radial) < 3.0
        for end in (slit[0], slit[-1]) if len(slit) == 3 else (slit[0],):
            # To the cut line, or as deep as the allowance where it runs into another.
            deep = edge.distance(Point(end)) > 0.97 * width
            assert cut.distance(Point(end)) < 1e-6 or (hollow and radius < width) or deep
