"""Cutting: partner edges, disks, darts, trims; topology against Euler's formula and libigl."""

from dataclasses import replace
from fnmatch import fnmatchcase

import igl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flatten.errors import BadInput
from flatten.geometry.topology import border_loops
from flatten.geometry.triangles import corner_angles, face_areas
from flatten.panels.carve import carve, chosen_lines
from flatten.panels.cut import cut_panels
from flatten.records.lines import LineNetwork


def named(panel_set, name):
    return next(p for p in panel_set.panels if p.name == name)


def seam_named(panel_set, name):
    return next(s for s in panel_set.seams if s.name == name)


def side_points(panel_set, seam, k):
    side = seam.sides[k]
    return panel_set.panels[side.panel].V[side.vertices]


def length(P):
    return float(np.linalg.norm(np.diff(P, axis=0), axis=1).sum())


def assert_sound(panel_set):
    """Every panel a disk by libigl, its runs its whole border, partner edges one curve."""
    for panel in panel_set.panels:
        F = np.asarray(panel.F, dtype=np.int64)
        assert igl.is_edge_manifold(F)
        assert igl.euler_characteristic(F) == 1
        loop = igl.boundary_loop(F)
        walk = np.concatenate([run.vertices[:-1] for run in panel.border])
        start = np.flatnonzero(loop == walk[0])[0]
        assert np.array_equal(np.roll(loop, -start), walk)
        for run, after in zip(panel.border, panel.border[1:] + panel.border[:1], strict=True):
            assert run.vertices[-1] == after.vertices[0]
    for k, seam in enumerate(panel_set.seams):
        a, b = (panel_set.panels[s.panel].cast_vertex[s.vertices] for s in seam.sides)
        assert np.array_equal(a, b)
        assert np.array_equal(side_points(panel_set, seam, 0), side_points(panel_set, seam, 1))
        for number, side in enumerate(seam.sides):
            runs = [
                run.vertices
                for run in panel_set.panels[side.panel].border
                if run.seam == k and run.side == number
            ]
            forward = side.vertices if number == 0 else side.vertices[::-1]
            assert len(runs) == 1
            assert np.array_equal(runs[0], forward)


def test_a_tube_opened_by_one_seam_is_one_panel_with_a_seam_of_its_two_edges(tube):
    panel_set = cut_panels(tube(48, 30).draw("back", [(24.3, 0), (24.3, 30)]).network())
    assert_sound(panel_set)
    (panel,), (seam,) = panel_set.panels, panel_set.seams
    assert not seam.dart
    assert [run.name for run in panel.border].count("back") == 2
    assert {run.name for run in panel.border} == {"back", "lower", "upper"}
    # A ruling of the cylinder: as long as the cylinder is high.
    assert length(side_points(panel_set, seam, 0)) == pytest.approx(150.0, abs=1e-6)
    # The prism's own area: 2 n r sin(pi / n) h for n = 48 columns (elementary geometry).
    radius = 48 * 5 / (2 * np.pi)
    prism = 2 * 48 * radius * np.sin(np.pi / 48) * 150.0
    assert face_areas(panel.V, panel.F).sum() == pytest.approx(prism, rel=1e-3)


def test_side_0_lies_left_of_the_line_seen_from_outside(tube):
    shape = tube(48, 30)
    shape.draw("back", [(24.3, 0), (24.3, 30)]).draw("front", [(0.3, 30), (0.3, 0)])
    panel_set = cut_panels(shape.network())
    # The back line runs up: seen from behind, the wearer's left (+x) is on its left.
    up = seam_named(panel_set, "back")
    assert panel_set.panels[up.sides[0].panel].name == "left"
    # The front line runs down: seen from in front, its left is the wearer's left again.
    down = seam_named(panel_set, "front")
    assert panel_set.panels[down.sides[0].panel].name == "left"
    assert np.all(np.diff(side_points(panel_set, down, 0)[:, 1]) < 0)


