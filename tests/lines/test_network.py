"""Networks of lines on tubes: where lines meet, what their ends do, what is refused."""

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from flatten.errors import BadInput
from flatten.lines.network import join_lines


def length(paths):
    total = 0.0
    for p in paths:
        points = np.vstack([p.points, p.points[:1]]) if p.closed else p.points
        total += np.linalg.norm(np.diff(points, axis=0), axis=1).sum()
    return total


def kinds(network):
    names = [n.kind for n in network.nodes]
    return {k: names.count(k) for k in ("rim", "junction", "inside")}


def test_a_straight_seam_from_rim_to_rim_is_as_long_as_the_tube(tube, make):
    network = join_lines(tube, (make.line("back", make.on_tube(180, np.arange(0, 201, 4.0))),))
    make.sound(network)
    assert kinds(network) == {"rim": 2, "junction": 0, "inside": 0}
    assert {n.rim for n in network.nodes} == {0, 1}
    assert length(network.paths) == pytest.approx(200.0, abs=1e-6)


def test_two_picked_points_are_joined_by_the_helix(rough_tube, make):
    # On a cylinder the shortest path is a helix: straight in the development.
    ends = make.on_tube([10, 80], [20, 170])
    network = join_lines(rough_tube, (make.line("slant", ends),), snap_mm=0.5)
    make.sound(network)
    straight = np.hypot(150.0, 60.0 * np.radians(70))
    assert length(network.paths) == pytest.approx(straight, rel=2e-3)
    assert kinds(network)["inside"] == 2
    assert sum("ends in the open" in note for note in network.notes) == 2


def test_a_ring_across_two_seams_makes_four_arcs_of_it(rough_tube, make):
    lines = (
        make.line("inner", make.on_tube(90, np.arange(0, 201, 5.0))),
        make.line("outer", make.on_tube(-90, np.arange(0, 201, 5.0))),
        make.line("ring", make.on_tube(np.arange(0, 360, 5), 100.0), closed=True),
    )
    network = join_lines(rough_tube, lines)
    make.sound(network)
    assert kinds(network) == {"rim": 4, "junction": 2, "inside": 0}
    assert [p.line for p in network.paths].count("ring") == 2
    assert length([p for p in network.paths if p.line == "ring"]) == pytest.approx(
        2 * np.pi * 60, rel=3e-3
    )
    assert [p.stretch for p in network.paths if p.line == "inner"] == [1, 2]


@pytest.mark.parametrize("gap", [-5.0, -2.0, -0.3, 0.0, 0.3, 2.0, 5.0])
def test_ends_short_of_a_seam_or_past_it_come_to_lie_on_it(rough_tube, make, gap):
    seam = make.line("centre", make.on_tube(0, np.arange(0, 201, 4.0)))
    angle = np.arange(np.degrees(gap / 60.0), 60.0, 4.0)
    yoke = make.line("yoke", make.on_tube(angle, 100.0 + 0.2 * angle))
    network = join_lines(rough_tube, (seam, yoke))
    make.sound(network)
    assert kinds(network) == {"rim": 2, "junction": 1, "inside": 1}
    (node,) = (n for n in network.nodes if n.kind == "junction")
    assert set(node.lines) == {"centre", "yoke"}
    assert np.linalg.norm(node.point - make.on_tube(0, 100.0)) < 1.5
    assert len(network.paths) == 3


@pytest.mark.parametrize("short", [-8.0, -3.0, 0.0, 4.0, 10.0])
def test_ends_drawn_to_a_rim_that_was_trimmed_reach_it(rough_tube, make, short):
    # From -8 mm (drawn over the rim) to 10 mm short of it.
    y = np.arange(short, 200 - short + 1e-9, 4.0)
    network = join_lines(rough_tube, (make.line("side", make.on_tube(30, y)),))
    make.sound(network)
    assert kinds(network) == {"rim": 2, "junction": 0, "inside": 0}
    assert length(network.paths) == pytest.approx(200.0, abs=0.3)


def test_ends_too_far_from_anything_are_left_open_and_said(rough_tube, make):
    y = np.arange(40, 160, 4.0)
    network = join_lines(rough_tube, (make.line("stray", make.on_tube(30, y)),))
    assert kinds(network)["inside"] == 2
    said = [n for n in network.notes if "'stray' ends in the open" in n]
    assert len(said) == 2
    assert "40.0 mm" in said[0]


def test_a_dart_keeps_its_point_inside_without_a_word(rough_tube, make):
    dart = make.line("dart", make.on_tube(30, np.arange(0, 80, 4.0)), kind="dart")
    network = join_lines(rough_tube, (dart,))
    assert kinds(network) == {"rim": 1, "junction": 0, "inside": 1}
    assert not [n for n in network.notes if "open" in n]


