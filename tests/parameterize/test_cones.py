"""The cone algebra against its own defining identities."""

import numpy as np

from flatten.parameterize import cones


def within(seed: int, m: int = 200):
    rng = np.random.default_rng(seed)
    g = rng.normal(size=(m, 3))
    g[:, 0] = np.hypot(g[:, 1], g[:, 2]) * (1 + rng.random(m)) + 1e-3
    return g


def test_scaling_maps_both_to_the_same_point():
    g, z = within(0), within(1)
    k = cones.scale(g, z)
    np.testing.assert_allclose(k.forward(z), k.backward(g), rtol=1e-10, atol=1e-12)
    np.testing.assert_allclose(cones.multiply(k.weight(), g), z, rtol=1e-9, atol=1e-10)
    x = np.random.default_rng(2).normal(size=g.shape)
    np.testing.assert_allclose(k.backward(k.forward(x)), x, atol=1e-10)


def test_inverse_and_division():
    g, x = within(3), np.random.default_rng(4).normal(size=(200, 3))
    one = np.tile([1.0, 0.0, 0.0], (200, 1))
    np.testing.assert_allclose(cones.product(g, cones.inverse(g)), one, atol=1e-9)
    np.testing.assert_allclose(cones.product(g, cones.divide(g, x)), x, atol=1e-8)


def test_longest_step_ends_on_the_edge():
    g, d = within(5), np.random.default_rng(6).normal(size=(200, 3))
    t = cones.longest_step(g, d)
    ends = np.isfinite(t)
    assert 20 < ends.sum() < 200
    t = np.where(ends, t, 1e3)[:, None]
    assert cones.inside(g + 0.999 * t * d).all()
    assert not cones.inside(g[ends] + 1.001 * t[ends] * d[ends]).any()
