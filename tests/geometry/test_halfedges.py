"""Half edges grouped by edge, their opposites and the border loops."""

import igl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flatten.geometry.halfedges import border_cycles, group_half_edges, opposites
from flatten.geometry.primitives import spherical_cap

faces = st.lists(
    st.tuples(*[st.integers(0, 9)] * 3).filter(lambda f: len(set(f)) == 3), min_size=1, max_size=30
)


@settings(deadline=None)
@given(faces)
def test_any_soup_is_grouped_as_a_dictionary_groups_it(rows):
    F = np.array(rows)
    wanted: dict[tuple[int, int], set[int]] = {}
    for h in range(F.size):
        a, b = F[h // 3, h % 3], F[h // 3, (h + 1) % 3]
        wanted.setdefault((min(a, b), max(a, b)), set()).add(h)
    groups = group_half_edges(F, 10)
    found = [
        set(groups.order[i:j].tolist())
        for i, j in zip(groups.start[:-1], groups.start[1:], strict=True)
    ]
    assert found == [wanted[key] for key in sorted(wanted)]


def test_a_closed_surface_pairs_every_half_edge():
    F = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 1], [1, 3, 2]])
    twin = opposites(F, 4)
    assert (twin[twin] == np.arange(12)).all()


@pytest.mark.parametrize(
    ("F", "what"),
    [
        ([[0, 1, 2], [1, 0, 3], [0, 1, 4]], "more than two"),
        ([[0, 1, 2], [0, 1, 3]], "same way"),
    ],
)
def test_what_is_no_oriented_manifold_is_refused(F, what):
    with pytest.raises(ValueError, match=what):
        opposites(np.array(F), 5)


def test_border_loops_are_those_of_an_independent_library():
    """libigl's boundary_loop, on a cap with a face taken out of its middle."""
    _, F = spherical_cap(50.0, 1.0, rings=6)
    F = np.delete(F, 0, axis=0)
    n = int(F.max()) + 1
    ours = border_cycles(F, opposites(F, n))
    theirs = igl.boundary_loop_all(F) if hasattr(igl, "boundary_loop_all") else None
    longest = igl.boundary_loop(F)
    assert [len(loop) for loop in ours] == [36, 3]
    assert set(ours[0].tolist()) == set(np.asarray(longest).tolist())
    if theirs is not None:
        assert sorted(map(len, theirs)) == [3, 36]
    # The surface lies on the left: every step of a loop is a half edge of a face.
    steps = {(int(a), int(b)) for f in F for a, b in zip(f, np.roll(f, -1), strict=True)}
    for loop in ours:
        assert all((int(a), int(b)) in steps for a, b in zip(loop, np.roll(loop, -1), strict=True))
