"""The strip ahead that is worth most is found without trying every one exactly."""

import numpy as np
import pytest

from flatten.ink.strip import (
    AHEAD_MM,
    BACK_MM,
    LEAST,
    SHIFT_MM,
    SHIFTS,
    TURN_DEG,
    TURNS,
    best_strip,
    room,
    strip,
)


def tried_at_all(points):
    """The (turn, shift) worth most, by looking at every strip."""
    best, found = LEAST, (0.0, 0.0)
    for i in range(-TURNS, TURNS + 1):
        turn = np.pi / 180.0 * TURN_DEG * i
        for k in range(-SHIFTS, SHIFTS + 1):
            core, stand = strip(
                len(points), points, np.cos(turn), np.sin(turn), SHIFT_MM * k, BACK_MM, AHEAD_MM
            )
            worth = stand + 0.4 * core - 0.22 * (i / TURNS) ** 2 - 0.06 * (k / SHIFTS) ** 2
            if worth > best:
                best, found = worth, (turn, SHIFT_MM * k)
    return found


@pytest.mark.parametrize("count", [0, 5, 60, 400])
@pytest.mark.parametrize("level", [1.0, -40.0])
def test_the_best_strip_is_the_one_that_trying_each_finds(count, level):
    rng = np.random.default_rng(count)
    for _ in range(40):
        points = np.zeros((count, 8))
        points[:, :2] = rng.uniform(-9, 9, (count, 2))
        points[:, 3] = rng.uniform(0.1, 2.0, count)
        way, aside = rng.uniform(-0.6, 0.6), rng.uniform(-1.5, 1.5)
        off = points[:, 1] - aside - points[:, 0] * np.tan(way)
        points[:, 2] = level * (np.abs(off) < 1.6) + rng.normal(0, 0.2, count)
        assert best_strip(count, points, *room(4096)) == tried_at_all(points)
