"""Strokes sorted by pen from their colours alone."""

import numpy as np
import pytest

from flatten.ink.fit import Stroke
from flatten.ink.inks import sort_inks

RED_TAPE, BLUE_TAPE = (116.0, 25.0, 28.0), (52.0, 84.0, 158.0)
WHITE, BLACK = (168.0, 164.0, 160.0), (24.0, 24.0, 26.0)


def stroke(tape, colour, length, at):
    """A clear, even stroke of a colour as seen on tape."""
    x = np.linspace(0.0, length, int(length / 1.5) + 1)
    P = np.column_stack([x, np.full(len(x), at), np.zeros(len(x))])
    ones = np.ones(len(x))
    return Stroke(
        points=P,
        normals=np.tile([0.0, 0.0, 1.0], (len(x), 1)),
        closed=False,
        contrast=np.asarray(colour) / np.asarray(tape) - 1.0,
        cover=ones,
        standing=ones,
        width=3.0,
        colour=np.asarray(colour, dtype=np.float64),
        even=1.0,
        explained=0.8,
        bare=1.0,
        error=0.01,
    )


@pytest.mark.parametrize("tape", [RED_TAPE, BLUE_TAPE])
@pytest.mark.parametrize("pen", [WHITE, BLACK])
def test_coloured_tape_that_shines_is_no_pen(tape, pen):
    lines = [stroke(tape, pen, 400.0, 30.0 * k) for k in range(4)]
    shine = stroke(tape, np.asarray(tape) + 55.0, 110.0, 200.0)
    found = sort_inks([*lines, shine])
    assert found.ink.tolist() == [0, 0, 0, 0, -1]


@pytest.mark.parametrize("tape", [RED_TAPE, BLUE_TAPE])
def test_a_white_pen_beside_a_black_one_is_a_pen(tape):
    lines = [stroke(tape, BLACK, 400.0, 30.0 * k) for k in range(4)]
    found = sort_inks([*lines, stroke(tape, (250.0, 248.0, 245.0), 110.0, 200.0)])
    black, white = set(found.ink[:4].tolist()), int(found.ink[4])
    assert white >= 0
    assert len(black) == 1
    assert white not in black
