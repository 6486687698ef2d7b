"""Drops strokes that were followed twice: those that run along a stronger stroke's own ink."""

import numpy as np
from scipy.spatial import KDTree

from flatten.ink.fit import Stroke

ALIKE = 0.8  # cosine between two ways that count as the same
SHARE = 0.6  # of the nodes of a double lie on the other stroke


def without_doubles(strokes: list[Stroke]) -> list[Stroke]:
    """The strokes, longest first, without those that mostly lie on the ink of a longer one.

    A stroke's edge is followed by itself where a seed lay off its middle. What lies within half
    the width plus a millimetre and a half of a longer stroke, going the same way, is that stroke;
    so is what has no samples of its own left.
    """
    strokes = [s for s in strokes if np.mean(s.cover != 0.0) > 0.5]
    order = sorted(range(len(strokes)), key=lambda i: (-strokes[i].length, i))
    strokes = [strokes[i] for i in order]
    if len(strokes) < 2:
        return strokes
    nodes = np.concatenate([s.points for s in strokes])
    ways = np.concatenate([_ways(s) for s in strokes])
    owner = np.repeat(np.arange(len(strokes)), [len(s.points) for s in strokes])
    reach = np.array([0.5 * s.width + 1.5 for s in strokes])
    pairs = KDTree(nodes).query_pairs(float(reach.max()), output_type="ndarray")
    a, b = pairs[:, 0], pairs[:, 1]
    later = owner[a] > owner[b]
    a, b = np.where(later, a, b), np.where(later, b, a)
    apart = np.linalg.norm(nodes[a] - nodes[b], axis=1)
    same = (owner[a] != owner[b]) & (apart < reach[owner[b]])
    same &= np.abs(np.einsum("ij,ij->i", ways[a], ways[b])) > ALIKE
    a, b = a[same], owner[b[same]]
    keep = np.ones(len(strokes), dtype=bool)
    start = np.concatenate([[0], np.cumsum([len(s.points) for s in strokes])])
    by_node = np.argsort(a, kind="stable")
    a, b = a[by_node], b[by_node]
    for i in range(1, len(strokes)):
        lo, hi = np.searchsorted(a, [start[i], start[i + 1]])
        on = np.unique(a[lo:hi][keep[b[lo:hi]]])
        keep[i] = len(on) < SHARE * len(strokes[i].points)
    return [s for s, k in zip(strokes, keep, strict=True) if k]


def _ways(s: Stroke) -> np.ndarray:
    p = s.points
    if s.closed:
        d = np.roll(p, -1, axis=0) - np.roll(p, 1, axis=0)
    else:
        d = np.gradient(p, axis=0) if len(p) > 1 else np.zeros_like(p)
    return d / np.maximum(np.linalg.norm(d, axis=1, keepdims=True), 1e-12)
