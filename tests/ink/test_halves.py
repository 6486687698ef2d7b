"""Casts drawn on one half: ends near the middle, a tilted plane of symmetry, what is drawn once."""

import numpy as np
import pytest

from flatten.ink.complete import mirror_lines
from flatten.ink.pairs import name_pairs
from flatten.lines.network import join_lines
from flatten.panels.cut import cut_panels
from flatten.records.cast import Cast, Rim, Symmetry
from flatten.records.ink import Doubt, InkReading, Tick
from flatten.records.lines import Line

RADIUS, HEIGHT = 70.0, 240.0
TILT = np.radians(8.0)
# The tube stands askew in the cast's frame, so its plane of symmetry is tilted and off the middle.
TURN = np.array(
    [[np.cos(TILT), -np.sin(TILT), 0], [np.sin(TILT), np.cos(TILT), 0], [0, 0, 1.0]]
)  # fmt: skip
SHIFT = np.array([23.0, -11.0, 6.0])
UNIT = 0.1  # the file is in centimetres, and turned


def body(angle_deg, y):
    """Points of the body, degrees from its front to its left, in the cast's frame."""
    angle, y = np.broadcast_arrays(np.radians(angle_deg), np.asarray(y, dtype=float))
    own = np.stack([RADIUS * np.sin(angle), y, 0.8 * RADIUS * np.cos(angle)], axis=-1)
    return own @ TURN.T + SHIFT


@pytest.fixture(scope="module")
def cast():
    around, rows = 96, 49
    i, j = np.meshgrid(np.arange(rows - 1), np.arange(around), indexing="ij")
    angle = np.arange(around) * 360.0 / around
    V = np.concatenate(
        [body(angle + 0.6 * np.sin(k), k * HEIGHT / (rows - 1)) for k in range(rows)]
    )
    a, b = i * around + j, i * around + (j + 1) % around
    F = np.stack(
        [np.stack([a, b, b + around], -1), np.stack([a, b + around, a + around], -1)], axis=2
    )
    own = (V - SHIFT) @ TURN
    N = own * [1, 0, 1 / 0.64]
    N = (N / np.linalg.norm(N, axis=1, keepdims=True)) @ TURN.T
    rims = tuple(
        Rim(
            name=name, vertices=vertices, length_mm=1.0, smooth_length_mm=1.0, flatness_mm=0.0,
            centre=V[vertices].mean(axis=0),
        )
        for name, vertices in (
            ("lower", np.arange(around)),
            ("upper", np.arange((rows - 1) * around, rows * around)[::-1]),
        )
    )  # fmt: skip
    return Cast(
        name="askew", V=V, F=F.reshape(-1, 3), N=N, rims=rims,
        to_cast=np.diag([1 / UNIT, 1 / UNIT, 1 / UNIT, 1.0]),
        symmetry=Symmetry(point=SHIFT, normal=TURN[:, 0], rms_mm=0.3),
    )  # fmt: skip


def line(name, angle, y, closed=False, kind="seam"):
    return Line(name=name, kind=kind, points=UNIT * body(angle, y), closed=closed)


def upright(name, angle):
    y = np.linspace(0, HEIGHT, 61)
    return line(name, np.full(61, angle, dtype=float), y)


def complete(cast, *lines):
    return {x.name: x for x in mirror_lines(InkReading(lines=lines), cast, "left").lines}


def off_plane(line):
    return (line.points / UNIT - SHIFT) @ TURN[:, 0]


def test_the_twin_lies_on_the_surface_across_a_tilted_plane(cast):
    done = complete(cast, upright("side left", 80.0))
    assert set(done) == {"side left", "side right"}
    assert (
        np.abs(done["side right"].points - UNIT * body(-80.0, np.linspace(0, HEIGHT, 61))).max()
        < 1e-9
    )