def test_a_ring_over_two_seams_gives_four_panels_that_meet_in_nodes(tube):
    shape = tube(48, 30).draw("back", [(24.3, 0), (24.3, 30)]).draw("front", [(0.3, 0), (0.3, 30)])
    panel_set = cut_panels(shape.draw("ring", [(3, 14.2), (20, 16.3), (51, 14.2)]).network())
    assert_sound(panel_set)
    assert [p.name for p in panel_set.panels] == [
        "left lower", "left upper", "right lower", "right upper",
    ]  # fmt: skip
    assert [s.name for s in panel_set.seams] == [
        "back", "back 2", "front", "front 2", "ring", "ring 2",
    ]  # fmt: skip
    ends = [
        panel_set.panels[s.sides[0].panel].cast_vertex[s.sides[0].vertices[end]]
        for s in panel_set.seams
        for end in (0, -1)
    ]
    crossing = [v for v in set(ends) if ends.count(v) == 4]
    assert len(crossing) == 2
    for v in crossing:
        assert sum(v in p.cast_vertex for p in panel_set.panels) == 4


def test_a_t_junction_is_a_node_of_three_panels(tube):
    shape = tube(48, 30).draw("back", [(24.3, 0), (24.3, 30)]).draw("front", [(0.3, 0), (0.3, 30)])
    panel_set = cut_panels(shape.draw("yoke", [(0.3, 20), (12, 21), (24.3, 20)]).network())
    assert_sound(panel_set)
    assert [p.name for p in panel_set.panels] == ["left lower", "left upper", "right"]
    right = named(panel_set, "right")
    assert [r.name for r in right.border].count("back") == 1
    assert {"back", "back 2", "front", "front 2"} <= {r.name for r in right.border}


def test_a_dart_has_a_single_vertex_at_its_point(sheet):
    panel_set = cut_panels(sheet().draw("dart", [(12.3, 0), (14.7, 11.4)], kind="dart").network())
    assert_sound(panel_set)
    (seam,) = panel_set.seams
    assert seam.dart
    assert seam.kind == "dart"
    a, b = (side.vertices for side in seam.sides)
    assert a[-1] == b[-1]
    assert len(set(a[:-1]) & set(b[:-1])) == 0
    # The copies differ in number only: the sheet has as many vertices as before plus one side.
    (panel,) = panel_set.panels
    assert len(panel.V) == len(np.unique(panel.cast_vertex)) + len(a) - 1


def test_a_branching_dart_stays_one_panel(sheet):
    shape = sheet().draw("stem", [(12.3, 0), (13.7, 9.4)], kind="dart")
    shape.draw("left arm", [(13.7, 9.4), (9.2, 14.1)], kind="dart")
    panel_set = cut_panels(shape.draw("right arm", [(13.7, 9.4), (17.2, 15.3)]).network())
    assert_sound(panel_set)
    assert {s.name: s.dart for s in panel_set.seams} == {
        "stem": False, "left arm": True, "right arm": True,
    }  # fmt: skip
    assert len(panel_set.panels) == 1


def test_a_trim_line_ends_the_garment_and_takes_the_rims_name(tube):
    shape = tube(48, 30).draw("back", [(24.3, 0), (24.3, 30)])
    panel_set = cut_panels(shape.draw("hem", [(0, 3.5), (48, 3.5)], kind="trim").network())
    assert_sound(panel_set)
    (panel,) = panel_set.panels
    assert panel.V[:, 1].min() == pytest.approx(3.5 * 5.0, abs=1e-9)
    assert sorted(r.name for r in panel.border) == ["back", "back", "lower", "upper"]
    assert length(side_points(panel_set, panel_set.seams[0], 0)) == pytest.approx(132.5, abs=1e-6)
    assert any("hem" in note for note in panel_set.notes)


def test_a_trim_between_two_places_of_a_rim_cuts_the_corner_off(tube):
    shape = tube(48, 30).draw("back", [(24.3, 0), (24.3, 30)])
    panel_set = cut_panels(shape.draw("scoop", [(4, 0), (10, 8), (16, 0)], kind="trim").network())
    assert_sound(panel_set)
    area = sum(face_areas(p.V, p.F).sum() for p in panel_set.panels)
    whole = face_areas(panel_set.cast.V, panel_set.cast.F).sum()
    # A triangle of 12 columns by 8 rows, on cells of 5 x 5 mm (chords: r sin(pi / n) n / pi).
    cell = 5.0 * 5.0 * np.sin(np.pi / 48) * 48 / np.pi
    assert whole - area == pytest.approx(48 * cell, rel=1e-2)
    assert [r.name for r in panel_set.panels[0].border].count("lower") >= 2


