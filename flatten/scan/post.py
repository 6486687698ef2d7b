"""Finds the post of a stand: straight, thin, and swelling abruptly into what it carries."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from flatten.geometry.sampling import sample_surface
from flatten.geometry.triangles import Array, Faces
from flatten.scan.facing import sides

SPACING_MM = 6.0
SLAB_MM = 8.0
SHORTEST_MM = 50.0
THICKEST_MM = 200.0  # round: no trunk or thigh, though a thin ankle may be
DEEPEST_MM = 120.0  # what it carries reaches at least so far on, unlike a floor
THINNEST_SHARE = 0.45  # of the cast's median girth
SURE_SHARE = 0.3
JUMP = 2.2  # times the post's girth, within two slabs
STRAIGHT = 0.06  # relative spread of a post's girth


@dataclass(frozen=True, eq=False, kw_only=True)
class Post:
    """axis (3,) from the post to the cast, unit; the cast begins at axis · x = level.

    girth, length in mm; at (3,) where it meets the cast; sure : thin enough to be no limb
    """

    axis: Array
    level: float
    girth: float
    length: float
    at: Array
    sure: bool


def find_post(V: Array, F: Faces) -> Post | None:
    """The post of a stand, or None; the thinnest where several directions show one."""
    s = sample_surface(V, F, SPACING_MM)
    P = s.points
    middle = np.average(P, axis=0, weights=s.areas)
    spread = (P - middle) * np.sqrt(s.areas)[:, None]
    main = np.linalg.svd(spread, full_matrices=False)[2]
    best: Post | None = None
    for axis in np.vstack([main, -main, sides(40)]):
        found = _along(P, axis)
        if found is not None and (best is None or found.girth < best.girth):
            best = found
    return best


def _along(P: Array, axis: Array) -> Post | None:
    u = np.cross(axis, np.eye(3)[int(np.abs(axis).argmin())])
    u /= np.linalg.norm(u)
    flat = np.column_stack([P @ u, P @ np.cross(axis, u)])
    h = P @ axis
    slab = np.floor((h - h.min()) / SLAB_MM).astype(np.int64)
    count = int(slab.max()) + 1
    order = np.argsort(slab, kind="stable")
    bounds = np.searchsorted(slab[order], np.arange(count + 1))
    girth = np.zeros(count)
    for k in range(count):
        q = flat[order[bounds[k] : bounds[k + 1]]]
        if len(q) >= 4:
            try:
                girth[k] = ConvexHull(q).area
            except QhullError:
                girth[k] = 0.0
    body = float(np.median(girth[girth > 0]))
    least = int(np.ceil(SHORTEST_MM / SLAB_MM))
    for k in range(least, count - 4):
        post = girth[k - least : k]
        width = float(np.median(post))
        if width <= 0 or post.min() <= 0 or np.ptp(post) > 2 * STRAIGHT * width:
            continue
        if girth[k + 1] < JUMP * width or width > THINNEST_SHARE * max(
            body, girth[k + 1 :].max() / 2
        ):
            continue
        # The cast is on the far side of the jump: most of the surface lies there.
        beyond = bounds[k + 1]
        if beyond > 0.45 * len(P) or (count - k) * SLAB_MM < DEEPEST_MM:
            continue
        start = k - least
        while start > 0 and abs(girth[start - 1] - width) < 2 * STRAIGHT * width:
            start -= 1
        at = P[order[bounds[k - 1] : bounds[k]]].mean(axis=0)
        sure = width < SURE_SHARE * float(girth[k + 1 :].max()) and width < THICKEST_MM
        return Post(
            axis=axis, level=float(h.min() + k * SLAB_MM), girth=width,
            length=(k - start) * SLAB_MM, at=at, sure=sure,
        )  # fmt: skip
    return None
