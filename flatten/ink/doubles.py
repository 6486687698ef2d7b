"""Drops what was followed twice: tracks and strokes that run along another one's ink."""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.ink.fit import Stroke
from flatten.ink.track import Track

ALIKE = 0.8  # cosine between two ways that count as the same
SHARE = 0.6  # of the points of a double lie on the other one
TRACK_MM = 2.6
LEAST_POINTS = 4


def without_doubles(strokes: list[Stroke]) -> list[Stroke]:
    """The strokes, clearest first, without those that mostly lie on the ink of a clearer one.

    A stroke's edge is followed by itself where a seed lay off its middle. What lies within half
    the width plus a millimetre and a half of a clearer stroke, going the same way, is that stroke;
    so is what has no samples of its own left.
    """
    strokes = [s for s in strokes if np.mean(s.cover != 0.0) > 0.5]
    strokes = sorted(strokes, key=lambda s: -s.length * s.strength * s.explained)
    reach = np.array([min(0.5 * s.width, 3.5) + 1.5 for s in strokes])
    lines = [s.points for s in strokes]
    kept: list[Stroke] = []
    for s, on in zip(strokes, _covered(lines, [s.closed for s in strokes], reach), strict=True):
        if on.mean() < SHARE:
            kept.append(s)
    return kept


def without_overlaps(tracks: list[Track]) -> list[Track]:
    """The tracks, longest first, without the stretches at their ends that another one covers.

    Two tracks along the same ink would each get one half of it in the fit.
    """
    tracks = sorted(tracks, key=lambda t: -len(t.points))
    reach = np.full(len(tracks), TRACK_MM)
    lines = [t.points for t in tracks]
    kept: list[Track] = []
    for t, on in zip(tracks, _covered(lines, [t.closed for t in tracks], reach), strict=True):
        free = np.flatnonzero(~on)
        if on.mean() >= SHARE or len(free) < LEAST_POINTS:
            continue
        if t.closed:
            kept.append(t)
        else:
            kept.append(Track(points=t.points[free[0] : free[-1] + 1], closed=False))
    return kept


def _covered(
    lines: list[NDArray[np.float64]], closed: list[bool], reach: NDArray[np.float64]
) -> list[NDArray[np.bool_]]:
    """For each line (best first), which of its points lie along an earlier one that is kept."""
    if len(lines) < 2:
        return [np.zeros(len(p), dtype=bool) for p in lines]
    nodes = np.concatenate(lines)
    ways = np.concatenate([_ways(p, c) for p, c in zip(lines, closed, strict=True)])
    start = np.concatenate([[0], np.cumsum([len(p) for p in lines])])
    owner = np.repeat(np.arange(len(lines)), np.diff(start))
    pairs = KDTree(nodes).query_pairs(float(reach.max()), output_type="ndarray")
    a, b = pairs[:, 0], pairs[:, 1]
    later = owner[a] > owner[b]
    a, b = np.where(later, a, b), np.where(later, b, a)
    apart = np.linalg.norm(nodes[a] - nodes[b], axis=1)
    same = (owner[a] != owner[b]) & (apart < reach[owner[b]])
    same &= np.abs(np.einsum("ij,ij->i", ways[a], ways[b])) > ALIKE
    order = np.argsort(a[same], kind="stable")
    a, b = a[same][order], owner[b[same]][order]
    keep = np.ones(len(lines), dtype=bool)
    out = []
    for i, p in enumerate(lines):
        low, high = np.searchsorted(a, [start[i], start[i + 1]])
        on = np.zeros(len(p), dtype=bool)
        on[a[low:high][keep[b[low:high]]] - start[i]] = True
        keep[i] = on.mean() < SHARE
        out.append(on)
    return out


def _ways(p: NDArray[np.float64], closed: bool) -> NDArray[np.float64]:
    if closed:
        d = np.roll(p, -1, axis=0) - np.roll(p, 1, axis=0)
    else:
        d = np.gradient(p, axis=0) if len(p) > 1 else np.zeros_like(p)
    return d / np.maximum(np.linalg.norm(d, axis=1, keepdims=True), 1e-12)