def test_two_trim_lines_that_meet_act_as_one(tube):
    shape = tube(48, 30).draw("back", [(24.3, 0), (24.3, 30)])
    shape.draw("hem left", [(0.4, 3.5), (24.3, 4.5)], kind="trim")
    shape.draw("hem right", [(24.3, 4.5), (48.4, 3.5)], kind="trim")
    panel_set = cut_panels(shape.network())
    assert_sound(panel_set)
    assert panel_set.panels[0].V[:, 1].min() > 3.4 * 5.0


def test_of_several_parts_the_one_between_the_trim_lines_is_kept(tube):
    """A greave from a leg: both trim lines bound it, though the part above is larger."""
    shape = tube(48, 40).draw("back", [(24.3, 0), (24.3, 40)])
    shape.draw("ankle", [(0, 4.5), (48, 4.5)], kind="trim")
    panel_set = cut_panels(shape.draw("knee", [(0, 14.5), (48, 14.5)], kind="trim").network())
    assert_sound(panel_set)
    (panel,) = panel_set.panels
    y = panel.V[:, 1]
    assert (y.min(), y.max()) == pytest.approx((22.5, 72.5), abs=1e-9)
    assert {r.name for r in panel.border} == {"back", "lower", "upper"}


def test_a_trim_line_that_parts_nothing_is_named(tube):
    shape = tube(48, 30).draw("back", [(24.3, 0), (24.3, 30)])
    with pytest.raises(BadInput, match="the trim line parts nothing from the rest"):
        cut_panels(shape.draw("hem", [(3, 4), (20, 4.5)], kind="trim").network())


def test_only_the_lines_that_fit_the_patterns_cut(tube):
    shape = tube(48, 30).draw("back", [(24.3, 0), (24.3, 30)]).draw("front", [(0.3, 0), (0.3, 30)])
    network = shape.draw("ring", [(3, 14.2), (20, 16.3), (51, 14.2)]).network()
    panel_set = cut_panels(network, lines=("b*", "f*"))
    assert_sound(panel_set)
    assert [s.name for s in panel_set.seams] == ["back", "front"]
    assert all(fnmatchcase(s.line, "[bf]*") for s in panel_set.seams)
    with pytest.raises(BadInput, match="no seam or dart is named 'hem'"):
        cut_panels(network, lines=("hem",))


def test_the_surface_and_the_lines_stay_where_they_were(tube):
    shape = tube(40, 24).draw("back", [(20.3, 0), (22.1, 11.2), (19.7, 24)])
    network = shape.draw("ring", [(3, 10.2), (17, 13.3), (43, 10.2)]).network()
    panel_set = cut_panels(network)
    cast = network.cast
    gap2, _, _ = igl.point_mesh_squared_distance(
        panel_set.cut_V, cast.V, np.asarray(cast.F, dtype=np.int64)
    )
    assert np.sqrt(gap2.max()) < 1e-9
    before = face_areas(cast.V, cast.F).sum()
    after = sum(face_areas(p.V, p.F).sum() for p in panel_set.panels)
    assert after == pytest.approx(before, rel=1e-3)
    # Seam vertices lie on the drawn arcs, and the drawn arcs stray little from the seams.
    drawn = np.concatenate([p.points for p in network.paths])
    seams = [side_points(panel_set, s, 0) for s in panel_set.seams]
    assert polyline_gap(np.concatenate(seams), [p.points for p in network.paths]) < 1e-6
    assert polyline_gap(drawn, seams) < 0.25


def polyline_gap(P, lines):
    """Largest distance of the points P from a set of polylines."""
    a = np.concatenate([line[:-1] for line in lines])
    step = np.concatenate([np.diff(line, axis=0) for line in lines])
    away = P[:, None] - a[None]
    t = np.clip((away * step).sum(2) / np.maximum((step * step).sum(1), 1e-300), 0, 1)
    return float(np.linalg.norm(away - t[..., None] * step, axis=2).min(axis=1).max())


