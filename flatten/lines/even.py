"""Makes lines that mirror each other across an exactly mirrored cast exact mirror images."""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.geometry.curves import arc_length, at_lengths, resample
from flatten.lines.place import in_cast
from flatten.records.cast import Cast
from flatten.records.lines import Line

Array = NDArray[np.float64]

FLIP = np.array([-1.0, 1.0, 1.0])
# Two drawings of one curve by hand: no point of either is farther off than this, or than this
# share of their length.
APART_MM = 15.0
APART_SHARE = 0.1
STEP_MM = 1.0
# Places along two lines that are nearer to each other than this are averaged once.
_SAME_MM = 0.5
# What is as near as this to its mirror image stays as it is, so that a written job runs the same.
_EXACT_MM = 1e-6
# A drawing across the middle is no pair and parts no panels: it may be lopsided on purpose.
_OF_ITSELF = ("seam", "dart", "trim")


@dataclass(frozen=True, eq=False, kw_only=True)
class _Match:
    """Lines i and j (the same for a line across the plane or along it) and how far apart the
    mirror image of j lies from i, mm."""

    apart: float
    i: int
    j: int


def even_lines(cast: Cast, lines: tuple[Line, ...]) -> tuple[tuple[Line, ...], tuple[str, ...]]:
    """The lines of a cast that is its own mirror image in x = 0, averaged to mirror images.

    A line whose mirror image lies within 15 mm of another of its kind, or within a tenth of its
    length, is averaged with that, and both become exact mirrors; so does one across the plane with
    itself, and one along the plane is put on it. A line with `mirror` set is left to its exact
    twin, a lone one is kept as drawn.

    Returns
    -------
    lines : in the same order and direction, in the scan file's own numbers; notes
    """
    P = [_ring(in_cast(cast, line.points), line.closed) for line in lines]
    new: dict[int, Array] = {}
    moved: list[str] = []
    done: set[int] = set()
    for match in sorted(_matches(lines, P), key=lambda m: (m.apart, m.i, m.j)):
        i, j = match.i, match.j
        if i in done or j in done:
            continue
        done |= {i, j}
        if match.apart < _EXACT_MM:
            continue
        mean, back = _mean(P[i], P[j] * FLIP, lines[i].closed, alone=i == j)
        new[i] = mean
        if i != j:
            new[j] = mean[::-1] * FLIP if back else mean * FLIP
        names = f"'{lines[i].name}'" if i == j else f"'{lines[i].name}' and '{lines[j].name}'"
        moved.append(f"{names} by {max(_strays(new[k], P[k]) for k in (i, j)):.1f} mm at most")
    notes: list[str] = []
    if moved:
        notes.append("lines averaged to mirror images, moved: " + "; ".join(moved))
    lone = [x for k, x in enumerate(lines) if k not in done and not x.mirror]
    if lone:
        names = ", ".join(f"'{x.name}'" for x in lone)
        notes.append(f"lines without a mirrored partner, kept as drawn: {names}")
    return tuple(_with(cast, x, new.get(k)) for k, x in enumerate(lines)), tuple(notes)


def _matches(lines: tuple[Line, ...], P: list[Array]) -> list[_Match]:
    """Every two lines that may be each other's mirror image."""
    usable = [k for k, x in enumerate(lines) if not x.mirror and len(x.points) > 1]
    fine = {k: resample(P[k], STEP_MM) for k in usable if np.isfinite(P[k]).all()}
    matches = []
    for i, one in fine.items():
        near = max(APART_MM, APART_SHARE * float(arc_length(P[i])[-1]))
        for j, other in fine.items():
            a, b = lines[i], lines[j]
            if j < i or a.kind != b.kind or a.closed != b.closed:
                continue
            if i == j and a.kind not in _OF_ITSELF:
                continue
            apart = max(_farthest(one, other * FLIP), _farthest(other * FLIP, one))
            if apart < near:
                matches.append(_Match(apart=apart, i=i, j=j))
    return matches


