"""Joins the two sides of a slit: shares the step between them and bridges the gap by a strip."""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.curves import arc_length
from flatten.geometry.topology import unique_edges
from flatten.geometry.triangles import Array, Faces
from flatten.scan.borders import steady_normals
from flatten.scan.slit_sides import SlitSides
from flatten.scan.spread import spread

Ints = NDArray[np.int64]

FADE_MM = 40.0  # a step is faded out over this distance from the slit, as a stiff wrap bends
SEEN_STEP_MM = 0.5


def zip_sides(s: Array, t: Array) -> list[tuple[int, int]]:
    """Rungs (i, j) from (0, 0) to both ends of two chains whose points lie at shares s and t.

    Each rung moves on by one point, on the side whose next point comes first.
    """
    i = j = 0
    rungs = [(0, 0)]
    m, n = len(s) - 1, len(t) - 1
    while i < m or j < n:
        if j == n or (i < m and s[i + 1] <= t[j + 1]):
            i += 1
        else:
            j += 1
        rungs.append((i, j))
    return rungs


def bridge(
    V: Array, F: NDArray[np.int32], slit: SlitSides
) -> tuple[Array, NDArray[np.int32], Array]:
    """The mesh with a strip between the sides of a slit, and the strip's middle line (k, 3).

    Side a runs along its border with the surface on its left, side b against its border's run.
    """
    a, b = slit.a.vertices, slit.b.vertices
    P, Q = V[a], V[b]
    rungs = zip_sides(slit.a.share, slit.b.share)
    edge = float(np.median(np.linalg.norm(np.diff(P, axis=0), axis=1)))
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
        points += list(_hermite(P[i], far * slit.a.out[i], Q[j], -far * slit.b.out[j], t))
        ladder.append(np.concatenate([a[i : i + 1], np.arange(first, first + count), b[j : j + 1]]))
    W = np.vstack([V, *points]) if points else V
    faces: list[tuple[int, int, int]] = []
    for low, high in pairwise(ladder):
        faces += _between_rungs(low, high)
    middle = np.array([_middle(W[rung]) for rung in ladder])
    return W, np.concatenate([F, np.array(faces, dtype=np.int32).reshape(-1, 3)]), _spaced(middle)


def _inner_edges(F: Faces, among: Ints) -> set[tuple[int, int]]:
    """Edges between two of the given vertices that have two faces already."""
    on = np.zeros(int(F.max()) + 1, dtype=bool)
    on[among] = True
    T = F[on[F].sum(axis=1) >= 2]
    edges, _, count = unique_edges(T)
    return set(map(tuple, edges[count == 2].tolist()))


def _between_rungs(low: Ints, high: Ints) -> list[tuple[int, int, int]]:
    """Triangles between two neighbouring rungs, which may share an end.

    From a shared end one triangle leads to both next points: no rung is skipped through it.
    """
    head, tail = [], []
    if len(low) > 1 and len(high) > 1:
        if low[0] == high[0]:
            head = [(low[0], low[1], high[1])]
            low, high = low[1:], high[1:]
        if low[-1] == high[-1] and len(low) > 1 and len(high) > 1:
            tail = [(low[-2], low[-1], high[-2])]
            low, high = low[:-1], high[:-1]
    steps = zip_sides(np.linspace(0, 1, len(low)), np.linspace(0, 1, len(high)))
    body = [(low[i], low[k] if k > i else high[m], high[j]) for (i, j), (k, m) in pairwise(steps)]
    faces = [(int(a), int(b), int(c)) for a, b, c in (*head, *body, *tail)]
    return [face for face in faces if len(set(face)) == 3]


def _hermite(p: Array, p_out: Array, q: Array, q_in: Array, t: Array) -> Array:
    """Points at t of the cubic from p, leaving along p_out, to q, arriving along q_in."""
    t = t[:, None]
    return (
        (2 * t**3 - 3 * t**2 + 1) * p
        + (t**3 - 2 * t**2 + t) * p_out
        + (3 * t**2 - 2 * t**3) * q
        + (t**3 - t**2) * q_in
    )


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
    arc = arc_length(S)
    at = np.linspace(0.0, arc[-1], max(2, round(arc[-1] / step) + 1))
    return np.column_stack([np.interp(at, arc, c) for c in S.T])


def share_step(V: Array, F: Faces, slits: list[SlitSides]) -> Array:
    """Moves both sides of each stepped slit to the middle height, fading out away from it."""
    V = V.copy()
    for slit in slits:
        if float(np.quantile(np.abs(slit.step), 0.75)) < SEEN_STEP_MM:
            continue
        height = _smooth_chain(slit.step[:, None], 9)[:, 0]
        height_b = np.interp(slit.b.share, slit.a.share, height)
        ends = np.concatenate([slit.a.vertices, slit.b.vertices])
        move = np.concatenate([0.5 * height, -0.5 * height_b])
        V += _faded(V, F, ends, move)
    return V


def _faded(V: Array, F: Faces, ends: Ints, move: Array) -> Array:
    """Displacements along the normals: `move` at the vertices `ends`, none FADE_MM away."""
    v, far, origin = spread(V, F, ends, FADE_MM)
    x = 1.0 - far / FADE_MM
    N = steady_normals(V, F, v, rings=2)
    result = np.zeros_like(V)
    result[v] = (move[origin] * x * x * (3 - 2 * x))[:, None] * N[v]
    return result