def test_triangles_along_the_cut_are_even(tube):
    shape = tube(48, 30).draw("back", [(24.02, 0), (25.97, 12.2), (23.03, 30)])
    panel_set = cut_panels(shape.draw("front", [(0.5, 0), (0.99, 15), (0.01, 30)]).network())
    angles = np.concatenate([corner_angles(p.V, p.F).ravel() for p in panel_set.panels])
    assert np.degrees(angles.min()) > 20.0
    for seam in panel_set.seams:
        step = np.linalg.norm(np.diff(side_points(panel_set, seam, 0), axis=0), axis=1)
        assert step.min() > 2.5
        assert step.max() < 8.0


def test_no_face_hangs_on_two_border_vertices_alone(tube):
    """A chord between two border vertices makes an ear, which flattening cannot hold in place."""
    shape = tube(48, 30).draw("back", [(24.02, 0), (25.97, 12.2), (23.03, 30)])
    panel_set = cut_panels(shape.draw("front", [(0.5, 0), (0.99, 15), (0.01, 30)]).network())
    for panel in panel_set.panels:
        on_border = np.zeros(len(panel.V), dtype=bool)
        on_border[np.concatenate(border_loops(panel.F))] = True
        assert not on_border[panel.F].all(axis=1).any()


def box_place(u, v):
    """An upright square tube, 100 mm wide, of 80 columns: its corners at u = 0, 20, 40, 60."""
    share = (np.asarray(u) % 80) / 20.0
    side, along = np.floor(share).astype(int) % 4, share - np.floor(share)
    corner = np.array([[50, -50], [-50, -50], [-50, 50], [50, 50]])[::-1]
    P = corner[side] * (1 - along)[..., None] + corner[(side + 1) % 4] * along[..., None]
    return np.stack([P[..., 0], 5.0 * np.asarray(v), P[..., 1]], -1)


def test_a_sharp_edge_of_the_cast_stays_sharp(grid_shape):
    shape = grid_shape(80, 30, box_place).draw("a", [(3.3, 0), (20, 14.3), (31.7, 30)])
    shape.draw("b", [(60, 0), (60, 30)])
    panel_set = cut_panels(shape.draw("ring", [(0, 15.3), (40, 9), (80, 15.3)]).network())
    assert_sound(panel_set)
    gap2, _, _ = igl.point_mesh_squared_distance(
        panel_set.cast.V,
        panel_set.cut_V,
        np.concatenate([p.cast_vertex[p.F] for p in panel_set.panels]).astype(np.int64),
    )
    assert np.sqrt(gap2.max()) < 0.5
    # The rim turns in space at the box's corners, but within the surface it is straight.
    rims = [r.name for p in panel_set.panels for r in p.border if r.seam < 0]
    assert sorted(rims) == ["lower", "lower", "upper", "upper"]


def test_a_corner_of_the_rim_parts_its_border_run(sheet):
    panel_set = cut_panels(sheet(20, 20).network())
    (panel,) = panel_set.panels
    assert len(panel.border) == 4
    corners = panel.V[[run.vertices[0] for run in panel.border]]
    assert np.allclose(np.abs(corners[:, :2]), 50.0)


def test_a_round_rim_is_one_run(sheet):
    """A cap cut off by a round trim line: no corner anywhere."""
    angle = np.linspace(0, 2 * np.pi, 61)
    ring = np.column_stack([10 + 8.6 * np.cos(angle), 10 + 8.6 * np.sin(angle)])
    ring[-1] = ring[0]
    panel_set = cut_panels(sheet(20, 20).draw("hem", ring, kind="trim").network())
    (panel,) = panel_set.panels
    assert len(panel.border) == 1
    run = panel.border[0]
    assert run.vertices[0] == run.vertices[-1]
    # A circle of radius 43 mm on a sheet bent with radius 200 mm: 2 pi r, nearly flat.
    P = panel.V[run.vertices]
    assert length(P) == pytest.approx(2 * np.pi * 43.0, rel=0.02)


