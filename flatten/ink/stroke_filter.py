"""An oriented line filter on scattered surface points: is there a stroke here, which way?"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.geometry.both import in_two
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


@njit(cache=True, nogil=True)
def _respond(
    which, half, axes, P, N, C, B, scale, W, noise, start, low, shape, cell,
    strength, chance, direction, colour,
):  # pragma: no cover - compiled  # fmt: skip
    """Fills the last four, one row for every index in `which`."""
    found = np.empty(4096, dtype=np.int64)
    # Along and across, area, squared area, area times contrast in three channels.
    seen = np.empty((4096, 7))
    radius = np.sqrt(half * half + 4.0)
    # Per band: three channels, area, squared areas. Band 0 is the core, 1 to 4 the flanks; what
    # lies in none goes to band 5.
    total = np.empty((6, 5))
    shown = np.empty(4)
    for k in range(which.shape[0]):
        i = which[k]
        n = near(P[i, 0], P[i, 1], P[i, 2], radius, P, start, low, shape, cell, found)
        ax, ay, az, bx, by, bz = frame_of(N[i, 0], N[i, 1], N[i, 2])
        kept = 0
        for q in range(n):
            j = found[q]
            if N[i, 0] * N[j, 0] + N[i, 1] * N[j, 1] + N[i, 2] * N[j, 2] < 0.4:
                continue
            dx, dy, dz = P[j, 0] - P[i, 0], P[j, 1] - P[i, 1], P[j, 2] - P[i, 2]
            seen[kept, 0] = dx * ax + dy * ay + dz * az
            seen[kept, 1] = dx * bx + dy * by + dz * bz
            w = W[j]
            seen[kept, 2] = w
            seen[kept, 3] = w * w
            for d in range(3):
                seen[kept, 4 + d] = w * (C[j, d] - B[i, d]) / scale[i, d]
            kept += 1
        best = 0.0
        chance[k] = 1.0
        for angle in range(ANGLES):
            c, s = np.cos(np.pi * angle / ANGLES), np.sin(np.pi * angle / ANGLES)
            total[:] = 0.0
            for q in range(kept):
                along = seen[q, 0] * c + seen[q, 1] * s
                across = seen[q, 1] * c - seen[q, 0] * s
                t = abs(across)
                band = (1 if t < FLANK_MM[1] else 3) + (1 if across < 0.0 else 0)
                band = band if t >= FLANK_MM[0] else 5
                band = band if t <= FLANK_MM[2] else 5
                band = band if t > CORE_MM else 0
                band = band if abs(along) <= half else 5
                total[band, 0] += seen[q, 4]
                total[band, 1] += seen[q, 5]
                total[band, 2] += seen[q, 6]
                total[band, 3] += seen[q, 2]
                total[band, 4] += seen[q, 3]
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
                for b in range(4):
                    shown[b] = core - (
                        total[b + 1, 0] * ex + total[b + 1, 1] * ey + total[b + 1, 2] * ez
                    )
                for sign in (-1.0, 1.0):
                    worst = np.inf
                    spread = 0.0
                    for side in range(2):
                        value = -np.inf
                        own = 0.0
                        for b in (side, 2 + side):
                            if total[b + 1, 3] > 0.0 and sign * shown[b] > value:
                                value = sign * shown[b]
                                own = total[b + 1, 4]
                        if value < worst:
                            worst = value
                            spread = own
                    if worst > best:
                        best = worst
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
        strength[k] = best


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
    count = len(which)
    strength, chance = np.zeros(count), np.zeros(count)
    direction, colour = np.zeros((count, 3)), np.zeros((count, 3))

    def part(rows: slice) -> None:
        _respond(
            which[rows], half_length_mm, AXES, S.P, S.N, S.C, seen.B, seen.scale, S.W, seen.noise,
            g.start, g.low, g.shape, g.cell,
            strength[rows], chance[rows], direction[rows], colour[rows],
        )  # fmt: skip

    in_two(lambda: part(slice(count // 2)), lambda: part(slice(count // 2, count)))
    return Responses(strength=strength, noise=chance, direction=direction, colour=colour)
