"""Plane sections of a triangle mesh, open or closed, by walking the faces that the plane cuts."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError

Array = NDArray[np.float64]
Faces = NDArray[np.integer]


@dataclass(frozen=True, eq=False, kw_only=True)
class Chain:
    """One connected piece of a section.

    points : (k, 3) in order; a closed one does not repeat its first point
    closed : False where it runs from border to border of the mesh
    """

    points: Array
    closed: bool


def plane_section(V: Array, F: Faces, normal: Array, height: float) -> list[Chain]:
    """The curves in which the plane normal · x = height cuts the mesh, longest first.

    A vertex that lies on the plane counts as above it, so every cut face is cut in exactly two
    edges and the chains never branch on a manifold mesh.
    """
    h = V @ normal - height
    above = h >= 0
    corner = above[F]
    cut = corner.any(axis=1) & ~corner.all(axis=1)
    T = F[cut].astype(np.int64)
    if not len(T):
        return []
    corner = corner[cut]
    # The corner that is alone on its side: the two cut edges meet there.
    lone = np.where(corner.sum(axis=1) == 1, corner.argmax(axis=1), corner.argmin(axis=1))
    row = np.arange(len(T))
    apex, p, q = T[row, lone], T[row, (lone + 1) % 3], T[row, (lone + 2) % 3]
    ends = np.concatenate([np.column_stack([apex, p]), np.column_stack([apex, q])])
    ends.sort(axis=1)
    key, first, edge = np.unique(
        ends[:, 0] * len(V) + ends[:, 1], return_index=True, return_inverse=True
    )
    a, b = ends[first, 0], ends[first, 1]
    t = (h[a] / (h[a] - h[b]))[:, None]
    points = V[a] * (1 - t) + V[b] * t
    walks = _walk(edge[: len(T)], edge[len(T) :], len(key))
    chains = [Chain(points=points[list(nodes)], closed=closed) for nodes, closed in walks]
    return sorted(chains, key=lambda c: -_length(c))


def _walk(start: NDArray[np.intp], end: NDArray[np.intp], n: int) -> list[tuple[list[int], bool]]:
    """Node runs of a graph of n nodes and the edges start-end; nodes of degree one come first."""
    at: list[list[tuple[int, int]]] = [[] for _ in range(n)]
    for i, (a, b) in enumerate(zip(start.tolist(), end.tolist(), strict=True)):
        at[a].append((b, i))
        at[b].append((a, i))
    used = np.zeros(len(start), dtype=bool)
    runs: list[tuple[list[int], bool]] = []
    order = [i for i in range(n) if len(at[i]) == 1] + [i for i in range(n) if len(at[i]) != 1]
    for first in order:
        node, run = first, [first]
        while True:
            step = next(((m, i) for m, i in at[node] if not used[i]), None)
            if step is None:
                break
            used[step[1]] = True
            node = step[0]
            run.append(node)
            if node == first:
                break
        if len(run) > 2 and run[-1] == first:
            runs.append((run[:-1], True))
        elif len(run) > 1:
            runs.append((run, False))
    return runs


def _length(chain: Chain) -> float:
    return float(np.linalg.norm(np.diff(chain.points, axis=0), axis=1).sum())


def across(direction: Array) -> Array:
    """A unit vector square to the given one, the same for the same direction."""
    axis = np.zeros(3)
    axis[int(np.abs(direction).argmin())] = 1.0
    u: Array = np.cross(direction, axis)
    return u / np.linalg.norm(u)


def level_coordinates(points: Array, normal: Array) -> Array:
    """(k, 2) coordinates of points in the plane across the unit vector `normal`."""
    u = across(normal)
    return np.column_stack([points @ u, points @ np.cross(normal, u)])


def tape_points(points: Array, normal: Array) -> Array:
    """The points of one plane that a taut tape touches, in order: their convex hull's corners."""
    flat = level_coordinates(points, normal)
    try:
        return points[ConvexHull(flat).vertices]
    except (QhullError, ValueError):  # fewer than three points, or all on one line
        line = flat - flat.mean(axis=0)
        along = line @ np.linalg.svd(line, full_matrices=False)[2][0]
        return points[[int(along.argmin()), int(along.argmax())]]


def tape_length(points: Array, normal: Array) -> float:
    """Length of a tape drawn taut round points of one plane."""
    taut = tape_points(points, normal)
    return float(np.linalg.norm(np.roll(taut, -1, axis=0) - taut, axis=1).sum())