@pytest.mark.parametrize("apart", [0.05, 0.3, 1.0, 2.5])
def test_lines_that_end_close_together_on_a_third_share_a_node(rough_tube, make, apart):
    seam = make.line("centre", make.on_tube(0, np.arange(0, 201, 4.0)))
    left = make.line("left", make.on_tube(np.arange(1.0, 50, 4), 100.0))
    right = make.line("right", make.on_tube(np.arange(-1.0, -50, -4), 100.0 + apart))
    network = join_lines(rough_tube, (seam, left, right))
    make.sound(network)
    assert kinds(network)["junction"] == 1
    assert [p.line for p in network.paths].count("centre") == 2


def test_seams_that_end_close_together_on_a_rim_share_a_node(rough_tube, make):
    y = np.arange(0, 201, 4.0)
    one = make.line("one", make.on_tube(0.2 * y, y))
    two = make.line("two", make.on_tube(-0.2 * y - 1.5, y))
    network = join_lines(rough_tube, (one, two))
    make.sound(network)
    assert kinds(network) == {"rim": 3, "junction": 0, "inside": 0}


def test_corners_between_two_loose_ends_are_closed(rough_tube, make):
    one = make.line("one", make.on_tube(0, np.arange(0, 98, 4.0)))
    two = make.line("two", make.on_tube(np.arange(2.0, 60, 4), 98.0))
    network = join_lines(rough_tube, (one, two))
    make.sound(network)
    shared = [n for n in network.nodes if len(n.lines) == 2]
    assert len(shared) == 1
    assert len(network.paths) == 2


def test_rings_drawn_open_or_past_their_start_are_closed(rough_tube, make):
    for stop in (358, 362, 366, 370):
        ring = make.line("ring", make.on_tube(np.arange(0, stop, 4), 100.0))
        network = join_lines(rough_tube, (ring,))
        make.sound(network)
        (path,) = network.paths
        assert path.closed
        assert (path.start, path.end) == (-1, -1)
        assert length([path]) == pytest.approx(2 * np.pi * 60, rel=5e-3)


def test_a_ring_over_a_rim_becomes_a_line_from_rim_to_rim(rough_tube, make):
    angle = np.arange(0, 360, 4)
    wave = make.on_tube(angle, 6 + 12 * np.cos(np.radians(angle)))
    ring = make.line("hem", wave, kind="trim", closed=True)
    network = join_lines(rough_tube, (ring,))
    make.sound(network)
    assert kinds(network) == {"rim": 2, "junction": 0, "inside": 0}


def test_a_trim_line_on_the_rim_itself_trims_nothing(rough_tube, make):
    ring = make.line("hem", make.on_tube(np.arange(0, 360, 4), 0.0), kind="trim", closed=True)
    network = join_lines(rough_tube, (ring,))
    assert network.paths == ()
    assert any("nothing to trim" in n for n in network.notes)


def test_details_are_laid_down_but_part_nothing(rough_tube, make):
    seam = make.line("seam", make.on_tube(0, np.arange(0, 201, 4.0)))
    wave = make.line("wave", make.on_tube(np.arange(-40, 41, 4), 90.0), kind="detail")
    star = make.line("star", make.on_tube(np.arange(0, 360, 4), 50.0), kind="score", closed=True)
    network = join_lines(rough_tube, (seam, wave, star))
    make.sound(network)
    assert len([p for p in network.paths if p.line == "seam"]) == 1
    assert [p.closed for p in network.paths if p.line == "star"] == [True]
    assert len([p for p in network.paths if p.line == "wave"]) == 1


def test_stretches_that_two_lines_share_are_taken_once(rough_tube, make):
    y = np.arange(0, 201, 4.0)
    one = make.line("one", make.on_tube(0, y))
    two = make.line("two", make.on_tube(np.maximum(0.4 * (y - 100), 0.3), y))
    network = join_lines(rough_tube, (one, two))
    make.sound(network)
    assert any("'two' runs along 'one'" in n for n in network.notes)
    assert kinds(network)["junction"] == 1
    twice = join_lines(rough_tube, (one, make.line("again", make.on_tube(0.2, y))))
    assert {p.line for p in twice.paths} == {"one"}


def test_hand_noise_is_smoothed_but_corners_stay(rough_tube, make):
    rng = np.random.default_rng(1)
    y = np.arange(0, 201, 2.0)
    noisy = make.on_tube(20 + np.degrees(rng.normal(0, 0.3, len(y)) / 60), y)
    (path,) = join_lines(rough_tube, (make.line("traced", noisy),)).paths
    off = 60 * np.abs(np.arctan2(path.points[:, 0], path.points[:, 2]) - np.radians(20))
    assert off.max() < 0.5
    assert np.sqrt(np.mean(off**2)) < 0.22
    assert length([path]) < 200.6
    corner = np.vstack(
        [make.on_tube(np.arange(0, 40, 2), 100.0), make.on_tube(40, np.arange(100.0, 201, 2))]
    )
    network = join_lines(rough_tube, (make.line("knee", corner, kind="dart"),))
    (path,) = network.paths
    tip = make.on_tube(40, 100.0)
    assert np.linalg.norm(path.points - tip, axis=1).min() < 0.6