@pytest.mark.parametrize("stop", [-9.0, -4.0, 0.0, 4.0, 9.0])
@pytest.mark.parametrize("middle", [None, 3.0, -3.0])
def test_ends_about_the_centre_line_meet_there_whether_it_is_drawn_or_not(cast, stop, middle):
    """`stop` degrees: 11 mm short of the centre line to 11 mm past it, at the front."""
    lines = [upright("side left", 90.0), line("bust left", np.linspace(stop, 90, 50), 120.0)]
    if middle is not None:
        lines.append(upright("centre front", middle))
    done = complete(cast, *lines)
    network = join_lines(cast, tuple(done.values()))
    panels = cut_panels(network).panels
    if middle is None:
        assert set(done) == {"side left", "side right", "bust"}
        assert len(panels) == 3
        assert off_plane(done["bust"]).min() == pytest.approx(-off_plane(done["bust"]).max())
    else:
        assert set(done) == {"side left", "side right", "bust left", "bust right", "centre front"}
        assert len(panels) == 5
        assert not any("in the open" in note for note in network.notes)
    assert min(len(p.F) for p in panels) > 100


def test_what_is_drawn_in_the_middle_is_drawn_once(cast):
    turn = np.radians(np.arange(0, 360, 15))
    badge = line("badge", 3 + 12 * np.cos(turn), 60 + 14 * np.sin(turn), True, "detail")
    smile = line("smile", np.linspace(-30, 34, 20), 100 + 0.01 * np.linspace(-30, 34, 20) ** 2)
    eye = line("eye left", 30 + 6 * np.cos(turn), 160 + 6 * np.sin(turn), True, "detail")
    done = complete(cast, badge, smile, eye)
    assert set(done) == {"badge", "smile", "eye left", "eye right"}
    for name, drawn in (("badge", badge), ("smile", smile)):
        np.testing.assert_array_equal(done[name].points, drawn.points)


def test_a_line_that_leaves_the_centre_line_branches_there(cast):
    """Up the centre, wavering by some millimetres, then out to the left: the twin begins there."""
    y = np.linspace(0, HEIGHT, 80)
    angle = np.where(y < 120, 3 * np.sin(y / 15), 0.6 * (y - 120))
    done = complete(cast, line("princess left", angle, y), upright("side left", 90.0))
    assert set(done) == {"princess left", "princess right", "side left", "side right"}
    network = join_lines(cast, tuple(done.values()))
    assert len(cut_panels(network).panels) == 4
    low = done["princess left"].points[:30]
    assert np.abs((low / UNIT - SHIFT) @ TURN[:, 0]).max() < 1e-6
    assert len(done["princess right"].points) < 60


def test_lines_that_mirror_each_other_are_named_as_pairs_however_they_were_called(cast):
    """Drawn by hand on both halves, up to 6 mm apart after mirroring, in either direction."""
    y = np.linspace(0, HEIGHT, 61)
    wave = 5 * np.sin(y / 30)
    drawn = (
        line("front left", 40 + wave, y),
        line("back right 2", (-42 + wave)[::-1], y[::-1]),
        line("cross line 1", np.linspace(95, 150, 20), 60.0),
        line("cross line 2", np.linspace(-150, -96, 20), 63.0),
        line("front right", -100.0 + 0 * y, y),
        upright("centre front", 1.0),
    )
    tick = Tick(line="back right 2", at=drawn[1].points[5])
    doubt = Doubt(
        what="open end", said="'cross line 2' ends", at=drawn[3].points[0], line="cross line 2"
    )
    done = name_pairs(InkReading(lines=drawn, marks=(tick,), doubts=(doubt,)), cast)
    assert [x.name for x in done.lines] == [
        "front left", "front right", "cross line 1 left", "cross line 1 right", "front right 2",
        "centre front",
    ]  # fmt: skip
    assert done.marks[0].line == "front right"
    assert done.doubts[0].said == "'cross line 1 right' ends"
    again = name_pairs(done, cast)
    assert [x.name for x in again.lines] == [x.name for x in done.lines]
