"""Joins the two sides of a slit: shares the step between them and bridges the gap by a strip."""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.topology import unique_edges
from flatten.geometry.triangles import Array, Faces, vertex_normals
from flatten.scan.slit_sides import SlitSides
from flatten.scan.spread import spread

Ints = NDArray[np.int64]

FADE_MM = 40.0  # a step is faded out over this distance from the slit, as a stiff wrap bends
SEEN_STEP_MM = 0.5


def zip_sides(P: Array, Q: Array) -> list[tuple[int, int]]:
    """Rungs (i, j) between two polylines that run alike, from (0, 0) to both ends.

    Each rung moves on by one point on one side, to the nearer of the two next diagonals.
    """
    i = j = 0
    rungs = [(0, 0)]
    m, n = len(P) - 1, len(Q) - 1
    while i < m or j < n:
        if i == m:
            j += 1
        elif j == n:
            i += 1
        else:
            by_i = float(np.sum((P[i + 1] - Q[j]) ** 2))
            by_j = float(np.sum((P[i] - Q[j + 1]) ** 2))
            i, j = (i + 1, j) if by_i <= by_j else (i, j + 1)
        rungs.append((i, j))
    return rungs


def bridge(
    V: Array, F: NDArray[np.int32], slit: SlitSides
) -> tuple[Array, NDArray[np.int32], Array]:
    """The mesh with a strip between the sides of a slit, and the strip's middle line (k, 3).

    Side a runs along its border with the surface on its left, side b against its border's run.
    """
    a, b = slit.a, slit.b
    P, Q = V[a], V[b]
    rungs = zip_sides(P, Q)
    edge = float(np.median(np.linalg.norm(np.diff(P, axis=0), axis=1)))
    N = vertex_normals(V, F[np.isin(F, np.concatenate([a, b])).any(axis=1)])
    out_a, out_b = _leaving(P, N[a], 1.0), _leaving(Q, N[b], -1.0)
    inner = _inner_edges(F, np.concatenate([a, b]))
    points: list[Array] = []
    ladder: list[Ints] = []
    for i, j in rungs:
        if a[i] == b[j]:
            ladder.append(a[i : i + 1])
            continue
        far = float(np.linalg.norm(Q[j] - P[i]))
        count = max(round(far / edge) - 1, 0)
        if (min(a[i], b[j]), max(a[i], b[j])) in inner:
            count = max(count, 1)  # the mesh has that edge already, beside a tip
        t = (np.arange(count) + 1.0) / (count + 1)
        first = len(V) + len(points)
        points += list(_hermite(P[i], far * out_a[i], Q[j], -far * out_b[j], t))
        ladder.append(np.concatenate([a[i : i + 1], np.arange(first, first + count), b[j : j + 1]]))
    W = np.vstack([V, *points]) if points else V
    faces: list[tuple[int, int, int]] = []
    for low, high in pairwise(ladder):
        faces += _between_rungs(W, low, high)
    middle = np.array([_middle(W[rung]) for rung in ladder])
    return W, np.concatenate([F, np.array(faces, dtype=np.int32).reshape(-1, 3)]), _spaced(middle)


def _inner_edges(F: Faces, among: Ints) -> set[tuple[int, int]]:
    """Edges between two of the given vertices that have two faces already."""
    on = np.zeros(int(F.max()) + 1, dtype=bool)
    on[among] = True
    T = F[on[F].sum(axis=1) >= 2]
    edges, _, count = unique_edges(T)
    return set(map(tuple, edges[count == 2].tolist()))


def _between_rungs(W: Array, low: Ints, high: Ints) -> list[tuple[int, int, int]]:
    """Triangles between two neighbouring rungs, which may share either end."""
    faces = []
    steps = zip_sides(W[low], W[high])
    for (i, j), (k, m) in pairwise(steps):
        face = (int(low[i]), int(low[k]) if k > i else int(high[m]), int(high[j]))
        if len(set(face)) == 3:
            faces.append(face)
    return faces


def _hermite(p: Array, p_out: Array, q: Array, q_in: Array, t: Array) -> Array:
    """Points at t of the cubic from p, leaving along p_out, to q, arriving along q_in."""
    t = t[:, None]
    return (
        (2 * t**3 - 3 * t**2 + 1) * p
        + (t**3 - 2 * t**2 + t) * p_out
        + (3 * t**2 - 2 * t**3) * q
        + (t**3 - t**2) * q_in
    )


def _leaving(P: Array, N: Array, sign: float) -> Array:
    """Unit directions in which the surface leaves across a border chain, smoothed along it."""
    P, N = _smooth_chain(P), _smooth_chain(N)
    D = np.gradient(P, axis=0) if len(P) > 1 else np.zeros_like(P)
    out = sign * np.cross(D, N)
    return out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-12)


def _smooth_chain(P: Array, width: int = 7) -> Array:
    k = min(width, len(P))
    pad = np.pad(P, ((k // 2, k - 1 - k // 2), (0, 0)), mode="edge")
    return np.column_stack([np.convolve(c, np.ones(k) / k, mode="valid") for c in pad.T])


def _middle(rung: Array) -> Array:
    k = len(rung)
    return rung[k // 2] if k % 2 else 0.5 * (rung[k // 2 - 1] + rung[k // 2])


def _spaced(P: Array, step: float = 5.0) -> Array:
    """Points of a polyline about `step` apart, its ends kept, small zigzag smoothed out."""
    S = _smooth_chain(P)
    S[0], S[-1] = P[0], P[-1]
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(S, axis=0), axis=1))])
    at = np.linspace(0.0, arc[-1], max(2, round(arc[-1] / step) + 1))
    return np.column_stack([np.interp(at, arc, c) for c in S.T])


def share_step(V: Array, F: Faces, slits: list[SlitSides]) -> Array:
    """Moves both sides of each stepped slit to the middle height, fading out away from it."""
    V = V.copy()
    for slit in slits:
        if float(np.quantile(np.abs(slit.step), 0.75)) < SEEN_STEP_MM:
            continue
        P, Q = V[slit.a], V[slit.b]
        height = _smooth_chain(slit.step[:, None], 9)[:, 0]
        # Side b takes the height of the point of side a across from it.
        arc_a = _fraction(P)
        height_b = np.interp(_fraction(Q), arc_a, height)
        ends = np.concatenate([slit.a, slit.b])
        move = np.concatenate([0.5 * height, -0.5 * height_b])
        V += _faded(V, F, ends, move)
    return V


def _fraction(P: Array) -> Array:
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(P, axis=0), axis=1))])
    return arc / max(arc[-1], 1e-12)


def _faded(V: Array, F: Faces, ends: Ints, move: Array) -> Array:
    """Displacements along the normals: `move` at the vertices `ends`, none FADE_MM away."""
    v, far, origin = spread(V, F, ends, FADE_MM)
    x = 1.0 - far / FADE_MM
    near = np.zeros(len(V), dtype=bool)
    near[v] = True
    N = vertex_normals(V, F[near[F].any(axis=1)])
    result = np.zeros_like(V)
    result[v] = (move[origin] * x * x * (3 - 2 * x))[:, None] * N[v]
    return result
