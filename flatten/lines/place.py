"""Lays drawn lines on the cast: from file numbers to smooth rows of surface points."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.geometry.curves import arc_length, corners, resample, smooth, without_repeats
from flatten.geometry.surface_points import (
    FaceTree,
    Surface,
    face_tree,
    on_rim,
    positions,
)
from flatten.records.cast import Cast
from flatten.records.lines import Line

Array = NDArray[np.float64]
Ints = NDArray[np.int32]

# Points closer than this are one.
_SAME_MM = 0.05
# A line whose points lie this near each other was traced; its noise is smoothed away.
_TRACED_GAP_MM = 12.0
_TRACED_STEP_MM = 2.0
_SMOOTH_WAVE_MM = 12.0
_SMOOTH_WITHIN_MM = 0.6
_CORNER_REACH_MM = 7.0
_CORNER_DEG = 40.0
# A point this far outside the rim, seen along the surface, lies beyond the cast.
_BEYOND_MM = 0.3
# A point this much farther from the cast than the rest of its line hangs in the air.
_AIR_MM = 4.0
_HOPELESS_MM = 30.0
# A line that lies no farther beyond the rim than this was drawn along it.
_RIM_LINE_MM = 6.0
# A piece that the rim parts from a line ten times as long, and no longer than this, is a slip.
_SCRAP_MM = 12.0
# Moves smaller than this are not worth a note.
_TOLD_MM = 1.5


@dataclass(frozen=True, eq=False, kw_only=True)
class Stroke:
    """A piece of a line, as surface points to be joined.

    line : index of its line; face (c,), bary (c, 3); corner (c,) True where the line turns sharply
    exits : whether the line goes over the rim at its start, at its end
    """

    line: int
    face: Ints
    bary: Array
    corner: NDArray[np.bool_]
    closed: bool
    exits: tuple[bool, bool] = (False, False)


@dataclass(frozen=True, eq=False, kw_only=True)
class Ground:
    """The cast and the surface it was offset from, face by face the same, to lay lines on."""

    surface: Surface
    V0: Array
    tree: FaceTree

    def project(self, P: Array) -> tuple[Ints, Array, Array, NDArray[np.bool_]]:
        """Nearest face (k,), weights (k, 3), distance (k,), and True where P is over the rim."""
        face, bary, distance = self.tree.nearest(P)
        F = self.surface.F
        rim = on_rim(self.surface, face, bary) & (distance > _BEYOND_MM)
        beyond = np.zeros(len(P), dtype=bool)
        if rim.any():
            f = face[rim]
            a, b, c = self.V0[F[f, 0]], self.V0[F[f, 1]], self.V0[F[f, 2]]
            normal = np.cross(b - a, c - a)
            normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-300)
            off = P[rim] - positions(self.V0, F, f, bary[rim])
            height = np.abs(np.einsum("ij,ij->i", off, normal))
            along = np.sqrt(np.maximum(distance[rim] ** 2 - height**2, 0.0))
            beyond[rim] = (along > _BEYOND_MM) & (along > 0.5 * distance[rim])
        return face, bary, distance, beyond

    def along_rim(self, face: Ints, bary: Array) -> NDArray[np.bool_]:
        """(k,) True for surface points on a rim, or so near it that no line fits between."""
        F, V = self.surface.F, self.V0
        place = positions(V, F, face, bary)
        near = on_rim(self.surface, face, bary)
        for c in range(3):
            a, b = V[F[face, c]], V[F[face, (c + 1) % 3]]
            edge = np.linalg.norm(b - a, axis=1)
            height = np.linalg.norm(np.cross(b - a, place - a), axis=1) / np.maximum(edge, 1e-300)
            near |= (self.surface.twin[3 * face + c] < 0) & (height < _BEYOND_MM)
            at_vertex = np.linalg.norm(place - a, axis=1) < _BEYOND_MM
            near |= self.surface.on_border[F[face, c]] & at_vertex
        return near


def ground_of(cast: Cast, surface: Surface) -> Ground:
    """Undoes the cast's offset, so that lines drawn on the scan lie on it."""
    V0 = cast.V - cast.offset_mm * cast.N
    return Ground(surface=surface, V0=V0, tree=face_tree(V0, cast.F))


def in_cast(cast: Cast, points: Array) -> Array:
    """File numbers (k, 3) in the cast's frame, mm."""
    return points @ cast.to_cast[:3, :3].T + cast.to_cast[:3, 3]


