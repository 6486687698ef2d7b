"""Vectors of space as triples of floats, for compiled loops: quick to compile and to run."""

from math import sqrt
from typing import Any

from numba import njit

# For functions that only compiled code calls: without the way in from Python, which costs a fifth
# of the time to compile. Called from Python they crash it.
INNER: dict[str, Any] = {"cache": True, "no_cpython_wrapper": True, "no_cfunc_wrapper": True}
inner = njit(**INNER)


@inner
def at(V, i):
    """Row i of V (n, 3)."""
    return V[i, 0], V[i, 1], V[i, 2]


@inner
def put(V, i, p):
    """Sets row i of V (n, 3)."""
    V[i, 0], V[i, 1], V[i, 2] = p[0], p[1], p[2]


@inner
def minus(p, q):
    return p[0] - q[0], p[1] - q[1], p[2] - q[2]


@inner
def plus(p, t, q):
    """p + t q."""
    return p[0] + t * q[0], p[1] + t * q[1], p[2] + t * q[2]


@inner
def dot(p, q):
    return p[0] * q[0] + p[1] * q[1] + p[2] * q[2]


@inner
def cross(p, q):
    return (
        p[1] * q[2] - p[2] * q[1],
        p[2] * q[0] - p[0] * q[2],
        p[0] * q[1] - p[1] * q[0],
    )


@inner
def norm(p):
    return sqrt(p[0] * p[0] + p[1] * p[1] + p[2] * p[2])


@inner
def gap(p, q):
    """Distance between two points."""
    return norm(minus(p, q))


@inner
def mix(w, p, q, r):
    """The point with barycentric weights w between p, q and r."""
    return (
        w[0] * p[0] + w[1] * q[0] + w[2] * r[0],
        w[0] * p[1] + w[1] * q[1] + w[2] * r[1],
        w[0] * p[2] + w[1] * q[2] + w[2] * r[2],
    )
