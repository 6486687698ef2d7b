"""Single-stroke lettering: size, place and signs beyond ASCII."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flatten.geometry.lettering import ABOVE, BELOW, spell, text_strokes, text_width
from flatten.records.drawing import Text


def points_of(text, **more):
    strokes = text_strokes(Text(text=text, at=(0.0, 0.0), height=10.0, **more))
    return np.concatenate([s.points for s in strokes])


def test_capitals_are_as_high_as_asked_and_stand_on_the_baseline():
    P = points_of("HELM")
    assert P[:, 1].min() == pytest.approx(0.0)
    assert P[:, 1].max() == pytest.approx(10.0)


def test_the_angle_turns_about_the_left_end_of_the_baseline():
    flat, upright = points_of("Left 12"), points_of("Left 12", angle_deg=90.0)
    assert np.allclose(upright, np.column_stack([-flat[:, 1], flat[:, 0]]))


@given(st.text(max_size=20))
def test_any_text_is_drawn_within_its_width_and_reach(text):
    width = text_width(text, 10.0)
    strokes = text_strokes(Text(text=text, at=(0.0, 0.0), height=10.0))
    assert all(c in " ?" or c == "°" or not c.isspace() for c in spell(text))
    for stroke in strokes:
        assert len(stroke.points) >= 2
        # An accent on a letter that is narrower than itself may stand over by a little.
        assert stroke.points[:, 0].min() > -3.0
        assert stroke.points[:, 0].max() < width + 3.0
        assert stroke.points[:, 1].min() >= -10.0 * BELOW
        assert stroke.points[:, 1].max() <= 10.0 * ABOVE


@pytest.mark.parametrize(
    ("text", "spelt"),
    [("Größe", "Gro\u0308sse"), ("5 × 3 mm", "5 x 3 mm"), ("“neck” – 12°", '"neck" - 12°'),
     ("½", "1/2"), ("漢", "?"), ("a\tb\nc", "a b c"), ("\x00", ""), ("ﬁt", "fit")],
)  # fmt: skip
def test_signs_beyond_ascii_are_spelt_with_what_there_is(text, spelt):
    assert spell(text) == spelt


def test_an_accent_stands_over_its_letter_and_takes_no_room():
    assert text_width("é", 10.0) == text_width("e", 10.0)
    plain, accented = points_of("e"), points_of("é")
    assert accented[:, 1].max() > plain[:, 1].max() + 1.0
    assert points_of("É")[:, 1].max() > 10.5


def test_width_adds_up_letter_by_letter():
    assert text_width("Left", 5.0) == pytest.approx(sum(text_width(c, 5.0) for c in "Left"))
    assert text_width("", 5.0) == 0.0
