"""Joins points that are the same place, and drops faces that are no surface."""

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import KDTree

from flatten.geometry.halfedges import group_half_edges
from flatten.geometry.triangles import Array

Ints = NDArray[np.int32]

# Border points closer than this share of the edges around them are one point.
NEAR_SHARE = 0.02
# A face is without area when its height is below this share of its longest side.
FLAT_SHARE = 1e-6


def weld(V: Array, F: Ints) -> tuple[Array, Ints, dict[str, int]]:
    """Welds equal points, then border points that nearly touch; drops what is no face.

    Returns
    -------
    V, F : points in use, in the order they came; no face repeats a corner, has no area, or has
        the same corners as another (either way round)
    counts : what was done, by name, zeros left out
    """
    counts: dict[str, int] = {}
    unused = len(V) - _used(F, len(V)).sum()
    same = same_points(V)
    V, F = _renumber(V, F, same)
    counts["points_welded"] = len(same) - len(V) - int(unused)
    counts["points_unused"] = int(unused)
    F = drop_faces(V, F, counts)
    near = _near_border(V, F)
    if near is not None:
        before = len(V)
        V, F = _renumber(V, F, near)
        counts["points_welded_near"] = before - len(V)
        F = drop_faces(V, F, counts)
    V, F = keep_used(V, F)
    return V, F, {name: count for name, count in counts.items() if count > 0}


def same_points(V: Array) -> NDArray[np.int64]:
    """(n,) for every point the first point at exactly the same place."""
    key = _mixed((V + 0.0).view(np.uint64).reshape(-1, 3))
    order = np.argsort(key, kind="stable")
    P = V[order]
    new = np.ones(len(V), dtype=bool)
    new[1:] = np.any(P[1:] != P[:-1], axis=1)
    first = np.empty(len(V), dtype=np.int64)
    first[order] = order[new][np.cumsum(new) - 1]
    return first


def _mixed(rows: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """(n,) a number for every row of three, the same for equal rows, hardly ever for others."""
    with np.errstate(over="ignore"):
        key = rows[:, 0] * np.uint64(0x9E3779B97F4A7C15)
        key ^= (key >> np.uint64(29)) ^ (rows[:, 1] * np.uint64(0xC2B2AE3D27D4EB4F))
        key ^= (key >> np.uint64(31)) ^ (rows[:, 2] * np.uint64(0x165667B19E3779F9))
        key *= np.uint64(0x9E3779B97F4A7C15)
    return key


def drop_faces(V: Array, F: Ints, counts: dict[str, int]) -> Ints:
    """F without repeated corners, zero areas and duplicates; adds to `counts`."""
    flaw = _flaws(V, F)
    repeated, flat = flaw == 1, flaw == 2
    F = F[flaw == 0]
    low, high = F.min(axis=1), F.max(axis=1)
    sides = np.column_stack([low, F.sum(axis=1, dtype=np.int64) - low - high, high])
    order = np.argsort(_mixed(sides.view(np.uint64)), kind="stable")
    sides = sides[order]
    twice = np.zeros(len(F), dtype=bool)
    twice[order[1:]] = np.all(sides[1:] == sides[:-1], axis=1)
    for name, gone in (
        ("faces_repeated_corner", repeated),
        ("faces_zero_area", flat),
        ("faces_duplicate", twice),
    ):
        counts[name] = counts.get(name, 0) + int(np.count_nonzero(gone))
    return F[~twice]


@njit(cache=True)
def _flaws(V, F):
    # 1 where a corner is repeated, 2 where the height is below FLAT_SHARE of the longest side.
    flaw = np.zeros(len(F), np.uint8)
    for f in range(len(F)):
        a, b, c = F[f, 0], F[f, 1], F[f, 2]
        if a == b or b == c or c == a:
            flaw[f] = 1
            continue
        ux, uy, uz = V[b, 0] - V[a, 0], V[b, 1] - V[a, 1], V[b, 2] - V[a, 2]
        vx, vy, vz = V[c, 0] - V[a, 0], V[c, 1] - V[a, 1], V[c, 2] - V[a, 2]
        wx, wy, wz = vx - ux, vy - uy, vz - uz
        longest = max(ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz)
        longest = max(longest, wx * wx + wy * wy + wz * wz)
        x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        if np.sqrt(x * x + y * y + z * z) <= FLAT_SHARE * longest:
            flaw[f] = 2
    return flaw


def _near_border(V: Array, F: Ints) -> NDArray[np.int64] | None:
    """(n,) representative of every point once near border points are joined; None if none are."""
    if not len(F):
        return None
    order, start = groups = group_half_edges(F, len(V))
    h = order[start[:-1][groups.sizes == 1]]
    a, b = F.ravel()[h], np.roll(F, -1, axis=1).ravel()[h]
    length = np.linalg.norm(V[a] - V[b], axis=1)
    total = np.bincount(a, length, len(V)) + np.bincount(b, length, len(V))
    degree = np.bincount(a, minlength=len(V)) + np.bincount(b, minlength=len(V))
    border = np.flatnonzero(degree)
    reach = NEAR_SHARE * total[border] / degree[border]
    if not len(border):
        return None
    # As many neighbours as a soup may have corners at one point.
    count = min(12, len(border))
    distance, other = KDTree(V[border]).query(
        V[border], k=count, distance_upper_bound=float(reach.max())
    )
    distance, other = np.reshape(distance, (-1, count)), np.reshape(other, (-1, count))
    i, k = np.nonzero(np.isfinite(distance))
    j = other[i, k]
    close = (i < j) & (distance[i, k] <= np.minimum(reach[i], reach[j]))
    i, j = i[close], j[close]
    if not len(i):
        return None
    graph = coo_matrix((np.ones(len(i)), (border[i], border[j])), shape=(len(V), len(V)))
    label = connected_components(graph, directed=False)[1]
    first = np.full(label.max() + 1, len(V), dtype=np.int64)
    np.minimum.at(first, label, np.arange(len(V)))
    return first[label]


def keep_used(V: Array, F: NDArray[np.integer]) -> tuple[Array, Ints]:
    """V without the points that no face uses, F renumbered; the order stays."""
    return _renumber(V, F, np.arange(len(V)))


def _used(F: NDArray[np.integer], n: int) -> NDArray[np.bool_]:
    used = np.zeros(n, dtype=bool)
    used[F.ravel()] = True
    return used


def _renumber(V: Array, F: NDArray[np.integer], first: NDArray[np.integer]) -> tuple[Array, Ints]:
    """Points merged to `first` (n,), those that no face uses left out; F renumbered."""
    merged = first[F]
    used = _used(merged, len(V))
    place = np.cumsum(used, dtype=np.int32) - 1
    return V[used], place[merged].astype(np.int32)
