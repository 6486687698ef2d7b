"""The strip that a stroke is followed with: how far its ink stands out, and where it does so most."""

import numpy as np
from numba import njit

TURN_DEG = 8.0
TURNS = 5  # steps of TURN_DEG to either side
SHIFT_MM = 0.4
SHIFTS = 4
CORE_MM = 2.2
FLANK_MM = (2.6, 4.6, 7.2)  # two bands on either side
BACK_MM, AHEAD_MM = -2.5, 6.5
BIN_MM = 0.2  # all of the above across the strip are whole numbers of bins
LEAST = -9.0  # a strip worth less is no reason to turn
NEVER = 9.0  # what an empty flank counts as: it never is the barer one
TIE = 1e-9  # far above what the order of adding up does to a value


@njit(cache=True, inline="always")
def _stands_out(core, l1, l1w, l2, l2w, r1, r1w, r2, r2w):  # pragma: no cover - compiled
    """How far the core stands out from its weaker flank, each flank by its barer band."""
    left = min(l1 / l1w if l1w > 0 else NEVER, l2 / l2w if l2w > 0 else NEVER)
    right = min(r1 / r1w if r1w > 0 else NEVER, r2 / r2w if r2w > 0 else NEVER)
    if left > 8.0 and right > 8.0:
        return 0.0
    if left > 8.0:
        left = right
    if right > 8.0:
        right = left
    return core - max(left, right)


@njit(cache=True)
def strip(n, uvq, c, s, shift, back, ahead):  # pragma: no cover - compiled
    """Mean ink of a strip, and how far it stands out from its weaker flank.

    uvq : (n, 4 or more) of every point u along, v across, q ink, w area; c, s : cosine and sine
    of the turn; shift : mm to the left; back, ahead : mm along
    """
    core = corew = 0.0
    l1 = l1w = r1 = r1w = l2 = l2w = r2 = r2w = 0.0
    for k in range(n):
        along = uvq[k, 0] * c + uvq[k, 1] * s
        if along < back or along > ahead:
            continue
        t = uvq[k, 1] * c - uvq[k, 0] * s - shift
        a = abs(t)
        w = uvq[k, 3]
        if a < CORE_MM:
            f = w * (1.0 - a / CORE_MM)
            core += f * uvq[k, 2]
            corew += f
        elif a < FLANK_MM[0] or a > FLANK_MM[2]:
            continue
        elif a < FLANK_MM[1]:
            if t > 0:
                l1 += w * uvq[k, 2]
                l1w += w
            else:
                r1 += w * uvq[k, 2]
                r1w += w
        elif t > 0:
            l2 += w * uvq[k, 2]
            l2w += w
        else:
            r2 += w * uvq[k, 2]
            r2w += w
    if corew <= 0.0:
        return 0.0, 0.0
    core /= corew
    return core, _stands_out(core, l1, l1w, l2, l2w, r1, r1w, r2, r2w)


@njit(cache=True, inline="always")
def _worth(core, stand, i, k):  # pragma: no cover - compiled
    """Straight on and in the middle is preferred."""
    return stand + 0.4 * core - 0.22 * (i / TURNS) ** 2 - 0.06 * (k / SHIFTS) ** 2


@njit(cache=True)
def best_strip(n, uvq, values, bins, inner):  # pragma: no cover - compiled
    """(turn, shift) of the strip ahead that is worth most, as if `strip` were tried at all of them.

    values, bins, inner : room for work, as `room` makes it. The flanks are added up in bins first,
    which the strips of one turn share; only the strips that come out best are looked at exactly.
    """
    half = bins.shape[0] // 2
    per_shift = round(SHIFT_MM / BIN_MM)
    edge = np.array([round(b / BIN_MM) for b in FLANK_MM])
    most = -np.inf
    for i in range(-TURNS, TURNS + 1):
        angle = np.pi / 180.0 * TURN_DEG * i
        c, s = np.cos(angle), np.sin(angle)
        bins[:] = 0.0
        kept = 0
        for m in range(n):
            along = uvq[m, 0] * c + uvq[m, 1] * s
            if along < BACK_MM or along > AHEAD_MM:
                continue
            t = uvq[m, 1] * c - uvq[m, 0] * s
            b = int(np.floor(t / BIN_MM)) + half
            if b < 0 or b >= 2 * half:
                continue
            w = uvq[m, 3]
            bins[b, 0] += w * uvq[m, 2]
            bins[b, 1] += w
            if abs(t) < CORE_MM + SHIFTS * SHIFT_MM:
                inner[kept, 0], inner[kept, 1], inner[kept, 2] = t, w, uvq[m, 2]
                kept += 1
        for k in range(-SHIFTS, SHIFTS + 1):
            core = corew = 0.0
            for m in range(kept):
                f = inner[m, 1] * max(1.0 - abs(inner[m, 0] - SHIFT_MM * k) / CORE_MM, 0.0)
                core += f * inner[m, 2]
                corew += f
            stand = 0.0
            if corew > 0.0:
                core /= corew
                at = half + per_shift * k
                l1 = l1w = r1 = r1w = l2 = l2w = r2 = r2w = 0.0
                for b in range(edge[0], edge[1]):
                    l1 += bins[at + b, 0]
                    l1w += bins[at + b, 1]
                    r1 += bins[at - 1 - b, 0]
                    r1w += bins[at - 1 - b, 1]
                for b in range(edge[1], edge[2]):
                    l2 += bins[at + b, 0]
                    l2w += bins[at + b, 1]
                    r2 += bins[at - 1 - b, 0]
                    r2w += bins[at - 1 - b, 1]
                stand = _stands_out(core, l1, l1w, l2, l2w, r1, r1w, r2, r2w)
            value = _worth(core, stand, i, k)
            values[i + TURNS, k + SHIFTS] = value
            most = max(most, value)
    best, turn, shift = LEAST, 0.0, 0.0
    for i in range(-TURNS, TURNS + 1):
        angle = np.pi / 180.0 * TURN_DEG * i
        for k in range(-SHIFTS, SHIFTS + 1):
            if values[i + TURNS, k + SHIFTS] < most - TIE:
                continue
            core, stand = strip(
                n, uvq, np.cos(angle), np.sin(angle), SHIFT_MM * k, BACK_MM, AHEAD_MM
            )
            value = _worth(core, stand, i, k)
            if value > best:
                best, turn, shift = value, angle, SHIFT_MM * k
    return turn, shift


@njit(cache=True)
def room(points):  # pragma: no cover - compiled
    """Arrays that `best_strip` works in, for up to so many points."""
    half = round((FLANK_MM[2] + SHIFTS * SHIFT_MM) / BIN_MM)
    return (
        np.empty((2 * TURNS + 1, 2 * SHIFTS + 1)),
        np.empty((2 * half, 2)),
        np.empty((points, 3)),
    )
