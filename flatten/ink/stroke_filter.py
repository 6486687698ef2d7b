"""An oriented line filter on scattered surface points: is there a stroke here, which way?"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.geometry.pointgrid import near
from flatten.ink.samples import Samples

ANGLES = 12
HALF_LENGTH_MM = 7.0
CORE_MM = 1.6  # half width of the strip in the middle
FLANK_MM = (2.6, 4.6, 7.2)  # two bands on either side; the one that shows more bare tape counts


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
def _respond(which, P, N, X, W, start, low, shape, cell):  # pragma: no cover - compiled
    count = which.shape[0]
    strength = np.zeros(count)
    direction = np.zeros((count, 3))
    colour = np.zeros((count, 3))
    found = np.empty(4096, dtype=np.int64)
    u, v = np.empty(4096), np.empty(4096)
    radius = np.sqrt(HALF_LENGTH_MM**2 + 4.0)
    total = np.empty((5, 4))
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
        best = 0.0
        for angle in range(ANGLES):
            c, s = np.cos(np.pi * angle / ANGLES), np.sin(np.pi * angle / ANGLES)
            total[:] = 0.0
            for q in range(kept):
                along = u[q] * c + v[q] * s
                if abs(along) > HALF_LENGTH_MM:
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
                total[band, 0] += W[j] * X[j, 0]
                total[band, 1] += W[j] * X[j, 1]
                total[band, 2] += W[j] * X[j, 2]
                total[band, 3] += W[j]
            if total[0, 3] <= 0.0:
                continue
            ok = True
            for side in range(2):
                if total[1 + side, 3] <= 0.0 and total[3 + side, 3] <= 0.0:
                    ok = False
            if not ok:
                continue
            for band in range(5):
                if total[band, 3] > 0.0:
                    for d in range(3):
                        total[band, d] /= total[band, 3]
            ex = ey = ez = 0.0
            bands = 0.0
            for band in range(1, 5):
                if total[band, 3] > 0.0:
                    ex += total[0, 0] - total[band, 0]
                    ey += total[0, 1] - total[band, 1]
                    ez += total[0, 2] - total[band, 2]
                    bands += 1.0
            length = np.sqrt(ex * ex + ey * ey + ez * ez)
            if length <= 0.0:
                continue
            worst = np.inf
            for side in range(2):
                shown = -np.inf
                for band in (1 + side, 3 + side):
                    if total[band, 3] > 0.0:
                        value = (
                            (total[0, 0] - total[band, 0]) * ex
                            + (total[0, 1] - total[band, 1]) * ey
                            + (total[0, 2] - total[band, 2]) * ez
                        ) / length
                        shown = max(shown, value)
                worst = min(worst, shown)
            if worst > best:
                best = worst
                strength[k] = worst
                direction[k, 0] = c * ax + s * bx
                direction[k, 1] = c * ay + s * by
                direction[k, 2] = c * az + s * bz
                colour[k, 0] = ex / bands
                colour[k, 1] = ey / bands
                colour[k, 2] = ez / bands
    return strength, direction, colour


def stroke_response(
    S: Samples, X: NDArray[np.float64], which: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """How much a narrow strip through each point differs from both its flanks.

    S : the samples; X : (k, 3) contrast of each; which : (c,) indices of points to look at

    Returns
    -------
    strength (c,), direction (c, 3) unit along the strip, colour (c, 3) contrast of the strip. The
    weaker flank decides, so that the edge of a shadow or of a strip of tape gives nothing.
    """
    g = S.grid
    return _respond(which, S.P, S.N, X, S.W, g.start, g.low, g.shape, g.cell)
