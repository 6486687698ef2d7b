"""Even meshes keep the bends of a rim: plane figures keep their closed-form areas."""

import numpy as np
import pytest
import trimesh

from flatten.geometry.triangles import face_areas
from flatten.scan.remesh import remesh


def polygon(corners: int, radius: float, edge: float):
    """A regular polygon's disk with edges of at most `edge`."""
    at = 2 * np.pi * np.arange(corners) / corners
    rim = radius * np.column_stack([np.cos(at), np.sin(at), np.zeros(corners)])
    V = np.concatenate([rim, np.zeros((1, 3))])
    k = np.arange(corners)
    F = np.column_stack([k, (k + 1) % corners, np.full(corners, corners)])
    return trimesh.remesh.subdivide_to_size(V, F, edge)


# A polygon of n corners turns by 360/n at each: here by less than a corner always kept.
@pytest.mark.parametrize("corners", [8, 9, 12])
@pytest.mark.parametrize("fine", [1.0, 3.0])
def test_bends_of_a_rim_are_kept(corners, fine):
    """Area of a regular polygon: n/2 r² sin(2 pi / n), Euclid's Elements IV with the sine."""
    V, F = polygon(corners, 40.0, fine)
    done = remesh(V, F, 5.0)
    area = 0.5 * corners * 40.0**2 * np.sin(2 * np.pi / corners)
    assert face_areas(done.V, done.F).sum() == pytest.approx(area, rel=1e-9)
    sides = np.linalg.norm(done.V[done.F] - done.V[np.roll(done.F, 1, axis=1)], axis=2)
    assert sides.min() > 1.0
    assert np.median(sides) == pytest.approx(5.0, rel=0.15)


def test_a_round_rim_is_sampled_as_evenly_as_before():
    V, F = polygon(200, 40.0, 2.0)
    done = remesh(V, F, 5.0)
    # The chords of a circle of radius r leave e²/8r: nothing here that a bend would be.
    off = 40.0 - np.linalg.norm(done.V, axis=1).max()
    assert off < 0.01
    sides = np.linalg.norm(done.V[done.F] - done.V[np.roll(done.F, 1, axis=1)], axis=2)
    assert sides.min() > 2.0
