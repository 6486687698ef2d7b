"""Distances over the surface from a few vertices, out to a limit, and the nearest of them."""

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import KDTree

from flatten.geometry.triangles import Array, Faces

Ints = NDArray[np.int64]


def spread(V: Array, F: Faces, seeds: Ints, limit: float) -> tuple[Ints, Array, Ints]:
    """Vertices within `limit` mm of the seeds along mesh edges.

    Returns
    -------
    vertices (k,) : into V; distance (k,) mm; origin (k,) : index into `seeds` of the nearest one
    """
    # Only the surroundings of the seeds are searched, however large the mesh.
    low, high = V[seeds].min(axis=0) - limit, V[seeds].max(axis=0) + limit
    near = np.flatnonzero(((V - low >= 0) & (V - high <= 0)).all(axis=1))
    close = np.zeros(len(V), dtype=bool)
    close[near[KDTree(V[seeds]).query(V[near], distance_upper_bound=limit)[0] < np.inf]] = True
    T = F[close[F].all(axis=1)].astype(np.int64)
    place = np.full(len(V), -1)
    used = np.unique(np.concatenate([T.ravel(), seeds]))
    place[used] = np.arange(len(used))
    e = place[np.concatenate([T[:, [0, 1]], T[:, [1, 2]], T[:, [2, 0]]])]
    size = np.linalg.norm(V[used[e[:, 0]]] - V[used[e[:, 1]]], axis=1)
    # An edge runs each way once; both ways are the same length.
    graph = coo_matrix((size, (e[:, 0], e[:, 1])), shape=(len(used),) * 2).tocsr()
    start = place[seeds]
    source = np.full(len(used), -1)
    source[start] = np.arange(len(seeds))
    distance, _, nearest = dijkstra(
        graph,
        directed=False,
        indices=np.unique(start),
        limit=limit,
        min_only=True,
        return_predecessors=True,
    )
    hit = np.isfinite(distance)
    return used[hit], distance[hit], source[nearest[hit]]
