"""The border loops of a mesh as smooth curves: place, direction, the way out of the surface."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from flatten.geometry.halfedges import border_cycles, opposites
from flatten.geometry.triangles import Array, Faces, face_areas, vertex_normals

Ints = NDArray[np.int64]

SMOOTH_MM = 5.0
STEP_MM = 1.5


@dataclass(frozen=True, eq=False, kw_only=True)
class Loop:
    """One border loop. Its samples lie at even shares of its raw length; the curve is closed.

    vertices (v,) in order, the surface on the left; raw (v,) length along the edges up to each
    first, count : the samples' place in Border's arrays; raw_length, length : along the edges and
        along the smoothed curve, mm
    """

    vertices: Ints
    raw: Array
    first: int
    count: int
    raw_length: float
    length: float

    def vertex_at(self, sample: int) -> int:
        """Place in `vertices` of the vertex nearest to a sample (index into Border's arrays)."""
        raw = (sample - self.first) * self.raw_length / self.count
        i = int(np.searchsorted(self.raw, raw))
        before, after = (i - 1) % len(self.raw), i % len(self.raw)
        to_after = (self.raw[after] - raw) % self.raw_length
        return after if to_after < (raw - self.raw[before]) % self.raw_length else before

    def sample_near(self, vertex: Ints) -> Ints:
        """Samples nearest to vertices given by their places in `vertices`."""
        share = self.raw[vertex] / self.raw_length * self.count
        return self.first + np.rint(share).astype(np.int64) % self.count


@dataclass(frozen=True, eq=False, kw_only=True)
class Border:
    """Border loops, longest first, and evenly spaced samples of all of them, loop after loop.

    loop (k,) : which loop; arc (k,) : mm along the smoothed loop
    place, along, out, normal (k, 3) : smoothed position, unit direction, unit direction out of the
        surface across the border, unit normal
    """

    loops: tuple[Loop, ...]
    loop: Ints
    arc: Array
    place: Array
    along: Array
    out: Array
    normal: Array

    def of(self, sample: int) -> Loop:
        return self.loops[int(self.loop[sample])]

    def ahead(self, start: int, end: int) -> float:
        """mm from one sample on to another of the same loop, in the loop's direction."""
        return float((self.arc[end] - self.arc[start]) % self.of(start).length)

    def shift(self, sample: int, by: int) -> int:
        """The sample so many places on (or back)."""
        loop = self.of(sample)
        return loop.first + (sample - loop.first + by) % loop.count


def trace_borders(V: Array, F: Faces, least_mm: float = 0.0) -> Border:
    """Smooth curves through the border loops of a manifold that are at least `least_mm` long.

    A scan's rim runs in a zigzag about as wide as its faces; positions and normals are smoothed
    over 5 mm along the smoothed curve.
    """
    cycles = [c.astype(np.int64) for c in border_cycles(F, opposites(F, len(V)))]
    on_border = np.concatenate([np.zeros(0, dtype=np.int64), *cycles])
    N = steady_normals(V, F, on_border, rings=2)
    loops: list[Loop] = []
    places, normals, arcs = [], [], []
    first = 0
    for cycle in cycles:
        P = V[cycle]
        steps = np.linalg.norm(np.roll(P, -1, axis=0) - P, axis=1)
        raw_length = float(steps.sum())
        if raw_length < max(least_mm, 1e-9):
            continue
        raw = np.concatenate([[0.0], np.cumsum(steps)[:-1]])
        S, M = _smoothed(P, N[cycle], raw, raw_length)
        run = np.linalg.norm(np.roll(S, -1, axis=0) - S, axis=1)
        places.append(S)
        normals.append(M)
        arcs.append(np.concatenate([[0.0], np.cumsum(run)[:-1]]))
        loops.append(
            Loop(
                vertices=cycle,
                raw=raw,
                first=first,
                count=len(S),
                raw_length=raw_length,
                length=float(run.sum()),
            )
        )
        first += len(S)
    none = np.zeros((0, 3))
    place, normal = np.concatenate([none, *places]), np.concatenate([none, *normals])
    along = [_unit(np.roll(S, -1, axis=0) - np.roll(S, 1, axis=0)) for S in places]
    along = np.concatenate([none, *along])
    return Border(
        loops=tuple(loops),
        loop=np.repeat(np.arange(len(loops)), [loop.count for loop in loops]),
        arc=np.concatenate([np.zeros(0), *arcs]),
        place=place,
        along=along,
        out=_unit(np.cross(along, normal)),
        normal=normal,
    )


def steady_normals(V: Array, F: Faces, at: Ints, rings: int) -> Array:
    """(n, 3) unit normals, right at the vertices `at`: the mean over so many rings of faces more.

    A vertex at a border may have a sliver for its only face, and noise turns slivers about.
    """
    near = np.zeros(len(V), dtype=bool)
    near[at] = True
    for _ in range(rings):
        near[F[near[F].any(axis=1)]] = True
    T = F[near[F].any(axis=1)]
    N = vertex_normals(V, T)
    areas = face_areas(V, T)[:, None]
    for _ in range(rings):
        mean = areas * N[T].sum(axis=1)
        total = np.zeros_like(V)
        for axis in range(3):
            for corner in T.T:
                total[:, axis] += np.bincount(corner, mean[:, axis], minlength=len(V))
        N = _unit(total)
    return N


def _smoothed(P: Array, N: Array, raw: Array, length: float) -> tuple[Array, Array]:
    """Even samples of a closed curve, smoothed: positions and unit normals."""
    count = max(24, int(np.ceil(length / STEP_MM)))
    at = np.arange(count) * (length / count)

    def even(values: Array) -> Array:
        closed = np.vstack([values, values[:1]])
        return np.column_stack([np.interp(at, np.append(raw, length), c) for c in closed.T])

    E = even(P)
    sigma = min(SMOOTH_MM, length / 12) / (length / count)
    S = gaussian_filter1d(E, sigma, axis=0, mode="wrap")
    # A zigzag makes the raw length longer than the way it goes: smooth by the way, not the zigzag.
    way = float(np.linalg.norm(np.roll(S, -1, axis=0) - S, axis=1).sum())
    sigma = min(sigma * min(length / max(way, 1e-9), 3.0), count / 12)
    S = gaussian_filter1d(E, sigma, axis=0, mode="wrap")
    return S, _unit(gaussian_filter1d(even(N), sigma, axis=0, mode="wrap"))


def _unit(x: Array) -> Array:
    return x / np.maximum(np.linalg.norm(x, axis=-1, keepdims=True), 1e-12)
