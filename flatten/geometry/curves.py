"""Polylines in space: arc length, corners, resampling and smoothing that keeps corners."""

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


def arc_length(P: Array) -> Array:
    """(k,) length along a polyline P (k, d) up to each point."""
    step = np.linalg.norm(np.diff(P, axis=0), axis=1)
    return np.concatenate([[0.0], np.cumsum(step)])


def without_repeats(P: Array, closed: bool, tol: float) -> NDArray[np.bool_]:
    """(k,) True for the points to keep so that neighbours are more than `tol` apart.

    The last point of an open polyline is always kept, at the cost of the one before it.
    """
    keep = np.ones(len(P), dtype=bool)
    at = 0
    for i in range(1, len(P)):
        if np.linalg.norm(P[i] - P[at]) <= tol:
            keep[i] = False
        else:
            at = i
    kept = np.flatnonzero(keep)
    if closed:
        while len(kept) > 1 and np.linalg.norm(P[kept[-1]] - P[kept[0]]) <= tol:
            keep[kept[-1]] = False
            kept = kept[:-1]
    elif len(P) and not keep[-1] and len(kept) > 1:
        keep[kept[-1]] = False
        keep[-1] = True
    return keep


def at_lengths(P: Array, lengths: Array) -> Array:
    """(q, d) places on an open polyline at given lengths along it."""
    s = arc_length(P)
    return np.column_stack([np.interp(lengths, s, P[:, i]) for i in range(P.shape[1])])


def resample(P: Array, step: float) -> Array:
    """An open polyline's points, evenly spaced, `step` or a little less apart; its ends kept."""
    total = arc_length(P)[-1]
    count = max(int(np.ceil(total / step - 1e-9)), 1)
    return at_lengths(P, np.linspace(0.0, total, count + 1))


def corners(P: Array, closed: bool, reach: float, least_deg: float) -> Ints:
    """Points where a polyline turns sharply, whatever its noise.

    The turn at a point is measured between the chords to the places `reach` before and after it
    along the line (shorter at open ends); of neighbouring points over `least_deg` the sharpest is
    taken.
    """
    s = arc_length(np.vstack([P, P[:1]]) if closed else P)
    total = s[-1]
    s = s[: len(P)]
    if closed:
        if total <= 3 * reach:
            return np.empty(0, dtype=np.int64)
        ring = np.vstack([P, P, P, P[:1]])
        back = at_lengths(ring, s + total - reach)
        ahead = at_lengths(ring, s + total + reach)
    else:
        back, ahead = at_lengths(P, np.maximum(s - reach, 0)), at_lengths(P, s + reach)
    u, v = P - back, ahead - P
    norm = np.linalg.norm(u, axis=1) * np.linalg.norm(v, axis=1)
    cosine = np.divide(np.einsum("ij,ij->i", u, v), norm, out=np.ones(len(P)), where=norm > 0)
    turn = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    found: list[int] = []
    for i in np.argsort(-turn, kind="stable"):
        if turn[i] < least_deg:
            break
        gap = np.abs(s[found] - s[i]) if found else np.empty(0)
        gap = np.minimum(gap, total - gap) if closed else gap
        if not np.any(gap < reach):
            found.append(int(i))
    return np.array(sorted(found), dtype=np.int64)


def smooth(P: Array, wavelength: float, within: float, closed: bool = False) -> Array:
    """A polyline freed of waves shorter than `wavelength`, every point moved `within` at most.

    Least squares with a penalty on second differences over arc length (Whittaker, On a new method
    of graduation, Proc. Edinburgh Math. Soc. 41, 1922), at half strength at `wavelength`. The ends
    of an open polyline stay in place.
    """
    k = len(P)
    if k < 5:
        return P.copy()
    if closed:
        # The ring is opened far from where the answer is read.
        wrap = min(k, 1 + int(np.ceil(3 * wavelength / max(arc_length(P)[-1] / k, 1e-300))))
        ring = np.vstack([P[-wrap:], P, P[:wrap]])
        return smooth(ring, wavelength, within)[wrap : wrap + k]
    s = arc_length(P)
    mean = s[-1] / (k - 1)
    h = np.maximum(np.diff(s), 0.05 * mean)
    # Second divided differences: rows over triples of points.
    a, b = 2.0 / (h[:-1] * (h[:-1] + h[1:])), 2.0 / (h[1:] * (h[:-1] + h[1:]))
    rows = np.stack([a, -(a + b), b])
    weight = (wavelength / (2.0 * np.pi)) ** 4 * 0.5 * (h[:-1] + h[1:])
    # Upper band of W + D^T w D: each triple adds its outer product to the diagonal and two above.
    band = np.zeros((3, k))
    band[2] = np.concatenate([h[:1] * 0.5, 0.5 * (h[:-1] + h[1:]), h[-1:] * 0.5])
    right = band[2][:, None] * P
    for i in range(3):
        for j in range(i, 3):
            at = np.arange(j, j + k - 2)
            np.add.at(band[2 - (j - i)], at, weight * rows[i] * rows[j])
    stiff = 1e9 * band[2].max()
    band[2, 0] += stiff
    band[2, -1] += stiff
    right[0] += stiff * P[0]
    right[-1] += stiff * P[-1]
    move = solveh_banded(band, right) - P
    size = np.linalg.norm(move, axis=1, keepdims=True)
    move *= np.minimum(1.0, within / np.maximum(size, 1e-300))
    move[[0, -1]] = 0.0
    return P + move
