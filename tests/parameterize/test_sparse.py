"""The sparse factorisation against SciPy's, and its order against what dissection promises."""

import numpy as np
import pytest
import scipy.sparse as sp
import scipy.sparse.linalg as sl

from flatten.geometry import sparse
from flatten.geometry.dissection import analyse
from flatten.geometry.primitives import spherical_cap
from flatten.geometry.sparse import Factor
from flatten.geometry.topology import unique_edges


def system(rings: int, seed: int = 0):
    V, F = spherical_cap(100.0, 1.0, rings=rings)
    edges, _, _ = unique_edges(F)
    w = np.random.default_rng(seed).random(len(edges)) + 0.1
    on = np.bincount(edges[:, 0], w, len(V)) + np.bincount(edges[:, 1], w, len(V)) + 0.01
    i, j = edges.T
    n = np.arange(len(V))
    A = sp.csc_matrix((np.r_[-w, -w, on], (np.r_[i, j, n], np.r_[j, i, n])))
    return V, edges, on, -w, A


@pytest.mark.parametrize("rings", [1, 2, 7, 40])
@pytest.mark.parametrize("block", [1, 2])
def test_solves_as_scipy_does(rings, block):
    V, edges, on, off, A = system(rings)
    factor = Factor(analyse(edges, V), block)
    factor.add(on, off)
    assert factor.factor()
    B = np.random.default_rng(1).normal(size=(len(V) * block, 3))
    expected = sl.spsolve(sp.kron(A, sp.eye(block), format="csc"), B)
    np.testing.assert_allclose(factor.solve(B), expected, rtol=1e-9, atol=1e-10)


@pytest.mark.parametrize("block", [1, 2])
def test_fronts_shared_by_two_threads_give_the_same_factor(block, monkeypatch):
    V, edges, on, off, _ = system(40)
    factors = []
    for worth in (sparse.WORTH_TWO, 1):
        monkeypatch.setattr(sparse, "WORTH_TWO", worth)
        for _ in range(3):
            factor = Factor(analyse(edges, V), block)
            factor.add(on, off)
            assert factor.factor()
            factors.append(factor.values)
    for other in factors[1:]:
        np.testing.assert_array_equal(other, factors[0])
    on[5] = -1.0
    factor = Factor(analyse(edges, V), block)
    factor.add(on, off)
    assert not factor.factor()


def test_half_solves_make_the_inverse_product():
    V, edges, on, off, A = system(12)
    factor = Factor(analyse(edges, V))
    factor.add(on, off)
    factor.factor()
    B = np.random.default_rng(2).normal(size=(len(V), 2))
    Y = factor.solve_lower(B)
    np.testing.assert_allclose(Y @ Y.T, B.T @ sl.spsolve(A, B), rtol=1e-9)


def test_schur_complement_of_the_last_unknowns():
    V, edges, on, off, A = system(9)
    last = np.arange(len(V) - 30, len(V))
    factor = Factor(analyse(edges, V, last=last))
    factor.add(on, off)
    assert factor.factor(hold_last=True)
    A = A.toarray()
    a, b, c = A[:-30, :-30], A[:-30, -30:], A[-30:, -30:]
    np.testing.assert_allclose(
        np.triu(factor.schur()), np.triu(c - b.T @ np.linalg.solve(a, b)), atol=1e-9
    )
    values = np.random.default_rng(3).normal(size=(30, 2))
    np.testing.assert_allclose(
        factor.extend(values)[:-30], -np.linalg.solve(a, b @ values), atol=1e-9
    )


def test_an_indefinite_matrix_is_told():
    V, edges, on, off, _ = system(6)
    on[5] = -1.0
    factor = Factor(analyse(edges, V))
    factor.add(on, off)
    assert not factor.factor()


def test_unconnected_parts_and_single_unknowns():
    edges = np.array([[0, 1], [3, 4]])
    points = np.zeros((6, 2))  # all in one place: the order must not depend on it
    factor = Factor(analyse(edges, points))
    factor.add(np.full(6, 2.0), np.array([-1.0, 1.0]))
    assert factor.factor()
    A = 2 * np.eye(6)
    A[0, 1] = A[1, 0] = -1
    A[3, 4] = A[4, 3] = 1
    b = np.arange(6.0)
    np.testing.assert_allclose(factor.solve(b), np.linalg.solve(A, b))


def test_fill_grows_as_nested_dissection_bounds_it():
    # George 1973: the factor of an n-vertex plane mesh has O(n log n) entries.
    per = []
    for rings in (20, 40, 80):
        V, edges, *_ = system(rings)
        per.append(analyse(edges, V).entries / (len(V) * np.log2(len(V))))
    assert max(per) < 3.5
    assert per[2] < 1.15 * per[1]
