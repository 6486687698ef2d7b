"""Laced openings and riveted seams: hole over hole, facings behind, and how near an edge they lie.

Common practice: eyelets 11 mm in (15 in foam), rivets 10 (20 in foam), facings 25 to 30 mm wide.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon

from flatten.records.drawing import Circle
from flatten.records.making import StitchChoice
from flatten.template.build import build_templates
from flatten.template.spec import TemplateSpec


def circles(template) -> np.ndarray:
    return np.array([k.centre for k in template.ink if isinstance(k, Circle)]).reshape(-1, 2)


def bent_gap(forms, family, radius, length, fixing="lace", joint="gap"):
    """Two panels 130 mm wide that face each other along an arc, hollow on one and round on other."""
    half = 0.5 * length / radius
    turn = np.linspace(-half, half, max(int(length / 5.0), 4) + 1)
    arc = radius * np.column_stack([np.cos(turn) - 1.0, np.sin(turn)])
    low, high = arc[0, 1], arc[-1, 1]
    inner = np.vstack([[[-130.0, high], [-130.0, low]], arc])
    outer = np.vstack([[[130.0, low], [130.0, high]], arc[::-1]])
    names = ["x", "lower", "seam", "upper"]
    n = len(inner) - 1
    left = forms.flat_panel(inner, [0, 1, 2, n], name="left", names=names)
    right = forms.flat_panel(outer, [0, 1, 2, n], name="right", names=names)
    seam = {"a": (0, 2), "b": (1, 2), "name": "centre back", "joint": joint, "fixing": fixing}
    return forms.join([left, right], [seam], forms.material(family, t=2.0, lap=25.0))


@settings(max_examples=50, deadline=None)
@given(
    family=st.sampled_from(["cloth", "leather", "foam"]),
    radius=st.floats(150.0, 3000.0),
    length=st.floats(60.0, 360.0),
    pitch=st.one_of(st.none(), st.floats(12.0, 40.0)),
    rows=st.sampled_from([1, 2]),
    facing=st.floats(25.0, 60.0),
)
def test_rows_of_a_laced_opening_face_each_other_and_their_facings(
    forms, family, radius, length, pitch, rows, facing
):
    """Crossed laces pull straight: hole i of one edge is level with hole i of the other."""
    choice = StitchChoice(pitch_mm=pitch, rows=rows)
    spec = TemplateSpec(stitch={"centre back": choice}, facing_mm=facing)
    flat_set = bent_gap(forms, family, radius, length)
    templates = build_templates(flat_set, forms.ply(), spec).templates
    panels = [t for t in templates if "facing" not in t.name]
    at = []
    for template in panels:
        edge = next(e for e in template.net if e.seam == 0)
        line = LineString(edge.points)
        places = np.array([line.project(Point(p)) for p in circles(template)])
        off = np.array([line.distance(Point(p)) for p in circles(template)])
        # By row, nearest the edge first, each in the seam's direction.
        first = off < off.min() + 1.0 if len(off) else np.empty(0, dtype=bool)
        places = places if edge.side == 0 else line.length - places
        at.append([np.sort(places[first]), np.sort(places[~first])])
        assert edge.holes == len(off)
        assert off.min() == pytest.approx(15.0 if family == "foam" else 11.0, abs=0.05)
    # The way in is square to a chord, which leans from the arc by up to half a degree on each side.
    deep = (15.0 if family == "foam" else 11.0) + np.array([0.0, 22.0 if pitch is None else pitch])
    for (one, other), within in zip(zip(*at, strict=True), 0.02 * deep, strict=True):
        assert len(one) == len(other)
        assert one == pytest.approx(other, abs=within)
    facings = [t for t in templates if "facing" in t.name]
    assert len(facings) == (0 if family == "foam" else 2)
    for panel, strip in zip(panels, facings, strict=False):
        # It lies face down: its mirror image lies on the panel, edge on edge and hole on hole.
        net = Polygon(np.vstack([e.points[:-1] for e in strip.net]) * [-1, 1])
        edge = next(LineString(e.points) for e in panel.net if e.seam == 0)
        assert net.exterior.distance(edge) < 1e-6
        assert Polygon(np.vstack([e.points[:-1] for e in panel.net])).buffer(1e-6).covers(net)
        assert net.area == pytest.approx(facing * edge.length, rel=facing / radius + 0.02)
        far = max(edge.distance(Point(p)) for p in net.exterior.coords)
        assert far == pytest.approx(facing, abs=0.05)
        inside = [p for p in circles(panel) if net.contains(Point(p).buffer(3.5))]
        mine = circles(strip) * [-1, 1]
        assert len(mine) == len(inside)
        for p in inside:
            assert np.linalg.norm(mine - p, axis=1).min() < 1e-9


@settings(max_examples=50, deadline=None)
@given(
    family=st.sampled_from(["leather", "foam"]),
    kind=st.sampled_from([("gap", "lace"), ("butt", "rivet"), ("lap", "rivet")]),
    inside=st.one_of(st.none(), st.floats(5.0, 30.0)),
    lap=st.floats(8.0, 70.0),
)
def test_eyelets_and_rivets_too_near_an_edge_are_said(forms, family, kind, inside, lap):
    joint, fixing = kind
    front = forms.rectangle(180, 240, name="front")
    back = forms.rectangle(120, 240, name="back")
    seam = {"a": (0, 1), "b": (1, 3), "name": "side", "joint": joint, "fixing": fixing}
    flat_set = forms.join([front, back], [seam], forms.material(family, t=2.0, lap=lap))
    spec = TemplateSpec(stitch={"side": StitchChoice(inside_mm=inside)})
    templates = build_templates(flat_set, forms.ply(), spec).templates[:2]
    usual = {("leather", "lace"): 11, ("foam", "lace"): 15, ("leather", "rivet"): 10}
    wanted = usual.get((family, fixing), 20)
    # Of the rows' middles, clear of the rims at their ends.
    away = min(
        Polygon(t.cut).exterior.distance(Point(p))
        for t in templates
        for p in circles(t)
        if 40.0 < p[1] < 200.0
    )
    for template in templates:
        near = [n for n in template.notes if "mm from an edge" in n and "'side'" in n]
        moved = [n for n in template.notes if "in its middle" in n and "'side'" in n]
        if away < wanted - 0.06:
            assert len(near) + len(moved) == 1  # a row moved within its lap is said as such
        elif away > wanted - 0.04:
            assert near == []
        for note in near:
            assert f"lie {away:.1f} mm from an edge; {wanted} mm is usual" in note
