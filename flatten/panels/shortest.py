"""The shortest line that opens a piece which is not a disk, as a course over its surface."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import dijkstra, minimum_spanning_tree

from flatten.geometry.geodesics import trace
from flatten.geometry.surface_points import Surface, positions, surface_of
from flatten.geometry.topology import unique_edges

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

# A course over the back is taken where it is at most so much longer than one over the front.
FRONT_COST = 0.05
# How far the ends of a course may slide along their borders, in border vertices, to shorten it.
SLIDES = (8, 4, 2, 1)


@dataclass(frozen=True, eq=False, kw_only=True)
class Border:
    """One border loop of a piece: vertices (k,) in order; `loose` as in `check.Opening`."""

    vertices: Ints
    loose: bool = False


@dataclass(frozen=True, eq=False, kw_only=True)
class Course:
    """A way over a piece.

    face (k,), bary (k, 3), points (k, 3) : surface points of the piece, straight in every face
    begin, end : which borders it joins, -1 for none
    closed : True for a ring round a handle that meets no border; its first point is also its last
    """

    face: NDArray[np.int32]
    bary: Array
    points: Array
    begin: int
    end: int
    closed: bool = False

    @property
    def length_mm(self) -> float:
        return float(np.linalg.norm(np.diff(self.points, axis=0), axis=1).sum())


def shortest_course(
    V: Array, F: NDArray[np.integer], N: Array, borders: Sequence[Border], handles: int
) -> Course:
    """The shortest cut that makes the piece V (n, 3), F (m, 3), N (n, 3) simpler.

    Between two borders where there are two, else round a handle where there is one, else from top
    to bottom. Of courses that are nearly as short the one over the back is taken, since a seam
    shows least there.
    """
    surface = surface_of(V, F)
    if len(borders) < 2 and handles:
        return _round_handle(surface, N, borders)
    if not borders:
        ends = np.array([V[:, 1].argmax(), V[:, 1].argmin()])
        return _traced(surface, [ends], -1, -1)[0]
    graph = _graph(V, F, N, across=True)
    found = []
    for k, border in enumerate(borders[:-1]):
        away, before, _ = dijkstra(
            graph, indices=border.vertices, return_predecessors=True, min_only=True
        )
        for j in range(k + 1, len(borders)):
            there = borders[j].vertices
            nearest = int(there[away[there].argmin()])
            # A loose cut is joined up first.
            rank = (not (border.loose or borders[j].loose), float(away[nearest]))
            found.append((rank, int(_walk(before, nearest)[0]), nearest, k, j))
    _, start, stop, k, j = min(found)
    return _slid(surface, N, borders[k].vertices, borders[j].vertices, start, stop, k, j)


def _slid(
    surface: Surface, N: Array, one: Ints, other: Ints, start: int, stop: int, k: int, j: int
) -> Course:
    """The course between two borders, its ends slid along them while that shortens it."""
    a, b = int(np.flatnonzero(one == start)[0]), int(np.flatnonzero(other == stop)[0])
    best: tuple[float, Course] | None = None
    for slide in SLIDES:
        ends = [(a + x, b + y) for x in (0, -slide, slide) for y in (0, -slide, slide)]
        pairs = [np.array([one[p % len(one)], other[q % len(other)]]) for p, q in ends]
        courses = _traced(surface, pairs, k, j)
        costs = [_cost(surface, N, course) for course in courses]
        pick = int(np.argmin(costs))
        a, b = ends[pick]
        if best is None or costs[pick] < best[0]:
            best = (costs[pick], courses[pick])
    assert best is not None
    return best[1]


def _cost(surface: Surface, N: Array, course: Course) -> float:
    """The length of a course, a little more where it lies on the front."""
    normal = positions(N, surface.F, course.face, course.bary)[:, 2]
    step = np.linalg.norm(np.diff(course.points, axis=0), axis=1)
    return float(step @ (1 + FRONT_COST * 0.25 * (2 + normal[:-1] + normal[1:])))


def _traced(surface: Surface, rows: Sequence[Ints], begin: int, end: int) -> list[Course]:
    """Rows of vertices joined by geodesics, all at once."""
    vertices = np.concatenate(rows)
    starts = np.concatenate([[0], np.cumsum([len(row) for row in rows])[:-1]])
    face = surface.vertex_face[vertices]
    bary = (surface.F[face] == vertices[:, None]).astype(np.float64)
    path = trace(surface, face, bary, starts)
    points = positions(surface.V, surface.F, path.face, path.bary)
    bounds = [*path.at[starts].tolist(), len(path.face)]
    return [
        Course(face=path.face[a:b], bary=path.bary[a:b], points=points[a:b], begin=begin, end=end)
        for a, b in pairwise(bounds)
    ]


def _graph(V: Array, F: NDArray[np.integer], N: Array, *, across: bool) -> csr_array:
    """Costs between neighbouring vertices and, with `across`, over one edge to the opposite ones.

    Paths along edges alone zigzag, and would prefer the directions in which edges happen to run.
    """
    edges, edge_of, count = unique_edges(F)
    i, j = edges[:, 0], edges[:, 1]
    length = np.linalg.norm(V[i] - V[j], axis=1)
    if across:
        order = np.argsort(edge_of, kind="stable")
        first = np.searchsorted(edge_of[order], np.flatnonzero(count == 2))
        corner = np.roll(F, 1, axis=1).ravel()
        e, c, d = np.flatnonzero(count == 2), corner[order[first]], corner[order[first + 1]]
        p, axis = V[i[e]], (V[j[e]] - V[i[e]]) / np.maximum(length[e], 1e-300)[:, None]
        x, y = [], []
        for apex in (c, d):
            off = V[apex] - p
            along = np.einsum("ij,ij->i", off, axis)
            x.append(along)
            y.append(np.linalg.norm(off - along[:, None] * axis, axis=1))
        cross = x[0] + (x[1] - x[0]) * y[0] / np.maximum(y[0] + y[1], 1e-300)
        over = (cross > 0) & (cross < length[e])
        i, j = np.concatenate([i, c[over]]), np.concatenate([j, d[over]])
        length = np.concatenate([length, np.hypot(x[1] - x[0], y[0] + y[1])[over]])
    length = length * (1 + FRONT_COST * 0.25 * (2 + N[i, 2] + N[j, 2]))
    both = (np.concatenate([i, j]), np.concatenate([j, i]))
    return coo_array((np.concatenate([length, length]), both), shape=(len(V), len(V))).tocsr()


def _walk(before: NDArray[np.int32], end: int) -> Ints:
    """The path to `end` by its predecessors."""
    path = [end]
    while before[path[-1]] >= 0:
        path.append(int(before[path[-1]]))
    return np.array(path[::-1], dtype=np.int64)


def _round_handle(surface: Surface, N: Array, borders: Sequence[Border]) -> Course:
    """From the border round a handle and back, or a ring round it where that is shorter."""
    V, F = surface.V, surface.F
    graph = _graph(V, F, N, across=False)
    if borders:
        way = _loop(V, F, graph, borders[0].vertices)
    else:
        way = _loop(V, F, graph, F[:1, 0].astype(np.int64))
        # From afar the shortest way round is seen aslant.
        way = _loop(V, F, graph, _without_stem(way)[:1])
    ring = _without_stem(way)
    closed = not borders or len(ring) < len(way) - 1
    way = np.append(ring, ring[:1]) if closed else way
    # Some vertices on the way hold the course to its side of the handle.
    held = np.unique(np.linspace(0, len(way) - 1, min(len(way), 7)).astype(int))
    end = -1 if closed else 0
    course = _traced(surface, [way[held]], end, end)[0]
    return replace(course, closed=closed)


def _without_stem(way: Ints) -> Ints:
    """The ring of a way that begins and ends at one vertex, without what it runs twice."""
    stem = 0
    while 2 * stem + 2 < len(way) and way[stem] == way[-1 - stem]:
        stem += 1
    return way[stem - 1 : len(way) - stem] if stem else way


def _loop(
    V: Array,
    F: NDArray[np.integer],
    graph: csr_array,
    loop: Ints,
) -> Ints:
    """A short cut from the vertices `loop` back to them that does not part the piece.

    Tree and cotree (Erickson & Whittlesey, Greedy optimal homotopy and homology generators, SODA
    2005): edges in neither the shortest-path tree from the border nor a tree of faces across the
    other edges close the loops; the shortest is taken.
    """
    away, before, _ = dijkstra(graph, indices=loop, return_predecessors=True, min_only=True)
    edges, edge_of, count = unique_edges(F)
    a, b = edges[:, 0], edges[:, 1]
    tree = (before[a] == b) | (before[b] == a) | (count == 1)
    cost = away[a] + away[b] + np.linalg.norm(V[a] - V[b], axis=1)
    face = np.repeat(np.arange(len(F)), 3)
    order = np.argsort(edge_of, kind="stable")
    inner = np.flatnonzero(count == 2)
    first = np.searchsorted(edge_of[order], inner)
    f, g = face[order[first]], face[order[first + 1]]
    crossing = ~tree[inner]
    # The costliest edges go to the face tree first, so that the cheapest are left over.
    rank = np.empty(len(inner))
    rank[np.argsort(-cost[inner], kind="stable")] = np.arange(1, len(inner) + 1)
    dual = coo_array((rank[crossing], (f[crossing], g[crossing])), shape=(len(F), len(F))).tocsr()

    span = minimum_spanning_tree(dual).tocoo()
    used = set(zip(span.row.tolist(), span.col.tolist(), strict=True))
    left = [
        int(e)
        for e, x, y, c in zip(inner, f, g, crossing, strict=True)
        if c and (int(x), int(y)) not in used and (int(y), int(x)) not in used
    ]
    e = min(left, key=lambda k: float(cost[k]))
    one, other = _walk(before, int(a[e])), _walk(before, int(b[e]))
    return np.concatenate([one, other[::-1]])
