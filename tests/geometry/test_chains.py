"""Loose segments joined end to end."""

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from flatten.geometry.chains import chain_segments, weld_points


def test_an_open_run_keeps_the_direction_it_was_drawn_in():
    assert chain_segments([(2, 3), (1, 2), (3, 4)]) == [([1, 2, 3, 4], False)]
    assert chain_segments([(3, 2), (2, 1)]) == [([3, 2, 1], False)]


def test_a_ring_closes_and_three_arms_part():
    assert chain_segments([(5, 6), (6, 7), (7, 5)]) == [([5, 6, 7], True)]
    runs = chain_segments([(0, 1), (1, 2), (3, 2), (4, 2)])
    assert sorted(sorted((run[0], run[-1])) for run, _ in runs) == [[0, 2], [2, 3], [2, 4]]


@given(st.lists(st.tuples(st.integers(0, 8), st.integers(0, 8)), max_size=25))
def test_every_segment_is_in_exactly_one_run(segments):
    runs = chain_segments(segments)
    held = []
    for run, closed in runs:
        held += [frozenset(p) for p in pairwise(run)]
        if closed:
            held.append(frozenset((run[-1], run[0])))
    assert len(held) == len(set(held))
    assert set(held) == {frozenset(s) for s in segments if s[0] != s[1]}


def test_points_that_coincide_share_a_number():
    P = np.array([[0, 0, 0], [1, 0, 0], [1e-9, 0, 0]], dtype=float)
    number = weld_points(P, 1e-6)
    assert number[0] == number[2] != number[1]
