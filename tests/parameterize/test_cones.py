"""The cone algebra against its own defining identities."""

import numpy as np

from flatten.parameterize import cones


def within(seed: int, m: int = 200):
    rng = np.random.default_rng(seed)
    g = rng.normal(size=(m, 3))
    g[:, 0] = np.hypot(g[:, 1], g[:, 2]) * (1 + rng.random(m)) + 1e-3
    return g


def product(u, v):
    """The Jordan product of the second-order cone (Alizadeh & Goldfarb, 2003, section 4)."""
    first = (u * v).sum(axis=1)
    return np.column_stack([first, u[:, :1] * v[:, 1:] + v[:, :1] * u[:, 1:]])


def weights(k):
    """(m, 3, 3) W^-2."""
    return k.weight[:, [0, 1, 2, 1, 3, 4, 2, 4, 5]].reshape(-1, 3, 3)


def root(S):
    """Square roots of symmetric positive definite matrices (m, 3, 3)."""
    value, vector = np.linalg.eigh(S)
    return np.einsum("mij,mj,mkj->mik", vector, np.sqrt(value), vector)


def test_scaling_maps_both_to_the_same_point():
    g, z = within(0), within(1)
    k = cones.scale(g, z)
    back = root(weights(k))  # W^-1, the symmetric root: W is symmetric and positive definite
    np.testing.assert_allclose(np.einsum("mij,mj->mi", back, g), k.scaled, rtol=1e-8, atol=1e-9)
    np.testing.assert_allclose(np.linalg.solve(back, z[:, :, None])[:, :, 0], k.scaled, rtol=1e-7)
    np.testing.assert_allclose(cones.multiply(k.weight, g), z, rtol=1e-9, atol=1e-10)


def test_inverse():
    g = within(3)
    one = np.tile([1.0, 0.0, 0.0], (200, 1))
    np.testing.assert_allclose(product(g, cones.inverse(g)), one, atol=1e-9)


def test_centring_solves_the_scaled_complementarity():
    """scaled x W z' + W^-1 dg x W dz = aim (1, 0, 0) (Vandenberghe, 2010, section 7)."""
    g, z = within(0), within(1)
    rng = np.random.default_rng(7)
    dg, dz, aim = rng.normal(size=g.shape), rng.normal(size=g.shape), rng.random(len(g))
    k = cones.scale(g, z)
    back = root(weights(k))
    wanted = k.centred(aim, g, dg, dz)

    def forward(x):
        return np.linalg.solve(back, x[:, :, None])[:, :, 0]

    total = product(k.scaled, forward(wanted))
    total += product(np.einsum("mij,mj->mi", back, dg), forward(dz))
    np.testing.assert_allclose(total, aim[:, None] * np.array([1.0, 0, 0]), atol=1e-7)


def test_longest_step_ends_on_the_edge():
    g, d = within(5), np.random.default_rng(6).normal(size=(200, 3))
    t = cones.longest_step(g, d)
    ends = np.isfinite(t)
    assert 20 < ends.sum() < 200
    t = np.where(ends, t, 1e3)[:, None]
    assert cones.inside(g + 0.999 * t * d).all()
    assert not cones.inside(g[ends] + 1.001 * t[ends] * d[ends]).any()