def test_mirrored_lines_lie_on_the_other_side_under_the_other_name(mirror_tube, make):
    y = np.arange(0, 201, 4.0)
    lines = (
        make.line("side left", make.on_tube(60, y), mirror=True, joint="lap", under="left"),
        make.line("belt", make.on_tube(np.arange(20, 50, 4), 80.0), kind="detail", mirror=True),
    )
    network = join_lines(mirror_tube, lines)
    make.sound(network)
    names = [x.name for x in network.lines]
    assert names == ["side left", "side right", "belt", "belt mirrored"]
    assert network.lines[1].under == "right"
    for one, other in (names[:2], names[2:]):
        ends = [next(p.points[[0, -1]] for p in network.paths if p.line == x) for x in (one, other)]
        np.testing.assert_allclose(
            ends[0], ends[1] * [-1, 1, 1], atol=0.6
        )  # ends go to rim vertices


def test_a_line_on_the_mirror_plane_is_not_doubled(mirror_tube, make):
    back = make.line("centre back", make.on_tube(180, np.arange(0, 201, 4.0)), mirror=True)
    network = join_lines(mirror_tube, (back,))
    make.sound(network)
    assert len(network.paths) == 1


def test_file_numbers_and_the_offset_are_undone(make):
    # The scan: metres, turned; the cast: 4 mm outside the scanned surface.
    V, F = make.tube(radius=64.0, jitter=0.5)
    turn = np.array([[0, 0, 1000.0], [1000.0, 0, 0], [0, 1000.0, 0]])
    to_cast = np.eye(4)
    to_cast[:3, :3] = turn
    to_cast[:3, 3] = [5.0, -7.0, 9.0]
    cast = make.cast(V, F, to_cast=to_cast, offset_mm=4.0)
    drawn = make.on_tube(np.arange(0, 360, 5), 100.0, radius=60.0)
    points = np.linalg.solve(turn, (drawn - to_cast[:3, 3]).T).T
    network = join_lines(cast, (make.line("ring", points, closed=True),))
    make.sound(network)
    (path,) = network.paths
    np.testing.assert_allclose(np.hypot(path.points[:, 0], path.points[:, 2]), 64.0, atol=0.15)
    np.testing.assert_allclose(path.points[:, 1], 100.0, atol=0.4)
    assert network.notes == ()


def test_a_line_through_air_is_led_over_the_surface_and_said(rough_tube, make):
    # The chord between 60 and 120 degrees runs 8 mm under the surface.
    chord = np.linspace(make.on_tube(60, 100.0), make.on_tube(120, 100.0), 16)
    points = np.vstack(
        [make.on_tube(np.arange(0, 60, 4), 100.0), chord, make.on_tube(np.arange(124, 180, 4), 100.0)]
    )  # fmt: skip
    network = join_lines(rough_tube, (make.line("yoke", points, kind="dart"),))
    make.sound(network)
    (path,) = network.paths
    np.testing.assert_allclose(path.points[:, 1], 100.0, atol=0.8)
    assert any("'yoke' runs through air" in n for n in network.notes)


@pytest.mark.parametrize(
    ("points", "closed", "word"),
    [
        ([[0, 50, 60]], False, "1 distinct point"),
        ([[0, 50, 60], [0, 50, 60.001]], False, "1 distinct point"),
        ([[0, 50, 60], [0, 90, 60]], True, "needs at least 3"),
        ([[0, np.nan, 60], [0, 90, 60]], False, "finite"),
        ([[0, 50, 600], [0, 90, 600]], False, "540 mm from the cast"),
        ([[0, 250, 60], [0, 290, 60]], False, "from the cast"),
    ],
)
def test_lines_that_are_none_are_refused_by_name(rough_tube, make, points, closed, word):
    with pytest.raises(BadInput, match=word) as e:
        join_lines(rough_tube, (make.line("odd", points, closed=closed),))
    assert "'odd'" in str(e.value)


def test_lines_across_themselves_are_refused(rough_tube, make):
    t = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    eight = make.on_tube(40 * np.sin(t), 100 + 30 * np.sin(2 * t))
    with pytest.raises(BadInput, match="'eight': it crosses itself near"):
        join_lines(rough_tube, (make.line("eight", eight, closed=True),))


