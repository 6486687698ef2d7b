"""Follows strokes over the scan's points, from the strongest places, straight through crossings.

A stroke is followed in both directions from a seed. At every step a strip ahead is turned and
shifted to where it differs most from both its flanks, with a preference for going straight on, and
with the colour that the stroke has shown so far: a crossing line of another colour, or of the same
one, is passed without turning into it.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.geometry.pointgrid import near
from flatten.ink.contrast import MOST, Contrast
from flatten.ink.samples import Samples
from flatten.ink.strip import best_strip, room, strip

STEP_MM = 1.5
RADIUS_MM = 9.0
MISS_MM = 4.5  # how far to look on where the ink fails
BAND_MM = 2.6  # points this close to a followed stroke seed no other one
MOST_NODES = 6000


@dataclass(frozen=True, eq=False, kw_only=True)
class Track:
    """One followed stroke: points (k, 3) mm about 1.5 mm apart on the surface."""

    points: NDArray[np.float64]
    closed: bool


@njit(cache=True)
def _look(x, y, z, dx, dy, dz, nx, ny, nz, colour, purity, S, start, low, shape, cell, found, uvq):
    # pragma: no cover - compiled
    """Gathers the points round a place into (u along, v across, q ink, w area, h height) and their
    contrast to the tape at that place."""
    P, N, C, B, scale, W = S
    n = near(x, y, z, RADIUS_MM, P, start, low, shape, cell, found)
    # b = n x d: to the left of the way.
    bx, by, bz = ny * dz - nz * dy, nz * dx - nx * dz, nx * dy - ny * dx
    size = np.sqrt(colour[0] ** 2 + colour[1] ** 2 + colour[2] ** 2)
    ex, ey, ez = colour[0] / size, colour[1] / size, colour[2] / size
    # The tape at the place itself: its neighbours are held against it, so that nothing shows where
    # what counts as tape changes.
    tape = np.zeros(6)
    total = 1e-12
    for m in range(n):
        j = found[m]
        if nx * N[j, 0] + ny * N[j, 1] + nz * N[j, 2] >= 0.4:
            r2 = (P[j, 0] - x) ** 2 + (P[j, 1] - y) ** 2 + (P[j, 2] - z) ** 2
            w = W[j] * np.exp(-r2 / 12.0)
            total += w
            for d in range(3):
                tape[d] += w * B[j, d]
                tape[3 + d] += w * scale[j, d]
    for d in range(6):
        tape[d] /= total
    kept = 0
    for m in range(n):
        j = found[m]
        if nx * N[j, 0] + ny * N[j, 1] + nz * N[j, 2] < 0.4:
            continue
        px, py, pz = P[j, 0] - x, P[j, 1] - y, P[j, 2] - z
        for d in range(3):
            uvq[kept, 5 + d] = min(max((C[j, d] - tape[d]) / tape[3 + d], -1.0), MOST)
        X = uvq[kept, 5:8]
        a = X[0] * ex + X[1] * ey + X[2] * ez
        o2 = X[0] ** 2 + X[1] ** 2 + X[2] ** 2 - a * a
        found[kept] = j
        uvq[kept, 0] = px * dx + py * dy + pz * dz
        uvq[kept, 1] = px * bx + py * by + pz * bz
        uvq[kept, 2] = min((a - purity * np.sqrt(max(o2, 0.0))) / size, 1.3)
        uvq[kept, 3] = W[j]
        uvq[kept, 4] = px * nx + py * ny + pz * nz
        kept += 1
    return kept


@njit(cache=True)
def _follow(
    path,
    count,
    sign,
    seed,
    toward,
    colour,
    purity,
    window,
    S,
    start,
    low,
    shape,
    cell,
    owner,
    heading,
    found,
    uvq,
    tried,
):  # pragma: no cover - compiled
    """Walks from path[count - 1] on; returns the new count and whether the loop closed."""
    N = S[1]
    values, bins, inner = tried
    x, y, z = path[count - 1, 0], path[count - 1, 1], path[count - 1, 2]
    dx, dy, dz = toward[0] * sign, toward[1] * sign, toward[2] * sign
    nx, ny, nz = N[seed, 0], N[seed, 1], N[seed, 2]
    good = count
    bare = 0.0
    dull = 0.0
    along_old = 0.0
    first = count
    while count < path.shape[0]:
        x, y, z = x + STEP_MM * dx, y + STEP_MM * dy, z + STEP_MM * dz
        n = _look(
            x, y, z, dx, dy, dz, nx, ny, nz, colour, purity, S, start, low, shape, cell, found, uvq
        )
        turn, shift = best_strip(n, uvq, values, bins, inner)
        core, stand = strip(n, uvq, np.cos(turn), np.sin(turn), shift, -0.9 * window, 1.1 * window)
        # At a crossing there is ink on both sides; in a gloss the ink is lighter than the tape
        # elsewhere, but still darker than the gloss beside it.
        gloss = stand > 0.45 and core - stand < -0.25
        inked = gloss or (core > 0.4 and (stand > 0.2 or dull < 14.0))
        if core > 0.4:
            # Ink of another pen is not this stroke's.
            mx = my = mz = total = 0.0
            for k in range(n):
                if -window < uvq[k, 0] < 1.2 * window and abs(uvq[k, 1] - shift) < 1.3:
                    mx += uvq[k, 3] * uvq[k, 5]
                    my += uvq[k, 3] * uvq[k, 6]
                    mz += uvq[k, 3] * uvq[k, 7]
                    total += uvq[k, 3]
            if total > 0.0:
                mx, my, mz = mx / total, my / total, mz / total
                size = np.sqrt(colour[0] ** 2 + colour[1] ** 2 + colour[2] ** 2)
                par = (mx * colour[0] + my * colour[1] + mz * colour[2]) / size
                perp = np.sqrt(max(mx * mx + my * my + mz * mz - par * par, 0.0))
                inked = inked and perp < 0.65 * par
                if inked and stand > 0.35:
                    colour[0] += 0.06 * (mx - colour[0])
                    colour[1] += 0.06 * (my - colour[1])
                    colour[2] += 0.06 * (mz - colour[2])
        if core > 0.4:
            dull = 0.0 if stand > 0.2 else dull + STEP_MM
        if inked:
            # Move sideways, down to the surface, and turn.
            bx, by, bz = ny * dz - nz * dy, nz * dx - nx * dz, nx * dy - ny * dx
            hx = hy = hz = height = total = 0.0
            for k in range(n):
                r2 = uvq[k, 0] ** 2 + (uvq[k, 1] - shift) ** 2
                w = uvq[k, 3] * np.exp(-r2 / 8.0)
                j = found[k]
                height += w * uvq[k, 4]
                hx += w * N[j, 0]
                hy += w * N[j, 1]
                hz += w * N[j, 2]
                total += w
            if total > 0.0:
                height /= total
                size = np.sqrt(hx * hx + hy * hy + hz * hz)
                x += 0.7 * shift * bx + height * nx
                y += 0.7 * shift * by + height * ny
                z += 0.7 * shift * bz + height * nz
                c, s = np.cos(0.6 * turn), np.sin(0.6 * turn)
                dx, dy, dz = c * dx + s * bx, c * dy + s * by, c * dz + s * bz
                if size > 0.0:
                    nx, ny, nz = hx / size, hy / size, hz / size
                dot = dx * nx + dy * ny + dz * nz
                dx, dy, dz = dx - dot * nx, dy - dot * ny, dz - dot * nz
                size = np.sqrt(dx * dx + dy * dy + dz * dz)
                dx, dy, dz = dx / size, dy / size, dz / size
        path[count, 0], path[count, 1], path[count, 2] = x, y, z
        count += 1
        if inked:
            good = count
            bare = 0.0
        else:
            bare += STEP_MM
            if bare > MISS_MM:
                return good, False
        # On a stroke that was followed before, going the same way?
        on = off = 0.0
        for k in range(n):
            if uvq[k, 0] ** 2 + (uvq[k, 1] - shift) ** 2 < 2.6:
                j = found[k]
                dot = heading[j, 0] * dx + heading[j, 1] * dy + heading[j, 2] * dz
                if owner[j] >= 0 and abs(dot) > 0.8:
                    on += 1.0
                else:
                    off += 1.0
        along_old = along_old + STEP_MM if on > off else 0.0
        if along_old > 6.0:
            return max(first, min(good, count - int(along_old / STEP_MM))), False
        # Back on its own beginning?
        for m in range(0, count - 14):
            qx, qy, qz = path[m, 0] - x, path[m, 1] - y, path[m, 2] - z
            if qx * qx + qy * qy + qz * qz < 2.9:
                k = m + 1
                tx, ty, tz = (
                    path[k, 0] - path[m, 0],
                    path[k, 1] - path[m, 1],
                    path[k, 2] - path[m, 2],
                )
                size = np.sqrt(tx * tx + ty * ty + tz * tz) + 1e-12
                dot = (tx * dx + ty * dy + tz * dz) / size
                if dot > 0.75:
                    if m <= 3:
                        # Drop what was walked twice.
                        while (
                            count > 3
                            and (
                                (path[count - 1, 0] - path[0, 0]) * toward[0] * sign
                                + (path[count - 1, 1] - path[0, 1]) * toward[1] * sign
                                + (path[count - 1, 2] - path[0, 2]) * toward[2] * sign
                            )
                            > -0.5 * STEP_MM
                        ):
                            count -= 1
                        return count, True
                    return count - 4, False
    return good, False


@njit(cache=True)
def _track_all(
    seeds, directions, colours, purity, window, P, N, C, B, scale, W, start, low, shape, cell, least
):  # pragma: no cover - compiled
    owner = np.full(P.shape[0], -1, dtype=np.int64)
    heading = np.zeros((P.shape[0], 3))
    found = np.empty(4096, dtype=np.int64)
    uvq = np.empty((4096, 8))
    tried = room(4096)
    path = np.empty((MOST_NODES, 3))
    out = np.empty((4 * MOST_NODES, 3))
    ends = np.empty(seeds.shape[0], dtype=np.int64)
    loops = np.zeros(seeds.shape[0], dtype=np.bool_)
    used = tracks = 0
    S = (P, N, C, B, scale, W)
    for k in range(seeds.shape[0]):
        i = seeds[k]
        if owner[i] >= 0:
            continue
        path[0] = P[i]
        ink = colours[k].copy()
        count, closed = _follow(
            path, 1, 1.0, i, directions[k], ink, purity, window, S, start, low, shape, cell,
            owner, heading, found, uvq, tried,
        )  # fmt: skip
        if not closed:
            for m in range(count // 2):
                for d in range(3):
                    path[m, d], path[count - 1 - m, d] = path[count - 1 - m, d], path[m, d]
            count, closed = _follow(
                path, count, -1.0, i, directions[k], ink, purity, window, S, start, low, shape,
                cell, owner, heading, found, uvq, tried,
            )  # fmt: skip
        if (count - 1) * STEP_MM < least:
            owner[i] = tracks if owner[i] < 0 else owner[i]
            continue
        if used + count > out.shape[0]:
            more = np.empty((2 * out.shape[0] + count, 3))
            more[:used] = out[:used]
            out = more
        for m in range(count):
            out[used + m] = path[m]
            a, b = max(m - 1, 0), min(m + 1, count - 1)
            tx, ty, tz = path[b, 0] - path[a, 0], path[b, 1] - path[a, 1], path[b, 2] - path[a, 2]
            size = np.sqrt(tx * tx + ty * ty + tz * tz) + 1e-12
            n = near(path[m, 0], path[m, 1], path[m, 2], BAND_MM, P, start, low, shape, cell, found)
            for q in range(n):
                j = found[q]
                if owner[j] < 0:
                    owner[j] = tracks
                    heading[j, 0], heading[j, 1], heading[j, 2] = tx / size, ty / size, tz / size
        used += count
        ends[tracks] = used
        loops[tracks] = closed
        tracks += 1
    return out[:used], ends[:tracks], loops[:tracks]


def follow_strokes(
    S: Samples,
    seen: Contrast,
    seeds: NDArray[np.int64],
    directions: NDArray[np.float64],
    colours: NDArray[np.float64],
    least_mm: float,
    noise: float,
) -> list[Track]:
    """Strokes at least `least_mm` long, followed from the seeds in the order given.

    seeds : (c,) indices of samples; directions (c, 3), colours (c, 3) as the filter found them
    noise : usual deviation of a sample's contrast per channel
    """
    g = S.grid
    # Colour off the stroke's own counts against a sample, unless noise alone makes it so.
    purity = 0.7 * max(0.0, 1.0 - noise / 0.12)
    # About five samples of the strip's core decide whether the stroke goes on.
    window = float(np.clip(1.1 * S.spacing**2 * (1.0 + 4.0 * noise), 2.2, 6.0))
    out, ends, loops = _track_all(
        np.ascontiguousarray(seeds, dtype=np.int64),
        np.ascontiguousarray(directions),
        np.ascontiguousarray(colours),
        purity,
        window,
        S.P,
        S.N,
        S.C,
        seen.B,
        seen.scale,
        S.W,
        g.start,
        g.low,
        g.shape,
        g.cell,
        least_mm,
    )
    begin = np.concatenate([[0], ends[:-1]]) if len(ends) else ends
    return [
        Track(points=out[a:b].copy(), closed=bool(c))
        for a, b, c in zip(begin, ends, loops, strict=True)
    ]
