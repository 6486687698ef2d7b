"""How far each point's colour is from the bare tape round it, whatever the light there."""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.geometry.pointgrid import near, point_grid
from flatten.ink.samples import Samples

RADIUS_MM = 25.0
THIN_MM = 2.6  # the background is taken from about one point in this many mm squared
KNOT_MM = 5.0
PART = 100_000  # samples looked at together
FLOOR = 10.0  # levels of 255: below it a ratio says more of the camera's rounding than of the pen
MOST = 4.0  # contrasts are cut off here: the lightest pen on black tape
NOISE_FLOOR = 3.0  # likewise for its noise: a channel this many deviations bright counts as such


@njit(cache=True)
def _medians(Q, M, P, N, C, start, low, shape, cell, radius):  # pragma: no cover - compiled
    out = np.zeros((Q.shape[0], 3))
    found = np.empty(8192, dtype=np.int64)
    level = np.empty(256, dtype=np.int64)
    for i in range(Q.shape[0]):
        count = near(Q[i, 0], Q[i, 1], Q[i, 2], radius, P, start, low, shape, cell, found)
        kept = 0
        for q in range(count):
            j = found[q]
            if M[i, 0] * N[j, 0] + M[i, 1] * N[j, 1] + M[i, 2] * N[j, 2] > 0.5:
                found[kept] = j
                kept += 1
        for c in range(3):
            level[:] = 0
            for q in range(kept):
                level[int(C[found[q], c])] += 1
            # The median from whole levels, placed inside its level by what lies below it.
            below = 0
            for v in range(256):
                if 2 * (below + level[v]) >= kept and level[v] > 0:
                    out[i, c] = v + (0.5 * kept - below) / level[v]
                    break
                below += level[v]
    return out


def one_per_cell(P: NDArray[np.float64], step: float) -> NDArray[np.int64]:
    """Indices of one point in every cube of `step` mm that holds any, always the same ones."""
    ijk = np.floor((P - P.min(axis=0)) / step).astype(np.int64)
    span = ijk.max(axis=0) + 1
    key = (ijk[:, 0] * span[1] + ijk[:, 1]) * span[2] + ijk[:, 2]
    return np.unique(key, return_index=True)[1]


def background(S: Samples) -> NDArray[np.float64]:
    """(k, 3) colour of the tape at every point: the median within 25 mm where normals agree,
    found at knots 5 mm apart and blended between them.

    A pen line covers a tenth of such a disk, a crossing of lines a fifth, so that the median is
    the tape's whether the pen is darker or lighter.
    """
    thin = one_per_cell(S.P, THIN_MM)
    P, N, C = S.P[thin], S.N[thin], S.C[thin]
    grid = point_grid(P, 10.0)
    P, N, C = (np.ascontiguousarray(a[grid.order]) for a in (P, N, C))
    knot = one_per_cell(S.P, KNOT_MM)
    median = _medians(
        S.P[knot], S.N[knot], P, N, C, grid.start, grid.low, grid.shape, grid.cell, RADIUS_MM
    )
    tree, way = KDTree(S.P[knot]), S.N[knot]
    out = np.empty_like(S.C)
    # Six knots for every sample at once would be the most that the whole reading holds.
    for first in range(0, len(S.P), PART):
        rows = slice(first, first + PART)
        count = len(S.P[rows])
        near_mm, which = tree.query(S.P[rows], k=min(6, len(knot)), workers=2)
        near_mm, which = near_mm.reshape(count, -1), which.reshape(count, -1)
        agree = np.einsum("ij,ikj->ik", S.N[rows], way[which])
        weight = np.exp(-0.5 * (near_mm / (0.7 * KNOT_MM)) ** 2) * np.clip(agree, 0.05, 1.0) + 1e-9
        blend = np.einsum("ik,ikc->ic", weight, median[which])
        out[rows] = blend / weight.sum(axis=1)[:, None]
    return out


@dataclass(frozen=True, eq=False, kw_only=True)
class Contrast:
    """X (k, 3) how much lighter (+) or darker (-) than the tape each channel of every sample is
    B (k, 3) the tape's colour there; scale (k, 3) what differences from it are measured in
    noise (k,) deviation of X a channel, from the camera's noise alone
    """

    X: NDArray[np.float64]
    B: NDArray[np.float64]
    scale: NDArray[np.float64]
    noise: NDArray[np.float64]


def contrast(S: Samples) -> Contrast:
    """Every sample's colour as a ratio to the tape round it, less one: what gloss adds cancels
    between a stroke and the tape beside it."""
    B = background(S)
    level = noise_level(S)
    scale = np.maximum(B, max(FLOOR, NOISE_FLOOR * level))
    X = np.clip((S.C - B) / scale, -1.0, MOST)
    return Contrast(X=X, B=B, scale=scale, noise=level * np.sqrt((1.0 / scale**2).mean(axis=1)))


def fair(X: NDArray[np.float64]) -> NDArray[np.float64]:
    """Contrasts (..., 3) of light and dark pens on one scale: what is lighter as a logarithm.

    A pen may be ten times lighter than black tape and is no more of a pen for that than a black
    one, which can take no more than all of the light away.
    """
    return np.where(X > 0.0, np.log1p(np.maximum(X, 0.0)), X)


def noise_level(S: Samples) -> float:
    """Deviation of the camera's noise, levels of 255 a channel, from how neighbours differ."""
    some = np.arange(0, len(S.P), max(len(S.P) // 4000, 1))
    if len(S.P) < 8:
        return 1.0
    around = np.asarray(S.tree.query(S.P[some], k=7)[1])[:, 1:]
    apart = np.abs(S.C[some] - S.C[around].mean(axis=1))
    # 1.4826 makes a median a deviation; the mean of six neighbours has noise of its own.
    return float(max(1.4826 * np.median(apart) / np.sqrt(1.0 + 1.0 / 6.0), 0.5))