def test_mirroring_needs_symmetry_and_a_free_name(rough_tube, mirror_tube, make):
    side = make.line("side left", make.on_tube(60, np.arange(0, 201, 4.0)), mirror=True)
    with pytest.raises(BadInput, match="not symmetric within 10 mm"):
        join_lines(rough_tube, (side,))
    other = make.line("side right", make.on_tube(-70, np.arange(0, 201, 4.0)))
    with pytest.raises(BadInput, match="would be called 'side right'"):
        join_lines(mirror_tube, (side, other))
    with pytest.raises(BadInput, match="two lines have this name"):
        join_lines(mirror_tube, (other, other))


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@example(seed=1255, slants=[0.19921875, 0.0, -0.3671875], rings=[0.0, 0.0, 0.0])
@given(
    seed=st.integers(0, 10**6),
    slants=st.lists(st.floats(-0.6, 0.6), min_size=1, max_size=4),
    rings=st.lists(st.floats(-12, 12), min_size=0, max_size=3),
)
def test_any_seams_and_rings_make_a_sound_network(rough_tube, make, seed, slants, rings):
    rng = np.random.default_rng(seed)
    y = np.arange(0, 201, 4.0)
    lines = [
        make.line(f"seam {k}", make.on_tube(rng.uniform(0, 360) + slant * y, y))
        for k, slant in enumerate(slants)
    ]
    angle = np.arange(0, 360, 5)
    for k, tilt in enumerate(rings):
        height = rng.uniform(30, 170) + tilt * np.sin(np.radians(angle) + rng.uniform(0, 6))
        lines.append(make.line(f"ring {k}", make.on_tube(angle, height), closed=True))
    network = join_lines(rough_tube, tuple(lines))
    make.sound(network)
    # A line is a chain, a ring a closed one; where lines share a stretch it is one of them's.
    if any("runs along" in note for note in network.notes):
        return
    ends = {frozenset((p.start, p.end)): p.line for p in network.paths if not p.closed}
    for name in {p.line for p in network.paths}:
        arcs = sorted((p for p in network.paths if p.line == name), key=lambda p: p.stretch)
        if arcs[0].closed:
            assert len(arcs) == 1
            continue
        after = [*arcs[1:], arcs[0]] if name.startswith("ring") else arcs[1:]
        for one, other in zip(arcs, after, strict=False):
            if one.end != other.start:
                assert ends.get(frozenset((one.end, other.start)), name) != name


def test_a_ring_drawn_twice_is_one_ring(tube, make):
    angle = np.arange(0, 360, 5)
    rings = [
        make.line(name, make.on_tube(angle, height), closed=True)
        for name, height in (("one", 80.0), ("two", 81.0))
    ]
    network = join_lines(tube, tuple(rings))
    make.sound(network)
    assert {p.line for p in network.paths} == {"one"}
    assert any("'two' runs along 'one'" in n for n in network.notes)


@pytest.mark.parametrize("by", [-14.0, -9.0, 9.0, 14.0])
def test_a_seam_that_stops_short_or_runs_past_by_millimetres_is_joined(tube, make, by):
    upright = make.line("upright", make.on_tube(0.0, np.linspace(0, 200, 41)))
    last = np.degrees(by / 60.0)
    across = make.line("across", make.on_tube(np.linspace(-90, last, 40), 100.0))
    network = join_lines(tube, (upright, across))
    make.sound(network)
    end = [n for n in network.nodes if set(n.lines) == {"upright", "across"}]
    assert len(end) == 1
    assert np.linalg.norm(end[0].point - make.on_tube(0.0, 100.0)) < 0.5
    assert sum(p.line == "across" for p in network.paths) == 1


def test_a_dart_may_end_in_the_open_beside_a_seam(tube, make):
    upright = make.line("upright", make.on_tube(0.0, np.linspace(0, 200, 41)))
    stop = -np.degrees(10.0 / 60.0)
    dart = make.line("dart", make.on_tube(np.linspace(stop, -90, 40), 100.0), kind="dart")
    other = make.line("other", make.on_tube(-90.0, np.linspace(0, 200, 41)))
    network = join_lines(tube, (upright, other, dart))
    assert sorted(n.kind for n in network.nodes if "dart" in n.lines) == ["inside", "junction"]


@pytest.mark.parametrize("height", [0.0, 1.0, 2.0])
def test_a_seam_along_the_rim_is_the_rim(tube, make, height):
    upright = make.line("upright", make.on_tube(0.0, np.linspace(0, 200, 41)))
    along = make.line("along", make.on_tube(np.linspace(40, 250, 90), height))
    network = join_lines(tube, (upright, along))
    make.sound(network)
    assert {p.line for p in network.paths} == {"upright"}
    assert any("'along'" in n and "the rim" in n for n in network.notes)