def _mean(A: Array, B: Array, closed: bool, *, alone: bool) -> tuple[Array, bool]:
    """The line half way between A and B, and whether B runs the other way.

    alone : B is A's own mirror image, and the mean is to be its own as well
    """
    if closed:
        if alone:
            A = _from_plane(A)
            B = A * FLIP
        ways = [_begun_near(B, A[0]), _begun_near(B[::-1], A[0])]
    else:
        ways = [B, B[::-1]]
    share = np.linspace(0.0, 1.0, 101)
    gaps = [float(np.linalg.norm(_at(A, share) - _at(way, share), axis=1).mean()) for way in ways]
    back = gaps[1] < gaps[0]
    other = ways[int(back)]
    length = float(arc_length(A)[-1])
    u = _distinct(np.concatenate([_shares(A), _shares(other)]), _SAME_MM / length)
    if alone and back:
        half = u[u < 0.5 - 0.5 * _SAME_MM / length]
        u = np.concatenate([half, [0.5], 1.0 - half[::-1]])
    mean = 0.5 * (_at(A, u) + _at(other, u))
    if alone and not back:
        mean[:, 0] = 0.0
    return mean, back


def _shares(P: Array) -> Array:
    s = arc_length(P)
    return s / s[-1]


def _at(P: Array, share: Array) -> Array:
    return at_lengths(P, share * arc_length(P)[-1])


def _distinct(u: Array, gap: float) -> Array:
    """Sorted, neighbours at least `gap` apart, from 0 to 1."""
    kept = [0.0]
    for x in np.sort(u):
        if x - kept[-1] > gap and 1.0 - x > gap:
            kept.append(float(x))
    return np.array([*kept, 1.0])


def _from_plane(ring: Array) -> Array:
    """A closed line (its first point repeated at the end) begun where it crosses the plane."""
    x = ring[:, 0]
    crossing = np.flatnonzero((x[:-1] < 0) != (x[1:] < 0))
    if not len(crossing):
        return ring
    k = int(crossing[0])
    start = ring[k] + x[k] / (x[k] - x[k + 1]) * (ring[k + 1] - ring[k])
    start[0] = 0.0
    return np.vstack([start, ring[k + 1 : -1], ring[: k + 1], start])


def _begun_near(ring: Array, place: Array) -> Array:
    """A closed line begun at its point nearest to a place."""
    d = ring[1:] - ring[:-1]
    t = np.einsum("ij,ij->i", place - ring[:-1], d) / np.maximum((d**2).sum(axis=1), 1e-300)
    foot = ring[:-1] + np.clip(t, 0.0, 1.0)[:, None] * d
    k = int(np.argmin(np.linalg.norm(foot - place, axis=1)))
    return np.vstack([foot[k], ring[k + 1 : -1], ring[: k + 1], foot[k]])


def _farthest(one: Array, other: Array) -> float:
    """The farthest that a point of one row lies from the points of the other, mm."""
    return float(KDTree(other).query(one)[0].max())


def _strays(one: Array, other: Array) -> float:
    """The farthest that a point of one lies from the polyline through the other, mm."""
    least = np.full(len(one), np.inf)
    for a, b in pairwise(other):
        d = b - a
        t = np.clip((one - a) @ d / max(float(d @ d), 1e-300), 0.0, 1.0)
        least = np.minimum(least, np.linalg.norm(one - a - t[:, None] * d, axis=1))
    return float(least.max())


def _ring(P: Array, closed: bool) -> Array:
    return np.vstack([P, P[:1]]) if closed and len(P) else P


def _with(cast: Cast, line: Line, P: Array | None) -> Line:
    """The line with points P in the cast's frame, or as it is."""
    if P is None:
        return line
    P = P[:-1] if line.closed else P
    M = cast.to_cast
    return replace(line, points=np.linalg.solve(M[:3, :3], (P - M[:3, 3]).T).T)
