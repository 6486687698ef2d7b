"""Lines that mirror each other become exact mirror images, and nothing else is touched."""

from dataclasses import replace

import numpy as np
import pytest

from flatten.lines.even import even_lines
from flatten.records.cast import Cast
from flatten.records.lines import Line

FLIP = np.array([-1.0, 1.0, 1.0])


def a_cast() -> Cast:
    """Only its frame counts here: inches, turned and shifted."""
    a = np.radians(20)
    to_cast = np.eye(4)
    to_cast[:3, :3] = 25.4 * np.array(
        [[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]]
    )
    to_cast[:3, 3] = [5, -7, 11]
    V = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]])
    return Cast(name="c", V=V, F=np.array([[0, 1, 2]]), N=V, rims=(), to_cast=to_cast)


def in_frame(cast: Cast, line: Line):
    return line.points @ cast.to_cast[:3, :3].T + cast.to_cast[:3, 3]


def drawn(cast: Cast, name: str, P, **more) -> Line:
    M = cast.to_cast
    points = np.array(np.linalg.solve(M[:3, :3], (np.asarray(P) - M[:3, 3]).T).T, np.float64)
    return Line(name=name, kind=more.pop("kind", "seam"), points=points, **more)


def test_pairs_crossings_and_middles_become_exact_and_stay_so():
    cast = a_cast()
    s = np.linspace(0, 1, 40)[:, None]
    side = np.hstack([100 + 20 * np.sin(3 * s), 400 * s, 30 + 0 * s])
    # The right one runs the other way, 4 mm farther out, with other points.
    t = np.linspace(1, 0, 57)[:, None]
    right = np.hstack([-104 - 20 * np.sin(3 * t), 400 * t, 30 + 0 * t])
    middle = np.hstack([2 * np.sin(9 * s), 400 * s, 90 + 0 * s])
    across = np.hstack([200 * s - 100, 250 + 6 * s, 80 - 30 * (2 * s - 1) ** 2])
    turn = 2 * np.pi * s[:-1]
    hole = np.hstack([60 * np.cos(turn) + 3, 300 + 60 * np.sin(turn), 70 + 0 * turn])
    lone = np.hstack([50 + 40 * s, 100 + 0 * s, 85 + 0 * s])
    lines = (
        drawn(cast, "side left", side),
        drawn(cast, "side right", right, ease_mm=3.0),
        drawn(cast, "middle", middle),
        drawn(cast, "across", across),
        drawn(cast, "hole", hole, closed=True),
        drawn(cast, "lone", lone),
        drawn(cast, "crest", across, kind="score"),
    )
    evened, notes = even_lines(cast, lines)
    P = [in_frame(cast, line) for line in evened]
    assert np.allclose(P[1], P[0][::-1] * FLIP, atol=1e-9)
    # Half way: 2 mm farther out than the left one was drawn.
    x = np.interp(P[0][:, 1], side[:, 1], side[:, 0])
    assert np.allclose(P[0][2:-2, 0], x[2:-2] + 2, atol=0.3)
    assert P[0][0] == pytest.approx(0.5 * (side[0] + right[-1] * FLIP))
    assert evened[1].ease_mm == 3.0
    assert np.abs(P[2][:, 0]).max() < 1e-9
    assert np.allclose(P[3], P[3][::-1] * FLIP, atol=1e-9)
    assert P[3][:, 1] == pytest.approx(253.0, abs=0.01)
    ring = np.vstack([P[4], P[4][:1]])
    assert np.allclose(ring, ring[::-1] * FLIP, atol=1e-9)
    assert np.abs(np.hypot(P[4][:, 0], P[4][:, 1] - 300) - 60).max() < 0.4
    assert evened[5:] == lines[5:]
    assert "'side left' and 'side right' by 2.0 mm" in notes[0]
    assert "kept as drawn: 'lone', 'crest'" in notes[1]
    again, said = even_lines(cast, evened)
    assert [a.name for a, b in zip(again, evened, strict=True) if a is not b] == []
    assert said == notes[1:]


def test_a_line_that_is_mirrored_by_its_own_key_is_left_alone():
    cast = a_cast()
    line = drawn(cast, "dart left", [[80, 0, 0], [84, 100, 0]])
    one = replace(line, mirror=True)
    assert even_lines(cast, (one,)) == ((one,), ())
