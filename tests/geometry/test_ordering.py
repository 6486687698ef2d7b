"""The space-filling curve that vertices are sorted along."""

import numpy as np

from flatten.geometry.ordering import curve_keys, sort_along_curve
from flatten.geometry.primitives import spherical_cap


def test_the_curve_goes_from_cell_to_neighbouring_cell():
    """What makes it Hilbert's: every step changes one coordinate by one (Hilbert, 1891)."""
    cell = np.stack(np.meshgrid(*[np.arange(8)] * 3, indexing="ij"), -1).reshape(-1, 3)
    corners = np.array([[0.0, 0, 0], [1023, 1023, 1023]])
    keys = curve_keys(np.concatenate([corners, cell * 128.0 + 64]))[2:]
    walk = cell[np.argsort(keys)]
    assert (np.abs(np.diff(walk, axis=0)).sum(axis=1) == 1).all()


def test_sorting_keeps_the_mesh_and_brings_neighbours_together():
    V, F = spherical_cap(60.0, 1.2, rings=30)
    shuffle = np.random.default_rng(0).permutation(len(V))
    mixed, G = V[shuffle], np.argsort(shuffle)[F]
    order, H, faces = sort_along_curve(mixed, G)
    assert np.allclose(mixed[order][H], mixed[G][faces])
    apart = np.abs(H - np.roll(H, 1, axis=1))
    assert np.median(apart) < 0.02 * len(V)
    assert np.median(np.abs(G - np.roll(G, 1, axis=1))) > 0.1 * len(V)


def test_one_point_and_none():
    assert len(curve_keys(np.zeros((0, 3)))) == 0
    assert curve_keys(np.ones((4, 3))).tolist() == [0, 0, 0, 0]