def test_lines_that_run_close_together_are_said(tube):
    shape = tube(48, 30).draw("back", [(24.3, 0), (24.3, 30)])
    shape.draw("front", [(0.3, 0), (0.3, 30)])
    network = shape.draw("yoke", [(0.3, 15), (8, 29.98), (16, 29.98), (24.3, 15)]).network()
    panel_set = cut_panels(network)
    assert_sound(panel_set)
    (note,) = [n for n in panel_set.notes if "degrees near" in n]
    assert note.startswith("panel left")


def test_a_single_triangle_is_a_panel_with_three_corners(sheet):
    V, F = sheet(1, 1).mesh()
    cast = sheet(1, 1).cast()
    lone = replace(cast, V=V[F[0]], F=np.array([[0, 1, 2]]), N=cast.N[F[0]], rims=())
    panel_set = cut_panels(LineNetwork(cast=lone, lines=(), paths=(), nodes=()))
    assert_sound(panel_set)
    assert len(panel_set.panels[0].border) == 3


def test_as_many_vertices_as_libigl_opens(tube):
    shape = tube(48, 30).draw("back", [(24.3, 0), (24.3, 30)])
    shape.draw("dart", [(10, 0), (11.3, 9.2)], kind="dart")
    network = shape.draw("ring", [(3, 14.2), (20, 16.3), (51, 14.2)]).network()
    carved = carve(network, chosen_lines(network, ("*",)))
    F = np.ascontiguousarray(carved.F, dtype=np.int64)
    opened = igl.cut_mesh(carved.V, F, ((carved.C >= 0) & (carved.A >= 0)).astype(np.int64))
    panel_set = cut_panels(network)
    assert len(opened[0]) == sum(len(p.V) for p in panel_set.panels)
    assert igl.vertex_components(np.asarray(opened[1], dtype=np.int64)).max() + 1 == 2


def test_the_same_network_gives_the_same_panels_to_the_bit(tube):
    def run():
        shape = tube(30, 20).draw("back", [(15.3, 0), (16.1, 20)])
        return cut_panels(shape.draw("front", [(0.3, 0), (0.9, 20)]).network())

    one, other = run(), run()
    for a, b in zip(one.panels, other.panels, strict=True):
        assert a.name == b.name
        assert np.array_equal(a.V, b.V)
        assert np.array_equal(a.F, b.F)


@st.composite
def tube_lines(draw):
    """A tube and random seams up it and rings round it, in grid coordinates."""
    columns, rows = draw(st.integers(12, 40)), draw(st.integers(8, 24))
    lines = []
    seams, rings = draw(st.integers(1, 3)), draw(st.integers(0, 2))
    share = st.floats(-0.25, 0.25)
    for k in range(seams):
        inner = draw(st.integers(0, 3))
        v = np.linspace(0, rows, inner + 2)
        u = [columns * (k + 0.5 + draw(share)) / seams for _ in v]
        lines.append((f"seam {k + 1}", np.column_stack([u, v])))
    for k in range(rings):
        inner = draw(st.integers(0, 4))
        u = np.linspace(0.37, columns + 0.37, inner + 2)
        v = [rows * (k + 0.5 + draw(share)) / rings for _ in u]
        v[-1] = v[0]
        lines.append((f"ring {k + 1}", np.column_stack([u, v])))
    return columns, rows, lines


@settings(max_examples=40, deadline=None)
@given(drawn=tube_lines())
def test_any_network_gives_the_panels_that_eulers_formula_counts(tube, drawn):
    """Cutting a tube along a graph leaves sum of Euler characteristics = arcs - inner nodes.

    Each cut arc adds 1, each inner node takes 1 back (Euler characteristic is additive; the tube's
    is 0), and every panel is a disk of characteristic 1.
    """
    columns, rows, lines = drawn
    shape = tube(columns, rows)
    for name, points in lines:
        shape.draw(name, points)
    network = shape.network()
    panel_set = cut_panels(network)
    assert_sound(panel_set)
    inner = sum(node.kind != "rim" for node in network.nodes)
    assert len(panel_set.panels) == len(network.paths) - inner
    assert len(panel_set.seams) == len(network.paths)
    before = face_areas(network.cast.V, network.cast.F).sum()
    after = sum(face_areas(p.V, p.F).sum() for p in panel_set.panels)
    assert after == pytest.approx(before, rel=0.02)
