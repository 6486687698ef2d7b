"""Closed curves in space: length, flatness, raggedness smoothed out."""

import numpy as np

from flatten.geometry.triangles import Array


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
