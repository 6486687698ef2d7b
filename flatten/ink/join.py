"""Puts strokes together: gaps bridged along the line, corners made sharp."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.ink.ends import (
    AIM_DEG,
    STRAIGHT_DEG,
    Ends,
    Pair,
    is_one,
    meeting,
    open_ends,
    pairs_of,
    runs_on,
    slack,
)
from flatten.ink.kinks import Kink
from flatten.ink.paths import Path, Points, outward

GAP_MM = 16.0  # bridged along the line; a little over 15, as ends are soft by a pen's width
STRAIGHT_GAP_MM = 22.0  # between strokes in line
LONG_GAP_MM = 30.0  # between long ones, closely in line
LOOP_MM = 60.0
LOOP_SHARE = 0.15  # of its length that a line coming back to its beginning may lack
CORNER_MM = 12.0
BARB_MM = 25.0
BACK = 0.42  # cosine of the sharpest corner that a short arm makes with a line it belongs to
SHORT_MM = 45.0  # shorter strokes are joined over less than their own length
BRIDGE_STEP_MM = 2.0
CURL = 3  # points at an end that may already lead round a corner

# How much ink of a contrast (3,) there is at points (k, 3), 1 for all of it.
InkAt = Callable[[Points, Points], NDArray[np.float64]]


@dataclass(frozen=True, eq=False, kw_only=True)
class Gap:
    """Two ends that face each other, too far apart to be joined."""

    a: Points
    b: Points
    length: float


def join_paths(paths: list[Path], kinks: list[Kink], ink_at: InkAt) -> tuple[list[Path], list[Gap]]:
    """Lines from strokes, and the gaps that were too wide.

    Ends are paired in this order: ends that go straight on into each other; the two sides of a
    corner that was cut open; ends that face each other roughly; arms whose continuations meet at a
    corner.
    """
    ends = open_ends(paths)
    pairs = pairs_of(paths, ends)
    used: dict[int, int] = {}

    def link(some: list[Pair]) -> None:
        for p in sorted(some, key=lambda p: (p.cost, p.a, p.b)):
            if p.a not in used and p.b not in used:
                used[p.a], used[p.b] = p.b, p.a

    # One stroke in two lights may seem to be two pens': what runs on as if it were one is one.
    link([p for p in pairs if not p.same and is_one(p)])
    pairs = [p for p in pairs if p.same]
    near = [p for p in pairs if p.gap <= _most_gap(p, ends)]
    fair = [
        p
        for p in near
        if p.shorter > SHORT_MM or p.gap < max(6.0, 0.9 * p.shorter) or runs_on(p, ends)
    ]
    link([p for p in fair if p.turn < STRAIGHT_DEG + slack(p.gap) and p.bend < 40.0])
    _close_kinks(ends, paths, used)
    link([p for p in fair if p.turn < 1.4 * (AIM_DEG + slack(p.gap)) and p.bend < 55.0])
    link([p for p in near if _is_corner(p, ends, paths)])
    gaps = [
        Gap(a=ends.at[p.a], b=ends.at[p.b], length=p.gap)
        for p in sorted(pairs, key=lambda p: p.gap)
        if p.gap > GAP_MM and p.turn < 25.0 and p.shorter > SHORT_MM
        if p.a not in used and p.b not in used
    ]
    made = _chains(paths, kinks, ends, used, ink_at)
    for p in made:
        _close_loop(p)
    return made, gaps


def _most_gap(p: Pair, ends: Ends) -> float:
    if not runs_on(p, ends):
        return GAP_MM
    closely = p.turn < 18.0 and p.shorter > 1.6 * p.gap
    return LONG_GAP_MM if closely else STRAIGHT_GAP_MM


def _close_loop(p: Path) -> None:
    """Closes a line that has come back to where it began and faces itself. Changes the path."""
    if p.closed or p.length < LOOP_MM:
        return
    gap = float(np.linalg.norm(p.points[-1] - p.points[0]))
    if gap > min(LONG_GAP_MM, LOOP_SHARE * p.length):
        return
    ends = open_ends([p])
    facing = pairs_of([p], ends)
    if facing and facing[0].turn < 1.4 * (AIM_DEG + slack(gap)) and facing[0].bend < 75.0:
        q, n = _curve(ends, 1, 0, p.normals[-1])
        p.points, p.normals = np.vstack([p.points, q]), np.vstack([p.normals, n])
        p.closed = True


def _is_corner(p: Pair, ends: Ends, paths: list[Path]) -> bool:
    longer = max(paths[ends.rows[k][0]].length for k in (p.a, p.b))
    if p.gap > CORNER_MM or longer < 15.0:
        return False
    if _is_barb(p.a, p.b, ends, paths):
        return False
    ahead = meeting(ends.at[p.a], ends.way[p.a], ends.at[p.b], ends.way[p.b])
    return ahead is not None and min(ahead) > -3.0 and max(ahead) < CORNER_MM


def _is_barb(a: int, b: int, ends: Ends, paths: list[Path]) -> bool:
    """Whether one arm lies back along the other and is short, as in the head of an arrow."""
    shorter = min(paths[ends.rows[k][0]].length for k in (a, b))
    return shorter < BARB_MM and float(ends.way[a] @ ends.way[b]) > BACK


def _close_kinks(ends: Ends, paths: list[Path], used: dict[int, int]) -> None:
    """Joins the two sides of each corner again where neither has gone on elsewhere."""
    sides: dict[int, list[int]] = {}
    for k, (i, e) in enumerate(ends.rows):
        if paths[i].kinks[e] >= 0 and k not in used:
            sides.setdefault(paths[i].kinks[e], []).append(k)
    for pair in sides.values():
        if len(pair) == 2 and not _is_barb(pair[0], pair[1], ends, paths):
            used[pair[0]], used[pair[1]] = pair[1], pair[0]


def _chains(
    paths: list[Path], kinks: list[Kink], ends: Ends, used: dict[int, int], ink_at: InkAt
) -> list[Path]:
    """Follows the joins from path to path."""
    index = {row: k for k, row in enumerate(ends.rows)}
    done: set[int] = set()
    out = [p for p in paths if p.closed]
    starts = [row for row in ends.rows if index[row] not in used] + list(ends.rows)
    for i, enter in starts:
        if i in done:
            continue
        order, loop = [(i, enter)], False
        while True:
            i, enter = order[-1]
            done.add(i)
            leave = index[(i, 1 - enter)]
            if leave not in used:
                break
            after = ends.rows[used[leave]]
            if after == order[0] or after[0] in done:
                loop = after == order[0]
                break
            order.append(after)
        out.append(_merged(paths, order, loop, index, ends, kinks, ink_at))
    return out


def _merged(paths, order, loop, index, ends: Ends, kinks, ink_at: InkAt) -> Path:
    runs, norms, links, pieces = [], [], [], []
    for m, (i, enter) in enumerate(order):
        p = paths[i]
        back = enter == 1
        runs.append(p.points[::-1] if back else p.points)
        norms.append(p.normals[::-1] if back else p.normals)
        pieces += p.pieces[::-1] if back else p.pieces
        last = m == len(order) - 1
        if last and not loop:
            continue
        after = order[0] if last else order[m + 1]
        links.append((index[(i, 1 - enter)], index[after], (m + 1) % len(order)))
        if not last:
            a, b, _ = links[-1]
            apart = float(np.linalg.norm(ends.at[b] - ends.at[a]))
            inked = _same_kink(paths, ends, a, b) >= 0
            if inked:
                pieces[-1] += apart
            pieces.append(0.0 if inked else apart)
    between = []
    for m, (a, b, n) in enumerate(links):
        joint = _between(paths, ends, a, b, kinks, ink_at, norms[m][-1])
        apex = _apex(runs[m], runs[n]) if joint is None else None
        if joint is None and apex is not None:
            # An end that was followed a little way round the corner is taken back.
            runs[m], norms[m] = runs[m][:-CURL], norms[m][:-CURL]
            runs[n], norms[n] = runs[n][CURL:], norms[n][CURL:]
            joint = apex, norms[m][-1:]
        between.append(joint or _curve(ends, a, b, norms[m][-1]))
    points, normals = [], []
    for m in range(len(runs)):
        points.append(runs[m])
        normals.append(norms[m])
        if m < len(between):
            points.append(between[m][0])
            normals.append(between[m][1])
    members = [paths[i] for i, _ in order]
    weight = np.array([p.length for p in members])
    longest = members[int(weight.argmax())]
    faint_mm = sum(p.length for p in members if p.faint)
    return Path(
        points=np.concatenate(points),
        normals=np.concatenate(normals),
        closed=loop,
        ink=longest.ink,
        width=longest.width,
        contrast=(weight[:, None] * [p.contrast for p in members]).sum(axis=0) / weight.sum(),
        colour=longest.colour,
        pieces=_compact(pieces),
        faint=faint_mm > 0.5 * weight.sum(),
    )


def _compact(pieces: list[float]) -> list[float]:
    """Ink and gaps in turn again, without gaps of no length."""
    out = pieces[:1]
    for gap, ink in zip(pieces[1::2], pieces[2::2], strict=True):
        if gap > 0.0:
            out += [gap, ink]
        else:
            out[-1] += ink
    return out


def _same_kink(paths, ends: Ends, a: int, b: int) -> int:
    """The corner that two ends were cut off at, -1 where they were not."""
    (i, ei), (j, ej) = ends.rows[a], ends.rows[b]
    kink = paths[i].kinks[ei]
    return kink if kink == paths[j].kinks[ej] else -1


def _apex(before: Points, after: Points) -> Points | None:
    """Where two runs of points meet if each goes straight on from a little before its end."""
    if min(len(before), len(after)) < CURL + 6:
        return None
    p, q = before[:-CURL], after[CURL:]
    d, e = outward(p, 1), outward(q, 0)
    ahead = meeting(p[-1], d, q[0], e)
    if ahead is None or min(ahead) < 0.0 or max(ahead) > 1.5 * CORNER_MM or d @ e < -0.87:
        return None
    return 0.5 * (p[-1] + ahead[0] * d + q[0] + ahead[1] * e)[None]


def _between(
    paths, ends: Ends, a: int, b: int, kinks, ink_at: InkAt, normal: Points
) -> tuple[Points, Points] | None:
    """Points from end a to end b and their normals; None for ends that only happen to meet.

    Where the continuations of a cut corner meet just ahead, and there is ink at that place, it is
    a corner again; else it gets its own points back. Ends that face each other get a curve.
    """
    pa, wa, pb, wb = ends.at[a], ends.way[a], ends.at[b], ends.way[b]
    kink = _same_kink(paths, ends, a, b)
    i, ei = ends.rows[a]
    if kink >= 0:
        ahead = meeting(pa, wa, pb, wb)
        if ahead is not None and min(ahead) > -2.0 and max(ahead) < CORNER_MM:
            apex = 0.5 * (pa + ahead[0] * wa + pb + ahead[1] * wb)
            own = kinks[kink].points
            middle = own[len(own) // 2] if len(own) else 0.5 * (pa + pb)
            # As far out towards where the arms meet as there is ink.
            out = middle + np.array([[1.0], [0.85], [0.7], [0.5]]) * (apex - middle)
            inked = np.flatnonzero(ink_at(out, paths[i].contrast) > 0.55)
            if len(inked):
                return out[inked[:1]], normal[None]
        q, n = kinks[kink].points, kinks[kink].normals
        return (q, n) if ei == 1 else (q[::-1], n[::-1])
    if float(wa @ wb) < -0.87:
        return _curve(ends, a, b, normal)
    return None


def _curve(ends: Ends, a: int, b: int, normal: Points) -> tuple[Points, Points]:
    """A smooth curve over the gap from end a to end b."""
    pa, wa, pb, wb = ends.at[a], ends.way[a], ends.at[b], ends.way[b]
    gap = float(np.linalg.norm(pb - pa))
    count = int(gap / BRIDGE_STEP_MM)
    t = (np.arange(1, count + 1) / (count + 1))[:, None]
    q = (2 * t**3 - 3 * t**2 + 1) * pa + (t**3 - 2 * t**2 + t) * gap * wa
    q = q + (3 * t**2 - 2 * t**3) * pb - (t**3 - t**2) * gap * wb
    return q, np.repeat(normal[None], len(q), axis=0)
