"""A nearly symmetric cast becomes the exact mirror image of itself, half way between its sides."""

from pathlib import Path

import numpy as np
import pytest
import wraps
from scipy.spatial import KDTree

from flatten.errors import BadInput
from flatten.geometry.boxtree import box_tree, nearest_points
from flatten.geometry.halfedges import opposites
from flatten.records.job import ScanSpec
from flatten.records.scan import Scan
from flatten.scan.prepare import prepare

FLIP = np.array([-1.0, 1.0, 1.0])


def uneven_torso():
    """A bust whose left is up to 6 mm fuller and reaches 12 mm lower, stood askew; the same
    vertices half way between the sides; and the turn and shift that it got."""
    V, F = wraps.torso(60, 72)
    twin = KDTree(V).query(V * FLIP)[1]
    assert np.allclose(V[twin] * FLIP, V)
    left = np.clip(V[:, 0] / 60, 0, 1)
    X = V.copy()
    X[:, 2] += 6 * left * np.sin(V[:, 1] / 70)
    X[:, 1] -= 12 * left * np.clip(1 - V[:, 1] / 60, 0, 1)
    a = np.radians(3)
    turn = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    return X @ turn.T + [12, 0, 0], F, 0.5 * (X + X[twin] * FLIP)


def prepared(**more):
    V, F, _ = uneven_torso()
    frame = {"file": Path("t"), "up": (0, 1, 0), "front": (0, 0, 1), "edge_mm": 8.0}
    spec = ScanSpec(**frame, symmetric=True, **more)
    return prepare(Scan(name="t", V=V, F=F, unit="mm"), spec)


def mirrored_exactly(cast) -> bool:
    """Whether the mirrored faces are the faces, to the last bit and the same way round."""
    faces, back = (
        {tuple(sorted(map(tuple, corners))) for corners in (cast.V[cast.F] * s + 0.0).tolist()}
        for s in (1.0, FLIP)
    )
    return faces == back


@pytest.mark.parametrize("ease_mm", [0.0, 3.0, 12.0])
def test_the_cast_is_its_own_mirror_image_also_after_an_offset(ease_mm):
    cast = prepared(ease_mm=ease_mm)
    assert mirrored_exactly(cast)
    opposites(cast.F, len(cast.V))  # raises where it is no oriented manifold
    assert cast.symmetry is not None
    assert cast.symmetry.normal.tolist() == [1.0, 0.0, 0.0]


def test_it_lies_half_way_between_the_sides():
    cast = prepared()
    _, F, mean = uneven_torso()
    near, _ = nearest_points(box_tree(mean, F), cast.V)
    off = np.linalg.norm(near - cast.V, axis=1)
    # The plane is found to half a millimetre or so; the sides are up to 3 mm from the mean.
    # The armholes are filled in, where the formula has nothing.
    arm = (cast.V[:, 1] > 330) & (np.abs(cast.V[:, 0]) > 80)
    assert np.sqrt((off[~arm] ** 2).mean()) < 0.7
    assert off[~arm].max() < 2.5
    # The lower rim reaches 12 mm lower on one side only: 6 on both.
    assert cast.V[:, 1].min() == pytest.approx(mean[:, 1].min(), abs=0.5)
    said = " ".join(cast.notes)
    assert "12 mm farther on its left" in said
    assert "averaged (symmetric = true)" in said


def test_what_is_less_symmetric_than_asked_is_refused_with_the_figure():
    with pytest.raises(
        BadInput, match=r"not symmetric: it misses its mirror image by [2-3]\.\d mm"
    ):
        prepared(symmetric_mm=0.5)
