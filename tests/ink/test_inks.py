"""Strokes sorted by pen from their colours alone."""

from dataclasses import replace

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


@pytest.mark.parametrize(
    ("tape", "fold", "pen"),
    [
        (RED_TAPE, (88, 16, 19), WHITE),
        (BLUE_TAPE, (34, 66, 134), WHITE),
        (BLUE_TAPE, (34, 66, 134), BLACK),
    ],
)
def test_a_fold_in_coloured_tape_is_no_pen(tape, fold, pen):
    # Darker by the same share of light, but for what dim channels make of it: the tape's own hue.
    lines = [stroke(tape, pen, 400.0, 30.0 * k) for k in range(4)]
    found = sort_inks([*lines, stroke(tape, fold, 110.0, 200.0)])
    assert found.faint[4] or found.ink[4] < 0
    assert (found.ink[:4] == 0).all()


@pytest.mark.parametrize("tape", [RED_TAPE, BLUE_TAPE])
def test_a_dark_pen_beside_a_white_one_is_a_pen(tape):
    lines = [stroke(tape, WHITE, 400.0, 30.0 * k) for k in range(4)]
    found = sort_inks([*lines, stroke(tape, BLACK, 110.0, 200.0)])
    assert found.ink.tolist() == [0, 0, 0, 0, 1]
    assert not found.faint[4]


@pytest.mark.parametrize(("even", "taken"), [(0.95, True), (0.65, False)])
def test_a_light_stroke_that_is_weak_and_uneven_is_left_in_doubt(even, taken):
    # Gloss on black tape is as grey as a silver pen; it comes and goes along its length.
    tape = (36.0, 37.0, 40.0)
    lines = [stroke(tape, (205, 208, 212), 400.0, 30.0 * k) for k in range(4)]
    ridge = replace(stroke(tape, (105, 107, 112), 110.0, 200.0), even=even)
    found = sort_inks([*lines, ridge])
    assert (found.ink[4] == 0 and not found.faint[4]) == taken


def test_a_wide_pen_that_explains_little_of_what_is_there_is_a_pen():
    wide = [
        replace(stroke(RED_TAPE, WHITE, 400.0, 30.0 * k), explained=0.4, even=0.9) for k in range(4)
    ]
    assert (sort_inks(wide).ink == 0).all()
    # As little of it, in patches, is gloss.
    patches = [replace(s, even=0.6) for s in wide]
    assert (sort_inks(patches).ink < 0).all()


@pytest.mark.parametrize(
    ("length", "explained", "taken"), [(400, 0.9, 4), (400, 0.5, 0), (90, 0.9, 0)]
)
def test_faint_strokes_are_ink_only_where_they_are_crisp_and_long(length, explained, taken):
    tape = (150.0, 152.0, 156.0)
    lines = [stroke(tape, (95, 96, 100), float(length), 30.0 * k) for k in range(4)]
    found = sort_inks([replace(s, explained=explained) for s in lines])
    assert ((found.ink >= 0) & ~found.faint).sum() == taken
