"""Vectors of space as triples of floats, for compiled loops: quick to compile and to run."""

from math import sqrt

from numba import njit


@njit(cache=True)
def at(V, i):
    """Row i of V (n, 3)."""
    return V[i, 0], V[i, 1], V[i, 2]


@njit(cache=True)
def put(V, i, p):
    """Sets row i of V (n, 3)."""
    V[i, 0], V[i, 1], V[i, 2] = p[0], p[1], p[2]


@njit(cache=True)
def minus(p, q):
    return p[0] - q[0], p[1] - q[1], p[2] - q[2]


@njit(cache=True)
def plus(p, t, q):
    """p + t q."""
    return p[0] + t * q[0], p[1] + t * q[1], p[2] + t * q[2]


@njit(cache=True)
def dot(p, q):
    return p[0] * q[0] + p[1] * q[1] + p[2] * q[2]


@njit(cache=True)
def cross(p, q):
    return (
        p[1] * q[2] - p[2] * q[1],
        p[2] * q[0] - p[0] * q[2],
        p[0] * q[1] - p[1] * q[0],
    )


@njit(cache=True)
def norm(p):
    return sqrt(p[0] * p[0] + p[1] * p[1] + p[2] * p[2])


@njit(cache=True)
def gap(p, q):
    """Distance between two points."""
    return norm(minus(p, q))


@njit(cache=True)
def mix(w, p, q, r):
    """The point with barycentric weights w between p, q and r."""
    return (
        w[0] * p[0] + w[1] * q[0] + w[2] * r[0],
        w[0] * p[1] + w[1] * q[1] + w[2] * r[1],
        w[0] * p[2] + w[1] * q[2] + w[2] * r[2],
    )
