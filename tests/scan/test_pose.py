"""Bodies turned at random come back upright; the wearer's left stays left."""

import numpy as np
import pytest
import wraps

from flatten.errors import BadInput
from flatten.scan.pose import find_frame


@pytest.fixture(scope="module")
def torso():
    return wraps.torso(100, 120)


@pytest.fixture(scope="module")
def leg():
    return wraps.leg(140, 72)


def errors(R, turn):
    """Degrees by which up and front are off, once the turned body is turned back by R."""
    Q = R @ turn
    return np.degrees([np.arccos(np.clip(Q[1, 1], -1, 1)), np.abs(np.arctan2(Q[2, 0], Q[2, 2]))])


@pytest.mark.parametrize("seed", range(4))
def test_a_torso_is_found_from_its_openings(torso, seed):
    V, F = torso
    turn = wraps.random_turn(np.random.default_rng(seed))
    frame = find_frame(V @ turn.T, F, None, None)
    assert np.linalg.det(frame.R) == pytest.approx(1)
    up, front = errors(frame.R, turn)
    assert up < 10
    assert front < 10
    assert "the wearer's left arm opening is at +x" in frame.notes[-1]


@pytest.mark.parametrize("seed", range(4))
def test_a_leg_stands_on_its_ankle_with_the_calf_behind(leg, seed):
    V, F = leg
    turn = wraps.random_turn(np.random.default_rng(seed))
    frame = find_frame(V @ turn.T, F, None, None)
    assert np.linalg.det(frame.R) == pytest.approx(1)
    up, front = errors(frame.R, turn)
    assert up < 12
    assert front < 35
    assert any("guess" in note for note in frame.notes if note.startswith("front"))


def test_a_mirrored_scan_still_gets_a_proper_rotation(torso):
    V, F = torso
    frame = find_frame(V * [-1, 1, 1], F[:, ::-1], None, None)
    assert np.linalg.det(frame.R) == pytest.approx(1)
    assert "may be mirrored" in frame.notes[-1]


def test_a_scan_saved_upright_keeps_its_axes(torso):
    V, F = torso
    frame = find_frame(V, F, None, None)
    np.testing.assert_allclose(frame.R, np.eye(3), atol=1e-12)
    assert "the file's +y" in frame.notes[0]


def test_given_axes_are_taken_as_they_are(torso):
    V, F = torso
    up, front = np.array([0, 0, 1.0]), np.array([0, -1.0, 0.1])
    frame = find_frame(V, F, up, front)
    np.testing.assert_allclose(frame.R @ up, [0, 1, 0], atol=1e-12)
    np.testing.assert_allclose(frame.R, [[1, 0, 0], [0, 0, 1], [0, -1, 0]], atol=1e-12)
    assert frame.notes == ()


def test_only_front_is_looked_for_when_up_is_given(leg):
    V, F = leg
    frame = find_frame(V, F, np.array([0, 1.0, 0]), None)
    np.testing.assert_allclose(frame.R, np.eye(3), atol=1e-12)


def test_up_along_front_is_refused(torso):
    V, F = torso
    with pytest.raises(BadInput, match="along one line"):
        find_frame(V, F, np.array([0, 1.0, 0]), np.array([0, -1.0, 0.01]))


def test_one_triangle_keeps_the_file_axes():
    V = np.array([[0, 0, 0], [100, 0, 0], [0, 80, 0.0]])
    frame = find_frame(V, np.array([[0, 1, 2]]), None, None)
    np.testing.assert_allclose(frame.R, np.eye(3), atol=1e-12)
    assert "guess" in frame.notes[0]
