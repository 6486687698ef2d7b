"""Whether a panel is a disk, and if not, what it is and which seam would open it.

A connected surface with Euler characteristic x and b borders has (2 - b - x) / 2 handles
(classification of surfaces, Seifert & Threlfall, Lehrbuch der Topologie, 1934, ch. 6).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import dijkstra, minimum_spanning_tree

from flatten.errors import BadInput
from flatten.geometry.topology import unique_edges
from flatten.panels.names import side_words


@dataclass(frozen=True, eq=False, kw_only=True)
class Opening:
    """One border loop of a piece.

    vertices : (k,) in order; rims, seams : what it runs along
    loose : True where it is both sides of a cut that meets nothing else
    """

    vertices: NDArray[np.int64]
    rims: tuple[str, ...]
    seams: tuple[str, ...]
    loose: bool = False

    @property
    def said(self) -> str:
        kind, names = ("rim", self.rims) if self.rims else ("seam", self.seams[:3])
        return f"the {kind}{'s' if len(names) > 1 else ''} {_listed(names)}"


def _listed(names: Sequence[str]) -> str:
    quoted = [f"'{name}'" for name in names]
    if len(quoted) < 2:
        return "".join(quoted)
    return f"{', '.join(quoted[:-1])} and {quoted[-1]}"


@dataclass(frozen=True, kw_only=True)
class Shape:
    """What a connected piece is: a disk has one border and no handle."""

    borders: int
    handles: int

    @property
    def is_disk(self) -> bool:
        return self.borders == 1 and self.handles == 0

    @property
    def seams_needed(self) -> int:
        return 2 * self.handles + abs(self.borders - 1)

    @property
    def said(self) -> str:
        if self.borders == 0:
            kind = "a closed shell"
        elif self.borders == 1:
            kind = "a shell with one opening"
        elif self.borders == 2:
            kind = "a tube"
        else:
            kind = f"a shell with {self.borders} openings"
        if self.handles == 0:
            return kind
        return f"{kind} and {'a handle' if self.handles == 1 else f'{self.handles} handles'}"


def shape_of(vertices: int, faces: int, openings: Sequence[int]) -> Shape:
    """Shape of a connected manifold piece by its counts; `openings` has each border's edges.

    Every face has three edges and every edge but those at a border has two faces.
    """
    edges = (3 * faces + sum(openings)) // 2
    euler = vertices - edges + faces
    return Shape(borders=len(openings), handles=(2 - len(openings) - euler) // 2)


def require_disk(
    name: str,
    V: NDArray[np.float64],
    F: NDArray[np.integer],
    openings: Sequence[Opening],
    lean: NDArray[np.float64],
) -> None:
    """Does nothing for a disk.

    V (n, 3), F (m, 3) the piece; `lean` (n, 3) how much each vertex leans to the wearer's left, up
    and front.

    Raises
    ------
    BadInput : the piece is not a disk; says what it is and proposes the shortest seam
    """
    shape = shape_of(len(V), len(F), [len(o.vertices) for o in openings])
    if shape.is_disk:
        return
    path, ends = shortest_cut(V, F, openings)
    length = float(np.linalg.norm(np.diff(V[path], axis=0), axis=1).sum())
    sides = " ".join(w for w in side_words(lean[path].mean(axis=0)) if w)
    way = f"{ends}{f' along the {sides}' if sides else ''}, about {length:.0f} mm long"
    loose = [opening for opening in openings if opening.loose]
    if loose and len(openings) > 1:
        lines = _listed(loose[0].seams)
        raise BadInput(
            f"{lines} meets no rim and no other line, so its edges cannot be laid flat",
            f"panel '{name}'",
            f"add a line {way}",
        )
    between = f" between {' and '.join(o.said for o in openings)}" if len(openings) > 1 else ""
    count = "a seam" if shape.seams_needed == 1 else f"{shape.seams_needed} seams, the first"
    raise BadInput(
        f"not a disk but {shape.said}{between}, which cannot lie flat",
        f"panel '{name}'",
        f"draw {count} {way}",
    )


def shortest_cut(
    V: NDArray[np.float64], F: NDArray[np.integer], openings: Sequence[Opening]
) -> tuple[NDArray[np.int64], str]:
    """The vertices of a shortest cut that makes the piece simpler, and its ends in words."""
    graph = _graph(V, F)
    if not openings:
        top, bottom = int(V[:, 1].argmax()), int(V[:, 1].argmin())
        _, before = dijkstra(graph, indices=top, return_predecessors=True)
        return _walk(before, bottom), "from the top to the bottom"
    if len(openings) == 1:
        path = _round_handle(V, F, graph, openings[0].vertices)
        return path, f"from {openings[0].said} round the handle and back to it"
    found = []
    for k, begin in enumerate(openings[:-1]):
        away, before, _ = dijkstra(
            graph, indices=begin.vertices, return_predecessors=True, min_only=True
        )
        for end in openings[k + 1 :]:
            nearest = int(end.vertices[away[end.vertices].argmin()])
            # A loose cut is joined up first.
            rank = (not (begin.loose or end.loose), float(away[nearest]))
            found.append((rank, _walk(before, nearest), f"from {begin.said} to {end.said}"))
    _, path, ends = min(found, key=lambda x: x[0])
    return path, ends


def _graph(V: NDArray[np.float64], F: NDArray[np.integer]) -> csr_array:
    """Edge lengths between neighbouring vertices."""
    edges, _, _ = unique_edges(F)
    length = np.linalg.norm(V[edges[:, 0]] - V[edges[:, 1]], axis=1)
    i, j = edges[:, 0], edges[:, 1]
    both = (np.concatenate([i, j]), np.concatenate([j, i]))
    return coo_array((np.concatenate([length, length]), both), shape=(len(V), len(V))).tocsr()


def _walk(before: NDArray[np.int32], end: int) -> NDArray[np.int64]:
    """The path to `end` by its predecessors."""
    path = [end]
    while before[path[-1]] >= 0:
        path.append(int(before[path[-1]]))
    return np.array(path[::-1], dtype=np.int64)


def _round_handle(
    V: NDArray[np.float64],
    F: NDArray[np.integer],
    graph: csr_array,
    loop: NDArray[np.int64],
) -> NDArray[np.int64]:
    """A short cut from the border back to it that does not part the piece.

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
