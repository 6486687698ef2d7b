"""An oriented line filter on scattered surface points: is there a stroke here, which way?"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.geometry.pointgrid import near
from flatten.ink.contrast import Contrast
from flatten.ink.samples import Samples

ANGLES = 12
CORE_MM = 1.6  # half width of the strip in the middle
FLANK_MM = (2.6, 4.6, 7.2)  # two bands on either side; the one that shows more bare tape counts
# Axes of colour that a pen may differ along, up or down: all channels, two of them, or one. Any
# contrast lies within 30 degrees of one, and noise has seven ways to look like ink instead of all.
AXES = np.array(
    [[1, 1, 1], [0, 1, 1], [1, 0, 1], [1, 1, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], dtype=np.float64
)
AXES /= np.linalg.norm(AXES, axis=1, keepdims=True)


@dataclass(frozen=True, eq=False, kw_only=True)
class Responses:
    """strength (c,) of the strip against its weaker flank; noise (c,) what chance alone does to it
    (one deviation); direction (c, 3) unit, along the strip; colour (c, 3) its contrast
    """

    strength: NDArray[np.float64]
    noise: NDArray[np.float64]
    direction: NDArray[np.float64]
    colour: NDArray[np.float64]


@njit(cache=True)
def frame_of(x, y, z):  # pragma: no cover - compiled
    """Two unit vectors across a unit normal (x, y, z)."""
    if abs(x) < 0.6:
        ax, ay, az = 0.0, z, -y
    else:
        ax, ay, az = -z, 0.0, x
    r = 1.0 / np.sqrt(ax * ax + ay * ay + az * az)
    ax, ay, az = ax * r, ay * r, az * r
    return ax, ay, az, y * az - z * ay, z * ax - x * az, x * ay - y * ax


@njit(cache=True)
def _respond(
    which, half, axes, P, N, C, B, scale, W, noise, start, low, shape, cell
):  # pragma: no cover - compiled
    count = which.shape[0]
    strength = np.zeros(count)
    chance = np.ones(count)
    direction = np.zeros((count, 3))
    colour = np.zeros((count, 3))
    found = np.empty(4096, dtype=np.int64)
    u, v = np.empty(4096), np.empty(4096)
    radius = np.sqrt(half * half + 4.0)
    # Per band: three channels, area, squared areas. Band 0 is the core, 1 to 4 the flanks.
    total = np.empty((5, 5))
    for k in range(count):
        i = which[k]
        n = near(P[i, 0], P[i, 1], P[i, 2], radius, P, start, low, shape, cell, found)
        ax, ay, az, bx, by, bz = frame_of(N[i, 0], N[i, 1], N[i, 2])
        kept = 0
        for q in range(n):
            j = found[q]
            if N[i, 0] * N[j, 0] + N[i, 1] * N[j, 1] + N[i, 2] * N[j, 2] < 0.4:
                continue
            dx, dy, dz = P[j, 0] - P[i, 0], P[j, 1] - P[i, 1], P[j, 2] - P[i, 2]
            found[kept] = j
            u[kept] = dx * ax + dy * ay + dz * az
            v[kept] = dx * bx + dy * by + dz * bz
            kept += 1
        for angle in range(ANGLES):
            c, s = np.cos(np.pi * angle / ANGLES), np.sin(np.pi * angle / ANGLES)
            total[:] = 0.0
            for q in range(kept):
                along = u[q] * c + v[q] * s
                if abs(along) > half:
                    continue
                across = v[q] * c - u[q] * s
                t = abs(across)
                if t <= CORE_MM:
                    band = 0
                elif t < FLANK_MM[0] or t > FLANK_MM[2]:
                    continue
                else:
                    band = 1 if t < FLANK_MM[1] else 3
                    if across < 0.0:
                        band += 1
                j = found[q]
                w = W[j]
                total[band, 0] += w * (C[j, 0] - B[i, 0]) / scale[i, 0]
                total[band, 1] += w * (C[j, 1] - B[i, 1]) / scale[i, 1]
                total[band, 2] += w * (C[j, 2] - B[i, 2]) / scale[i, 2]
                total[band, 3] += w
                total[band, 4] += w * w
            if total[0, 3] <= 0.0:
                continue
            if total[1, 3] + total[3, 3] <= 0.0 or total[2, 3] + total[4, 3] <= 0.0:
                continue
            for band in range(5):
                if total[band, 3] > 0.0:
                    for d in range(3):
                        total[band, d] /= total[band, 3]
                    total[band, 4] /= total[band, 3] * total[band, 3]
            for a in range(axes.shape[0]):
                ex, ey, ez = axes[a, 0], axes[a, 1], axes[a, 2]
                core = total[0, 0] * ex + total[0, 1] * ey + total[0, 2] * ez
                for sign in (-1.0, 1.0):
                    worst = np.inf
                    spread = 0.0
                    for side in range(2):
                        shown = -np.inf
                        own = 0.0
                        for band in (1 + side, 3 + side):
                            if total[band, 3] > 0.0:
                                flank = (
                                    total[band, 0] * ex + total[band, 1] * ey + total[band, 2] * ez
                                )
                                value = sign * (core - flank)
                                if value > shown:
                                    shown = value
                                    own = total[band, 4]
                        if shown < worst:
                            worst = shown
                            spread = own
                    if worst > strength[k]:
                        strength[k] = worst
                        chance[k] = noise[i] * np.sqrt(total[0, 4] + spread)
                        direction[k, 0] = c * ax + s * bx
                        direction[k, 1] = c * ay + s * by
                        direction[k, 2] = c * az + s * bz
                        for d in range(3):
                            mean = bands = 0.0
                            for band in range(1, 5):
                                if total[band, 3] > 0.0:
                                    mean += total[band, d]
                                    bands += 1.0
                            colour[k, d] = total[0, d] - mean / bands
    return strength, chance, direction, colour


def stroke_response(
    S: Samples,
    seen: Contrast,
    which: NDArray[np.int64],
    half_length_mm: float,
) -> Responses:
    """How much a narrow strip through each point differs from both its flanks.

    S : the samples and how they are seen; which : (c,) indices of points to look at

    Every neighbour is held against the tape at the point itself, so that no line is seen where
    what counts as tape changes. The weaker flank decides, so that the edge of a shadow or of a
    strip of tape gives nothing.
    """
    g = S.grid
    strength, chance, direction, colour = _respond(
        which, half_length_mm, AXES, S.P, S.N, S.C, seen.B, seen.scale, S.W, seen.noise,
        g.start, g.low, g.shape, g.cell,
    )  # fmt: skip
    return Responses(strength=strength, noise=chance, direction=direction, colour=colour)
