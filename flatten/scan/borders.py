"""The border loops of a mesh as smooth curves: place, direction, the way out of the surface."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from flatten.geometry.halfedges import border_cycles, opposites
from flatten.geometry.triangles import Array, Faces, vertex_normals

Ints = NDArray[np.int64]

SMOOTH_MM = 5.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Border:
    """All border vertices, loop after loop, each in order with the surface on the left.

    vertex (k,) into V; loop (k,) which loop; start (l + 1,) where each loop begins in `vertex`
    arc (k,) length along its loop up to the vertex, mm; length (l,) of each loop
    place, along, out, normal (k, 3) : smoothed position, unit direction, unit direction out of the
        surface across the border, unit normal
    """

    vertex: Ints
    loop: Ints
    start: Ints
    arc: Array
    length: Array
    place: Array
    along: Array
    out: Array
    normal: Array

    def members(self, loop: int) -> NDArray[np.int64]:
        """Indices into the border arrays of one loop, in order."""
        return np.arange(self.start[loop], self.start[loop + 1])


def trace_borders(V: Array, F: Faces, least_mm: float = 0.0) -> Border:
    """Smooth curves through the border loops of a manifold that are at least `least_mm` long.

    A scan's rim runs in a zigzag about as wide as its faces; positions are smoothed over 5 mm of
    arc, normals over the same.
    """
    loops = [
        loop.astype(np.int64)
        for loop in border_cycles(F, opposites(F, len(V)))
        if np.linalg.norm(np.roll(V[loop], -1, axis=0) - V[loop], axis=1).sum() >= least_mm
    ]
    vertex = np.concatenate([*loops, np.zeros(0, dtype=np.int64)]).astype(np.int64)
    sizes = [len(loop) for loop in loops]
    start = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    near = np.zeros(len(V), dtype=bool)
    near[vertex] = True
    T = F[near[F].any(axis=1)]
    N = vertex_normals(V, T)
    place, along, normal = (np.zeros((len(vertex), 3)) for _ in range(3))
    arc, length = np.zeros(len(vertex)), np.zeros(len(loops))
    for i, loop in enumerate(loops):
        part = slice(start[i], start[i + 1])
        P = V[loop]
        steps = np.linalg.norm(np.roll(P, -1, axis=0) - P, axis=1)
        arc[part] = np.concatenate([[0.0], np.cumsum(steps)[:-1]])
        length[i] = steps.sum()
        place[part], along[part], normal[part] = _smooth(P, N[loop], arc[part], length[i])
    out = np.cross(along, normal)
    out /= np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-12)
    loop_of = np.repeat(np.arange(len(loops)), sizes)
    return Border(
        vertex=vertex, loop=loop_of, start=start, arc=arc, length=length, place=place,
        along=along, out=out, normal=normal,
    )  # fmt: skip


def _smooth(P: Array, N: Array, arc: Array, length: float) -> tuple[Array, Array, Array]:
    """Positions, directions and normals of a closed curve, smoothed over SMOOTH_MM of arc."""
    count = max(16, int(np.ceil(length / 1.5)))
    at = np.arange(count) * (length / count)
    sigma = min(SMOOTH_MM, length / 12) / (length / count)

    def even(values: Array) -> Array:
        wrapped = np.vstack([values, values[:1]])
        return np.column_stack([np.interp(at, np.append(arc, length), w) for w in wrapped.T])

    def back(values: Array) -> Array:
        wrapped = np.vstack([values, values[:1]])
        return np.column_stack([np.interp(arc, np.append(at, length), w) for w in wrapped.T])

    S = gaussian_filter1d(even(P), sigma, axis=0, mode="wrap")
    D = np.roll(S, -1, axis=0) - np.roll(S, 1, axis=0)
    M = gaussian_filter1d(even(N), sigma, axis=0, mode="wrap")

    def unit(x: Array) -> Array:
        return x / np.maximum(np.linalg.norm(x, axis=1, keepdims=True), 1e-12)

    return back(S), unit(back(D)), unit(back(M))
