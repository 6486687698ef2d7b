"""Finds flat places of a scan that a body does not have: a floor, a table, a lid over an opening.

A body is nowhere flat over a hand's breadth and then turns a corner. A flat place is taken for
foreign where it is level within 1.5 mm and nearly all of its surroundings stand at an angle to it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import KDTree

from flatten.geometry.sampling import Samples
from flatten.geometry.triangles import Array
from flatten.scan.facing import sides

LEVEL_MM = 1.5
TURN_DEG = 14.0
LEAST_MM2 = 2500.0
CORNER_DEG = 38.0
RING_MM = 16.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Flat:
    """A flat place: on it normal · x = height; its samples, area, and what surrounds it.

    corner : share of the surroundings that stand at an angle (0: the surface carries on smoothly;
    1: a sharp edge all round, or a free border)
    rises : the surroundings stand up from it (a floor) rather than fall away behind it (a lid)
    """

    normal: Array
    height: float
    samples: NDArray[np.int64]
    area: float
    corner: float
    rises: bool


def find_flats(s: Samples, step: float, most: int = 6) -> list[Flat]:
    """Flat places of at least 25 cm², largest first; `step` is the spacing of the samples."""
    free = np.ones(len(s.points), dtype=bool)
    found: list[Flat] = []
    looks = sides(220)
    tree = KDTree(s.points)
    for _ in range(most):
        seed = _best_plane(s, free, looks)
        if seed is None:
            break
        normal, height = seed
        for _ in range(4):
            on = _on_plane(s, free, normal, height)
            if on.sum() < 6:
                break
            normal, height = _fit(s, on, normal)
        on = np.flatnonzero(_on_plane(s, free, normal, height))
        if len(on) < 6:
            break
        group = _connected(s.points[on], 2.2 * step)
        area = np.bincount(group, s.areas[on])
        on = on[group == area.argmax()]
        free[on] = False
        if area.max() < LEAST_MM2:
            break
        found.append(_described(s, tree, on, normal, height))
    return found


def _best_plane(s: Samples, free: NDArray[np.bool_], looks: Array) -> tuple[Array, float] | None:
    """The direction and height that gather the most area."""
    best: tuple[float, Array, float] = (LEAST_MM2, np.zeros(3), 0.0)
    dots = s.normals @ looks.T > np.cos(np.radians(TURN_DEG))
    total = (dots * (s.areas * free)[:, None]).sum(axis=0)
    for k in np.argsort(-total)[:24]:
        if total[k] < best[0]:
            break
        on = dots[:, k] & free
        # The mean of the gathered normals is closer to the plane's than the direction tried.
        n = (s.normals[on] * s.areas[on, None]).sum(axis=0)
        n /= np.linalg.norm(n)
        h = s.points[on] @ n
        cell = np.floor((h - h.min()) / (2 * LEVEL_MM)).astype(np.int64)
        area = np.bincount(cell, s.areas[on])
        area = area + np.append(area[1:], 0.0)
        peak = int(area.argmax())
        if area[peak] > best[0]:
            best = (float(area[peak]), n, float(h.min() + (peak + 1) * 2 * LEVEL_MM))
    return (best[1], best[2]) if best[0] > LEAST_MM2 else None


def _on_plane(
    s: Samples, free: NDArray[np.bool_], normal: Array, height: float
) -> NDArray[np.bool_]:
    level = np.abs(s.points @ normal - height) < LEVEL_MM
    return free & level & (s.normals @ normal > np.cos(np.radians(TURN_DEG)))


def _fit(s: Samples, on: NDArray[np.bool_], like: Array) -> tuple[Array, float]:
    P, w = s.points[on], s.areas[on]
    middle = np.average(P, axis=0, weights=w)
    n = np.linalg.svd((P - middle) * np.sqrt(w)[:, None], full_matrices=False)[2][2]
    n = n if n @ like > 0 else -n
    return n, float(middle @ n)


def _connected(P: Array, reach: float) -> NDArray[np.int64]:
    i, j = KDTree(P).query_pairs(reach, output_type="ndarray").T
    graph = coo_matrix((np.ones(len(i)), (i, j)), shape=(len(P),) * 2)
    return connected_components(graph, directed=False)[1].astype(np.int64)


def _described(
    s: Samples, tree: KDTree, on: NDArray[np.int64], normal: Array, height: float
) -> Flat:
    inside = np.zeros(len(s.points), dtype=bool)
    inside[on] = True
    far, _ = KDTree(s.points[on]).query(s.points, distance_upper_bound=RING_MM)
    ring = np.isfinite(far) & ~inside
    turn = np.degrees(np.arccos(np.clip(s.normals[ring] @ normal, -1, 1)))
    weight = s.areas[ring]
    corner = float(weight[turn > CORNER_DEG].sum() / weight.sum()) if weight.sum() > 0 else 1.0
    off = s.points[ring] @ normal - height
    rises = bool(weight.sum() > 0 and np.average(off, weights=weight) > 0)
    return Flat(
        normal=normal, height=height, samples=on, area=float(s.areas[on].sum()), corner=corner,
        rises=rises,
    )  # fmt: skip
