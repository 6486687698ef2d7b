"""Finds the small handles and tunnels that a scanner leaves, and cuts them away."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra, minimum_spanning_tree

from flatten.geometry.halfedges import border_cycles, group_half_edges, opposites
from flatten.geometry.triangles import Array, face_areas
from flatten.scan.holes import fill_loops
from flatten.scan.loops import loop_length
from flatten.scan.manifold import Ints, place, split_along

# A loop round a handle that is longer than this share of the square root of the area is form.
SMALL = 0.15
_MOST = 24


@dataclass(frozen=True, eq=False, kw_only=True)
class Unhandled:
    """V, F : without small handles; patch : (m,) bool, faces that close the cuts
    cut : how many handles were cut; notes : those that are too large to be cut unasked"""

    V: Array
    F: Ints
    patch: NDArray[np.bool_]
    cut: int = 0
    notes: tuple[str, ...] = ()


def cut_handles(V: Array, F: Ints) -> Unhandled:
    """Cuts every small handle of a connected oriented manifold along its shortest loop.

    The loops are a basis of those that do not bound a piece of the surface (Erickson and
    Whittlesey, Greedy optimal homotopy and homology generators, SODA 2005: a shortest-path tree
    and a spanning tree of the faces that crosses none of its edges leave two edges a handle).
    """
    patch = np.zeros(len(F), dtype=bool)
    limit = SMALL * float(np.sqrt(face_areas(V, F).sum()))
    cut = 0
    while cut < _MOST and genus(F, len(V)) > 0:
        loop = _shortest_loop(V, F, int(F[0, 0]))
        if loop is not None:
            # Once more from the loop itself: from afar, the shortest way round is seen aslant.
            loop = _shortest_loop(V, F, int(loop[0]))
        if loop is None:
            break
        if loop_length(V[loop]) > limit:
            note = (
                f"the surface has a handle or a tunnel near {place(V[loop].mean(axis=0))} mm, "
                f"{loop_length(V[loop]):.0f} mm round: a seam must run round it and through it"
            )
            return Unhandled(V=V, F=F, patch=patch, cut=cut, notes=(note,))
        before = len(V)
        source, F = split_along(F, before, loop)
        V = np.concatenate([V, V[source]])
        mine = np.zeros(len(V), dtype=bool)
        mine[loop] = mine[before:] = True
        ends = [b for b in border_cycles(F, opposites(F, len(V))) if mine[b].all()]
        V, F, new = fill_loops(V, F, ends)
        patch = np.concatenate([patch, new[len(patch) :]])
        cut += 1
    return Unhandled(V=V, F=F, patch=patch, cut=cut)


def genus(F: Ints, n: int) -> int:
    """Handles of the connected oriented manifold F: from vertices, edges, faces and borders."""
    used = int(np.count_nonzero(np.bincount(F.ravel(), minlength=n)))
    groups = group_half_edges(F, n)
    borders = len(border_cycles(F, opposites(F, n)))
    return (2 - (used - len(groups.sizes) + len(F)) - borders) // 2


def _shortest_loop(V: Array, F: Ints, root: int) -> Ints | None:
    """Vertices of the shortest of the basis loops of paths from `root`, in order."""
    n, m = len(V), len(F)
    order, start = group_half_edges(F, n)
    h = order[start[:-1]]
    a, b = F.ravel()[h], np.roll(F, -1, axis=1).ravel()[h]
    length = np.linalg.norm(V[a] - V[b], axis=1)
    graph = coo_matrix((length, (a, b)), shape=(n, n)).tocsr()
    distance, before = dijkstra(graph, directed=False, indices=root, return_predecessors=True)
    in_tree = (before[a] == b) | (before[b] == a)
    # Every border is taken as one more face that closes it.
    label = np.full(n, -1, dtype=np.int64)
    borders = border_cycles(F, opposites(F, n))
    for k, border in enumerate(borders):
        label[border] = m + k
    last = order[start[1:] - 1]
    left, right = h // 3, np.where(last == h, label[a], last // 3)
    round_trip = distance[a] + distance[b] + length
    # The faces' tree takes the edges of the longest loops, so that the short ones are left over.
    free = np.flatnonzero(~in_tree)
    weight = 1.0 + round_trip[free].max() - round_trip[free]
    k = m + len(borders)
    faces_tree = minimum_spanning_tree(
        coo_matrix((weight, (left[free], right[free])), shape=(k, k)).tocsr()
    ).tocoo()
    joined = np.sort(np.column_stack([faces_tree.row, faces_tree.col]), axis=1)
    pairs = np.sort(np.column_stack([left[free], right[free]]), axis=1)
    keys = pairs[:, 0].astype(np.int64) * k + pairs[:, 1]
    rest = free[~np.isin(keys, joined[:, 0].astype(np.int64) * k + joined[:, 1])]
    loops = [_cycle(before, int(a[e]), int(b[e])) for e in rest]
    return min(loops, key=lambda loop: loop_length(V[loop]), default=None)


def _cycle(before: NDArray[np.integer], a: int, b: int) -> Ints:
    """The simple loop along the tree from where the ways to a and b part, to a, and from b back."""
    ways = []
    for end in (a, b):
        way = [end]
        while before[way[-1]] >= 0:
            way.append(int(before[way[-1]]))
        ways.append(way[::-1])
    shared = 0
    while shared < min(map(len, ways)) and ways[0][shared] == ways[1][shared]:
        shared += 1
    return np.array(ways[0][shared - 1 :] + ways[1][: shared - 1 : -1], dtype=np.int32)