def lay(ground: Ground, cast: Cast, index: int, line: Line) -> tuple[list[Stroke], list[str]]:
    """The strokes of one line, and what is to be said about it.

    Raises
    ------
    BadInput : too few points, no length, or far from the cast
    """
    where = f"line '{line.name}'"
    if not np.all(np.isfinite(line.points)):
        raise BadInput("a point is not a finite number", where, "correct its points")
    P = in_cast(cast, line.points)
    keep = without_repeats(P, line.closed, _SAME_MM)
    P = P[keep]
    least = 3 if line.closed else 2
    if len(P) < least:
        kind = "closed line" if line.closed else "line"
        raise BadInput(
            f"it has {len(P)} distinct point{'s' if len(P) != 1 else ''}",
            where,
            f"a {kind} needs at least {least}",
        )
    face, bary, distance, beyond = ground.project(P)
    notes: list[str] = []
    near = ~beyond
    typical = float(np.median(distance[near])) if near.any() else float(distance.min())
    if typical > _HOPELESS_MM:
        raise BadInput(
            f"it lies {typical:.0f} mm from the cast",
            where,
            "give its points in the scan file's own numbers",
        )
    air = near & (distance > typical + _AIR_MM)
    if np.median(np.linalg.norm(np.diff(P, axis=0), axis=1)) > _TRACED_GAP_MM:
        # Every picked point counts, a traced line can do without some.
        air[:] = False
    good = near & ~air
    if air.any():
        notes.append(
            f"{where} runs through air for {_extent(P, air, line.closed):.0f} mm, "
            f"{distance[air].max():.1f} mm from the cast: joined along the surface"
        )
    if distance[good].max(initial=0.0) > _TOLD_MM:
        notes.append(f"{where} projected onto the cast, {distance[good].max():.1f} mm at most")
    strokes = []
    # Where a line touches the rim it comes apart, and both pieces end there.
    off = beyond | ground.along_rim(face, bary)
    for points, closed, exits in _runs(ground, P[~air], off[~air], line.closed):
        stroke = _stroke(ground, index, points, closed, exits)
        if stroke is not None:
            strokes.append(stroke)
    strokes = _without_scraps(ground, strokes)
    if not strokes and off.all() and distance.max() < typical + _RIM_LINE_MM:
        trims = line.kind == "trim"
        why = "there is nothing to trim" if trims else "it is an edge already, the line is left out"
        notes.append(f"{where} lies on the rim: {why}")
        return [], notes
    if not strokes:
        raise BadInput("nothing of it lies on the cast", where, "draw it within the rims")
    if distance[beyond].max(initial=0.0) > _TOLD_MM:
        notes.append(f"{where} runs over the rim, {distance[beyond].max():.1f} mm at most: cut off")
    return strokes, notes


def _without_scraps(ground: Ground, strokes: list[Stroke]) -> list[Stroke]:
    """The strokes of a line without those that a ragged rim parted from a much longer one."""
    length = [
        float(arc_length(positions(ground.V0, ground.surface.F, s.face, s.bary))[-1])
        for s in strokes
    ]
    least = min(_SCRAP_MM, 0.1 * max(length, default=0.0))
    return [s for s, mm in zip(strokes, length, strict=True) if mm >= least]


def _extent(P: Array, some: NDArray[np.bool_], closed: bool) -> float:
    """Length of a polyline's segments that touch one of `some` points."""
    Q = np.vstack([P, P[:1]]) if closed else P
    flag = np.append(some, some[:1]) if closed else some
    return float(np.linalg.norm(np.diff(Q, axis=0), axis=1)[flag[1:] | flag[:-1]].sum())


# The points of a piece, whether it is closed, and which of its ends go over a rim.
_Run = tuple[Array, bool, tuple[bool, bool]]


