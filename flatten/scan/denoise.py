"""Takes scan noise off and fairs filled holes, without shrinking the form or moving its rims."""

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.spatial import KDTree

from flatten.geometry.smoothing import bending, border_mask, fair, ring_mean
from flatten.geometry.triangles import (
    Array,
    Faces,
    corner_angles,
    face_areas,
    vertex_normals,
)

# Noise is what a paraboloid fitted to a patch of this radius leaves over.
PATCH_MM = 8.0
# Below this (or this share of the patch's radius, on coarse meshes) the surface is taken as clean.
CLEAN_MM, CLEAN_SHARE = 0.03, 0.0025
# The shortest wave that is kept, for noise of 0.25 mm by `noise_level`: waves grow with the fourth
# power into form lost and only slowly into noise kept, so it follows the noise by a fifth power.
# Calibrated on two bodies with 0.4 mm of noise: 0.16 mm rms from the true form, the least there is.
WAVE_MM, WAVE_NOISE_MM = 35.0, 0.25
# A bend of radius R is moved inward by wave^4 / (2 pi)^4 / R^3; no more than this is allowed.
INWARD_MM = 0.06
# How tightly a place bends is seen on a surface with waves down to this length.
BEND_WAVE_MM = 25.0
# Where points lie so far apart that patches are this much larger, form and noise look the same.
COARSE = 3.0
# More than this is no noise of a scanner.
MOST_MM = 1.0
# Needles: see drop_spikes.
SPIKE_DEG, SPIKE_LONG, MOST_SPIKES = 150.0, 1.8, 0.03
# Lone points: above their ring by this part of their edges, the ring above the next by a part of it.
# The faces round such a point, even ones at least, meet with 308 degrees or less.
LONE_HIGH, LONE_FOOT, LONE_DEG = 0.5, 0.3, 330.0
_FEWEST = 500
_SAMPLES, _NEIGHBOURS = 800, 48


def noise_level(V: Array, F: Faces) -> float:
    """Median rms, in mm, of what a paraboloid fitted to small patches leaves over; 0 if clean."""
    area = float(face_areas(V, F).sum())
    rng = np.random.default_rng(1)
    used = np.flatnonzero(np.bincount(F.ravel(), minlength=len(V)))
    # Thinned so that a patch holds about as many points as are looked at.
    enough = int(area / (np.pi * PATCH_MM**2 / _NEIGHBOURS)) + 1000
    if len(used) > enough:
        used = rng.choice(used, enough, replace=False)
    if len(used) < 14:
        return 0.0
    P, N = V[used], vertex_normals(V, F)[used]
    centre = rng.choice(len(P), min(_SAMPLES, len(P)), replace=False)
    count = min(_NEIGHBOURS, len(P))
    distance, near = (np.asarray(x) for x in KDTree(P).query(P[centre], k=count))
    rank = np.arange(count)
    n = N[centre]
    take = (distance < PATCH_MM) | (rank < 14)
    take &= np.einsum("ijk,ik->ij", N[near], n) > 0.5
    D = P[near] - P[centre][:, None]
    side = np.where(np.abs(n[:, :1]) < 0.8, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
    a = np.cross(n, side)
    a /= np.maximum(np.linalg.norm(a, axis=1, keepdims=True), 1e-12)
    b = np.cross(n, a)
    x, y, h = (np.einsum("ijk,ik->ij", D, axis) for axis in (a, b, n))
    scale = np.maximum(np.max(np.where(take, distance, 0.0), axis=1), 1e-12)[:, None]
    x, y = x / scale, y / scale
    A = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=2) * take[:, :, None]
    h = h * take
    At = A.transpose(0, 2, 1)
    c = np.linalg.solve(At @ A + 1e-10 * np.eye(6), At @ h[:, :, None])
    rest = h - (A @ c)[:, :, 0]
    count = take.sum(axis=1)
    ok = count >= 10
    if not ok.any():
        return 0.0
    rms = np.sqrt((rest[ok] ** 2).sum(axis=1) / (count[ok] - 6))
    level = min(float(np.median(rms)), MOST_MM)
    if float(np.median(scale)) > COARSE * PATCH_MM:
        return 0.0
    return level if level > max(CLEAN_MM, CLEAN_SHARE * float(np.median(scale))) else 0.0


