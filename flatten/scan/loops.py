"""Closed curves in space: length, flatness, raggedness smoothed out."""

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.triangles import Array

# Shares of an edge: how far a bend stands out, and how far apart bends are kept.
BEND_SHARE, APART_SHARE = 0.06, 0.6


def loop_length(P: Array) -> float:
    """Length of the closed polyline P (k, 3)."""
    return float(np.linalg.norm(np.roll(P, -1, axis=0) - P, axis=1).sum())


def flatness(P: Array) -> tuple[Array, Array, float]:
    """Centre, unit normal and rms distance of points P (k, 3) from their best plane."""
    centre = P.mean(axis=0)
    _, size, axes = np.linalg.svd(P - centre, full_matrices=True)
    rms = float(size[-1] / np.sqrt(len(P))) if len(size) == 3 else 0.0
    return centre, axes[-1], rms


def smooth_curve(P: Array, reach: float) -> Array:
    """The closed polyline P (k, 3) smoothed over `reach` either way, evenly resampled, (c, 3).

    A Gaussian of that full width (reach is two of its standard deviations), held to an eighth of
    the loop; samples lie at most a quarter of it apart, at least 16.
    """
    step = np.linalg.norm(np.roll(P, -1, axis=0) - P, axis=1)
    length = float(step.sum())
    reach = min(reach, length / 8)
    if length <= 0:
        return P.copy()
    count = int(np.clip(np.ceil(4 * length / max(reach, 1e-12)), 16, 8192))
    at = np.concatenate([[0.0], np.cumsum(step)])
    t = np.arange(count) * length / count
    closed = np.concatenate([P, P[:1]])
    even = np.column_stack([np.interp(t, at, closed[:, j]) for j in range(3)])
    wave = np.fft.rfftfreq(count, d=length / count)
    kept = np.exp(-0.5 * (np.pi * wave * reach) ** 2)
    return np.fft.irfft(np.fft.rfft(even, axis=0) * kept[:, None], count, axis=0)


def bends(P: Array, edge_mm: float) -> NDArray[np.int64]:
    """Vertices of the closed polyline P (k, 3) that a polyline of edges `edge_mm` must not pass by.

    Those that lie farther than a share of the edge from the chord over half an edge on either side,
    the farthest first, none within another share of one taken before.
    """
    step = np.linalg.norm(np.roll(P, -1, axis=0) - P, axis=1)
    length = float(step.sum())
    if length < 4 * edge_mm:
        return np.empty(0, dtype=np.int64)
    at = np.concatenate([[0.0], np.cumsum(step)])
    closed = np.concatenate([P, P[:1]])
    ends = [
        np.column_stack([np.interp((at[:-1] + by) % length, at, x) for x in closed.T])
        for by in (-edge_mm / 2, edge_mm / 2)
    ]
    along, off = ends[1] - ends[0], P - ends[0]
    share = np.einsum("ij,ij->i", off, along) / np.maximum(
        np.einsum("ij,ij->i", along, along), 1e-300
    )
    away = np.linalg.norm(off - np.clip(share, 0.0, 1.0)[:, None] * along, axis=1)
    taken: list[int] = []
    for k in np.argsort(-away, kind="stable"):
        if away[k] <= BEND_SHARE * edge_mm:
            break
        gaps = np.abs(at[taken] - at[k])
        if (np.minimum(gaps, length - gaps) >= APART_SHARE * edge_mm).all():
            taken.append(int(k))
    return np.array(sorted(taken), dtype=np.int64)
