"""Finds the post of a stand: straight, round, thin, and swelling abruptly into what it carries."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError

from flatten.geometry.sampling import sample_surface
from flatten.geometry.section import level_coordinates
from flatten.geometry.triangles import Array, Faces
from flatten.scan.borders import trace_borders
from flatten.scan.facing import sides

SPACING_MM = 6.0
SLAB_MM = 8.0
SHORTEST_MM = 72.0
THICKEST_MM = 230.0  # round
STRAIGHT = 0.05  # a post's girth stays within this of its median; a limb's does not for so long
ROUND = 0.06  # relative spread of its radius
JUMP = 1.25  # what it carries has at least so many times its girth two slabs on
DEEPEST_MM = 120.0  # and reaches at least so far on, unlike a floor
THIN_SHARE = 0.3  # of the largest girth beyond: no limb that ends in an opening is so thin
LEAST_BODY = 0.55  # of the surface lies beyond the post


@dataclass(frozen=True, eq=False, kw_only=True)
class Post:
    """axis (3,) from the post to the cast, unit; the cast begins at axis · x = level.

    girth, length in mm; at (3,) where it meets the cast; sure : it cannot be a limb
    """

    axis: Array
    level: float
    girth: float
    length: float
    at: Array
    sure: bool


@dataclass(frozen=True, eq=False, kw_only=True)
class _Profile:
    """Slabs across an axis: girth and roundness of each (0 where empty), the lowest height."""

    low: float
    girth: Array
    rough: Array
    share: Array  # of the samples up to each slab


def find_post(V: Array, F: Faces) -> Post | None:
    """The post on which the mesh (one part, mm) stands, or None."""
    s = sample_surface(V, F, SPACING_MM)
    P = s.points
    best: Post | None = None
    for axis in np.vstack([main_axes(P), sides(60)]):
        found = _along(P, axis)
        if found is not None and (best is None or found.length > best.length):
            best = found
    if best is None or best.sure:
        return best
    # A sleeve or a trouser leg may be as straight, but it ends in an opening.
    border = trace_borders(V, F, 0.6 * best.girth)
    below = [
        loop
        for loop in border.loops
        if border.place[loop.first : loop.first + loop.count].mean(axis=0) @ best.axis < best.level
    ]
    return Post(
        axis=best.axis, level=best.level, girth=best.girth, length=best.length, at=best.at,
        sure=not below,
    )  # fmt: skip


def is_post(P: Array, thickest: float = THICKEST_MM) -> bool:
    """Whether points of a surface (n, 3) make a straight round rod, with or without a foot.

    thickest : mm round
    """
    p = _profile(P, main_axes(P)[0])
    used = p.girth > 0
    if used.sum() < SHORTEST_MM / SLAB_MM:
        return False
    width = float(np.median(p.girth[used]))
    like = used & (np.abs(p.girth - width) < STRAIGHT * width)
    return bool(
        width < thickest and like.sum() > 0.7 * used.sum() and np.median(p.rough[like]) < ROUND
    )


def main_axes(P: Array) -> Array:
    """(6, 3) the principal axes of points (n, 3), longest first, then their opposites."""
    off = P - P.mean(axis=0)
    axes = np.linalg.eigh(off.T @ off)[1].T[::-1]
    return np.vstack([axes, -axes])


def _profile(P: Array, axis: Array) -> _Profile:
    flat = level_coordinates(P, axis)
    h = P @ axis
    low = float(h.min())
    slab = np.floor((h - low) / SLAB_MM).astype(np.int64)
    count = int(slab.max()) + 1
    order = np.argsort(slab, kind="stable")
    bounds = np.searchsorted(slab[order], np.arange(count + 1))
    girth, rough = np.zeros(count), np.ones(count)
    for k in range(count):
        q = flat[order[bounds[k] : bounds[k + 1]]]
        if len(q) < 6:
            continue
        try:
            hull = ConvexHull(q)
        except QhullError:
            continue
        girth[k] = hull.area
        corner = q[hull.vertices]
        radius = np.linalg.norm(q - corner.mean(axis=0), axis=1)
        rough[k] = radius.std() / max(radius.mean(), 1e-9)
    return _Profile(low=low, girth=girth, rough=rough, share=bounds[1:] / len(P))


def _along(P: Array, axis: Array) -> Post | None:
    p = _profile(P, axis)
    least = int(np.ceil(SHORTEST_MM / SLAB_MM))
    count = len(p.girth)
    for k in range(least, count - int(DEEPEST_MM / SLAB_MM)):
        if p.share[k - 1] > 1 - LEAST_BODY:
            return None
        span = p.girth[k - least : k]
        width = float(np.median(span))
        if not 0 < width < THICKEST_MM or np.median(p.rough[k - least : k]) > ROUND:
            continue
        if np.abs(span - width).max() > STRAIGHT * width or p.girth[k + 1] < JUMP * width:
            continue
        start = k - least
        while start > 0 and abs(p.girth[start - 1] - width) < STRAIGHT * width:
            start -= 1
        # The cast begins where the girth no longer leaps.
        level = k
        while level + 1 < count and p.girth[level + 1] > 1.12 * p.girth[level]:
            level += 1
        h = P @ axis
        near: NDArray[np.bool_] = np.abs(h - p.low - k * SLAB_MM) < SLAB_MM
        return Post(
            axis=axis,
            level=p.low + level * SLAB_MM,
            girth=width,
            length=(k - start) * SLAB_MM,
            at=P[near].mean(axis=0),
            sure=width < THIN_SHARE * float(p.girth[k + 1 :].max()),
        )
    return None