def drop_spikes(V: Array, F: Faces) -> tuple[Array, int]:
    """Points that stick out like needles laid among their neighbours.

    A needle's faces meet at its tip with less than SPIKE_DEG in all and are much longer than those
    around; a tip of the form itself is meshed as its surroundings are. A lower spike is told by its
    foot: its ring lies level with the next one, where a tip's rings go on falling. Meshes too
    coarse to tell, and those with needles everywhere, are left alone.

    Returns
    -------
    V (n, 3), count : points moved
    """
    n = len(V)
    if n < _FEWEST:
        return V, 0
    W = ring_mean(F, n)
    inner = ~border_mask(F, n)
    moved = np.zeros(n, dtype=bool)
    V = V.copy()
    for _ in range(3):
        angle = np.bincount(F.ravel(), corner_angles(V, F).ravel(), minlength=n)
        side = V[F] - V[np.roll(F, -1, axis=1)]
        length = np.linalg.norm(side, axis=2)
        reach = 0.5 * (length + np.roll(length, 1, axis=1))
        faces = np.maximum(np.bincount(F.ravel(), minlength=n), 1)
        mean = np.bincount(F.ravel(), reach.ravel(), minlength=n) / faces
        needle = (angle < np.radians(SPIKE_DEG)) & (mean > SPIKE_LONG * np.median(mean))
        needle &= inner
        sharp = inner & (angle < np.radians(LONE_DEG))
        if sharp.any():
            needle |= sharp & _lone(V, F, W, mean)
        if not needle.any() or needle.sum() > MOST_SPIKES * n:
            break
        moved |= needle
        V[needle] = (W @ V)[needle]
    return V, int(np.count_nonzero(moved))


def _lone(V: Array, F: Faces, W: csr_matrix, length: Array) -> NDArray[np.bool_]:
    """(n,) points that stand out of their surroundings all alone; length (n,) of their edges."""
    ring = W @ V
    normal = vertex_normals(V, F)
    high = np.einsum("ij,ij->i", V - ring, normal)
    tall = np.flatnonzero(np.abs(high) > LONE_HIGH * length)
    here = W[tall]
    # The mean of the rings' means holds the point itself; without it, the next ring is left over.
    itself = (here @ (1 / np.maximum(np.diff(W.indptr), 1)))[:, None]
    beyond = (here @ ring - itself * V[tall]) / np.maximum(1 - itself, 1e-6)
    foot = np.einsum("ij,ij->i", ring[tall] - beyond, normal[tall])
    up = np.abs(high)
    # A spike lifts its neighbours' rings: only the tallest of a ring counts.
    tallest = up[tall] >= here.sign().multiply(up).tocsr().max(axis=1).toarray().ravel()
    lone = np.zeros(len(V), dtype=bool)
    lone[tall] = tallest & (np.sign(high[tall]) * foot < LONE_FOOT * up[tall])
    return lone


def denoise(
    V: Array, F: Faces, *, noise_mm: float, patch: NDArray[np.bool_], edge_mm: float
) -> Array:
    """Positions with waves shorter than the noise's reach taken out; borders stay.

    V (n, 3), F (m, 3) evenly meshed; patch (n,) : vertices on filled holes, which only follow
    their surroundings (a thin plate's shape). With noise_mm 0 nothing but these is moved.
    """
    if noise_mm <= 0:
        return fair(V, F, np.full(len(V), np.inf), free=patch) if patch.any() else V
    wave = min(WAVE_MM * (noise_mm / WAVE_NOISE_MM) ** 0.2, 7 * edge_mm)
    weight = np.full(len(V), (2 * np.pi / wave) ** 4)
    finer = np.full(len(V), (2 * np.pi / min(wave, BEND_WAVE_MM)) ** 4)
    bend = bending(fair(V, F, finer, free=patch), F)
    weight = np.maximum(weight, bend**3 / INWARD_MM)
    return fair(V, F, weight, free=patch)