def _runs(ground: Ground, P: Array, beyond: NDArray[np.bool_], closed: bool) -> list[_Run]:
    """Pieces of a line that lie on the cast: points, whether closed, which ends go over the rim."""
    if not beyond.any():
        return [(P, closed, (False, False))]
    if closed:
        # Begin over the rim, so that no piece straddles the start.
        P = np.roll(P, -int(np.argmax(beyond)), axis=0)
        P = np.vstack([P, P[:1]])
        beyond = np.roll(beyond, -int(np.argmax(beyond)))
        beyond = np.append(beyond, True)
    edges = np.flatnonzero(np.diff(np.concatenate([[True], beyond, [True]]).astype(int)))
    pieces: list[tuple[int, _Run]] = []
    for a, b in edges.reshape(-1, 2):
        points = [P[a:b]]
        if a > 0:
            points.insert(0, _exit(ground, P[a], P[a - 1]))
        if b < len(P):
            points.append(_exit(ground, P[b - 1], P[b]))
        pieces.append((int(a), (np.vstack(points), False, (a > 0, b < len(P)))))
    # Picked points on two rims, with the cast between them.
    far = np.linalg.norm(np.diff(P, axis=0), axis=1) > _TRACED_GAP_MM
    for i in np.flatnonzero(beyond[1:] & beyond[:-1] & far):
        face, bary, _, over = ground.project(0.5 * (P[i : i + 1] + P[i + 1 : i + 2]))
        if not over[0] and not ground.along_rim(face, bary)[0]:
            face, bary, _, _ = ground.project(P[i : i + 2])
            ends = positions(ground.V0, ground.surface.F, face, bary)
            pieces.append((int(i), (ends, False, (True, True))))
    return [piece for _, piece in sorted(pieces, key=lambda x: x[0])]


def _exit(ground: Ground, inside: Array, outside: Array) -> Array:
    """Where the segment from a point on the cast to one beyond it crosses the rim, (1, 3)."""
    low, high = 0.0, 1.0
    for _ in range(12):
        mid = 0.5 * (low + high)
        if ground.project((inside + mid * (outside - inside))[None])[3][0]:
            high = mid
        else:
            low = mid
    face, bary, _, _ = ground.project((inside + high * (outside - inside))[None])
    return positions(ground.V0, ground.surface.F, face, bary)


def _stroke(
    ground: Ground, index: int, P: Array, closed: bool, exits: tuple[bool, bool]
) -> Stroke | None:
    """Smooths and projects one piece; None where nothing is left of it."""
    keep = without_repeats(P, closed, _SAME_MM)
    P = P[keep]
    if len(P) < (3 if closed else 2):
        return None
    P, corner = _smoothed(P, closed)
    face, bary, _, _ = ground.project(P)
    rim = on_rim(ground.surface, face, bary)
    if not closed:
        rim[[0, -1]] = False
    face, bary, corner = face[~rim], bary[~rim], corner[~rim]
    if len(face) < (3 if closed else 2):
        return None
    return Stroke(line=index, face=face, bary=bary, corner=corner, closed=closed, exits=exits)


def _smoothed(P: Array, closed: bool) -> tuple[Array, NDArray[np.bool_]]:
    """A line's points with the tracing noise taken out, and which of them are corners."""
    Q = np.vstack([P, P[:1]]) if closed else P
    gap = np.linalg.norm(np.diff(Q, axis=0), axis=1)
    traced = gap <= _TRACED_GAP_MM
    breaks = np.zeros(len(Q), dtype=bool)
    breaks[:-1] |= ~traced
    breaks[1:] |= ~traced
    sharp = np.zeros(len(P), dtype=bool)
    sharp[corners(P, closed, _CORNER_REACH_MM, _CORNER_DEG)] = True
    breaks[: len(P)] |= sharp
    if closed:
        breaks[0] |= breaks[-1]
        if not breaks[:-1].any():
            step = max(_TRACED_STEP_MM, float(np.mean(gap)))
            ring = resample(Q, step)[:-1]
            return smooth(ring, _SMOOTH_WAVE_MM, _SMOOTH_WITHIN_MM, True), np.zeros(
                len(ring), dtype=bool
            )
        start = int(np.argmax(breaks[:-1]))
        Q = np.vstack([np.roll(P, -start, axis=0), P[start : start + 1]])
        gap = np.roll(gap, -start)
        breaks = np.append(np.roll(breaks[:-1], -start), True)
        sharp = np.append(np.roll(sharp, -start), sharp[start])
    breaks[[0, -1]] = True
    at = np.flatnonzero(breaks)
    points, flags = [Q[:1]], [sharp[:1]]
    for a, b in pairwise(at):
        run = Q[a : b + 1]
        if b - a > 1:
            step = max(_TRACED_STEP_MM, float(arc_length(run)[-1]) / (b - a))
            run = smooth(resample(run, step), _SMOOTH_WAVE_MM, _SMOOTH_WITHIN_MM)
        points.append(run[1:])
        flags.append(np.append(np.zeros(len(run) - 2, dtype=bool), sharp[b]))
    out, flag = np.vstack(points), np.concatenate(flags)
    return (out[:-1], flag[:-1]) if closed else (out, flag)
