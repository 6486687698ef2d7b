"""Leads the loose ends of lines to what they were drawn to: a rim, another line, another end."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.geometry.curves import at_lengths
from flatten.geometry.geodesics import trace, walk
from flatten.geometry.surface_points import Surface, canonical
from flatten.lines.contacts import contacts
from flatten.lines.lead import between, closed_up, cut_back, end_place, led
from flatten.lines.nodes import Meeting, Passage
from flatten.lines.rims import Rims
from flatten.lines.track import (
    Place,
    Track,
    inner_place,
    nearest_on,
    place_at,
    place_of,
    track_of,
)

Array = NDArray[np.float64]

_SAMPLE_MM = 1.0
# The direction of an end is that of its last stretch of this length.
_HEADING_MM = 6.0
# A rim may have been trimmed since the line was drawn to it.
_RIM_REACH = 2.5
# A gap counts only where the way over the surface is about as short as the way through space.
_DETOUR = 1.3
_PASSES = 3
_SAME_MM = 0.1
# Ends of seams that found nothing are led straight on, or cut back to a crossing, so much farther:
# a seam that ends in the open opens nothing.
_FARTHER = 2.7


@dataclass(frozen=True, eq=False, kw_only=True)
class Option:
    """What an end could be led to, and how far off that is.

    track, end : the loose end (-1 start, 1 end); cost : mm, the smaller the better; gap : mm
    cut : length along the track to cut back to, None where the end is led on to `place`
    other : (track, end) where the goal is another loose end; on : the track it lies on, -1 a rim
    """

    track: int
    end: int
    cost: float
    gap: float
    place: Place
    cut: float | None = None
    other: tuple[int, int] | None = None
    on: int = -1


@dataclass(frozen=True, eq=False, kw_only=True)
class Joined:
    """Tracks with their ends led where they belong.

    meetings : where an end lies on another track, or on another end
    gaps : (line, mm moved) of ends led on or cut back; loose : (track, end, mm to the nearest)
    """

    tracks: list[Track]
    meetings: list[Meeting]
    gaps: list[tuple[int, float]]
    loose: list[tuple[int, int, float]]


def join_ends(
    surface: Surface, rims: Rims, tracks: list[Track], tips: list[bool], snap_mm: float
) -> Joined:
    """Leads every loose end to the nearest thing it can have been drawn to.

    Ends that overshoot another line are cut back to it, ends that stop short are led on in their
    own direction, else the shortest way; the line's own other end closes a ring.

    tips : True for tracks whose line may end in the open (darts): they are not led far
    """
    tracks = list(tracks)
    fixed: dict[tuple[int, int], Place] = {}
    goals: dict[tuple[int, int], tuple[int, Place]] = {}
    gaps: list[tuple[int, float]] = []
    for t, track in enumerate(tracks):
        for end in (-1, 1):
            if track.closed or rims.on(end_place(track, end)):
                fixed[t, end] = end_place(track, end)
    far = False
    for _ in range(2 * _PASSES):
        if far:
            options = _far_options(surface, rims, tracks, fixed, tips, snap_mm)
        else:
            options = _options(surface, rims, tracks, fixed, tips, snap_mm)
        if not options:
            if far:
                break
            far = True
            continue
        moved: set[int] = set()
        for option in sorted(options, key=lambda o: (o.cost, o.track, o.end)):
            key = (option.track, option.end)
            if key in fixed or option.track in moved or not _still_there(option, tracks, moved):
                continue
            if option.other == (option.track, -option.end):
                tracks[option.track] = closed_up(surface, tracks[option.track])
                fixed[key] = fixed[option.track, -option.end] = option.place
                moved.add(option.track)
                gaps.append((tracks[option.track].line, option.gap))
                continue
            place = option.place
            if option.other is not None:
                if option.other in fixed:
                    place = fixed[option.other]
                elif option.other[0] in moved:
                    continue
                else:
                    t, end = option.other
                    tracks[t] = led(surface, tracks[t], end, place)
                    fixed[option.other] = place
                    moved.add(t)
            if option.cut is None:
                tracks[option.track] = led(surface, tracks[option.track], option.end, place)
            else:
                tracks[option.track] = cut_back(
                    surface, tracks[option.track], option.end, option.cut, place
                )
            fixed[key] = place
            moved.add(option.track)
            if option.on >= 0:
                goals[key] = (option.on, place)
            gaps.append((tracks[option.track].line, option.gap))
        if not moved:
            if far:
                break
            far = True
    meetings = _meetings(tracks, fixed, goals)
    loose = []
    for t, track in enumerate(tracks):
        for end in (-1, 1):
            if (t, end) not in fixed:
                gap = _nearest_gap(rims, tracks, t, end_place(track, end).point)
                loose.append((t, end, gap))
    return Joined(tracks=tracks, meetings=meetings, gaps=gaps, loose=loose)


def _still_there(option: Option, tracks: list[Track], moved: set[int]) -> bool:
    """Whether the goal still lies on its track, should that have been cut back meanwhile."""
    if option.on < 0 or option.on not in moved or option.other is not None:
        return True
    _, gap = nearest_on(tracks[option.on], option.place.point)
    return gap < 1e-3


def _nearest_gap(rims: Rims, tracks: list[Track], own: int, point: Array) -> float:
    """Distance from a loose end to the nearest rim or other track."""
    best = np.inf
    for t, track in enumerate(tracks):
        if t != own:
            best = min(best, nearest_on(track, point)[1])
    hit = rims.nearest(point, best if np.isfinite(best) else 1e6)
    return min(best, hit[1]) if hit else best


def _options(surface, rims, tracks, fixed, tips, snap_mm) -> list[Option]:
    """Everything that the loose ends could be led to."""
    ends = [(t, end) for t in range(len(tracks)) for end in (-1, 1) if (t, end) not in fixed]
    if not ends:
        return []
    options = _overshoots(surface, tracks, ends, snap_mm)
    options += _ahead(surface, rims, tracks, ends, snap_mm)
    options += _near(surface, rims, tracks, ends, fixed, snap_mm)
    return _sensible(options, fixed, tips, snap_mm)


def _far_options(surface, rims, tracks, fixed, tips, snap_mm) -> list[Option]:
    """What loose ends of seams meet straight ahead or shortly behind them, farther off."""
    ends = [
        (t, end)
        for t in range(len(tracks))
        for end in (-1, 1)
        if (t, end) not in fixed and not tips[t]
    ]
    if not ends:
        return []
    reach = _FARTHER * snap_mm
    options = _overshoots(surface, tracks, ends, reach)
    options += _ahead(surface, rims, tracks, ends, reach, rim_reach=1.0)
    return _sensible(options, fixed, tips, snap_mm)


def _sensible(options, fixed, tips, snap_mm) -> list[Option]:
    """Without what leads a dart's point far, or both ends of a short line to one place."""
    out = []
    for o in options:
        if tips[o.track] and o.cost > 0.5 * snap_mm and (o.track, -o.end) in fixed:
            continue
        far = fixed.get((o.track, -o.end))
        if far is not None and np.linalg.norm(far.point - o.place.point) < 0.5 * snap_mm:
            continue
        out.append(o)
    return out


def _overshoots(surface, tracks, ends, snap_mm) -> list[Option]:
    """Crossings shortly before a loose end."""
    got = contacts(surface, tracks)
    loose = set(ends)
    out = []
    for k in range(len(got.a)):
        a, b = int(got.a[k]), int(got.b[k])
        for t, s, on in ((a, float(got.s_a[k]), b), (b, float(got.s_b[k]), a)):
            track = tracks[t]
            for end, tail in ((-1, s), (1, track.length - s)):
                if t == on or (t, end) not in loose or tail > min(snap_mm, 0.4 * track.length):
                    continue
                place = place_of(surface, int(got.face[k]), got.bary[k])
                out.append(Option(track=t, end=end, cost=tail, gap=tail, place=place, cut=s, on=on))
    return out


def _ahead(surface, rims, tracks, ends, snap_mm, rim_reach=_RIM_REACH) -> list[Option]:
    """What loose ends meet when they are led straight on."""
    rays, owners, lefts = [], [], []
    for t, end in ends:
        track = tracks[t]
        back = min(_HEADING_MM, 0.5 * track.length)
        lead = min(0.2, 0.1 * track.length)
        tip = track.points[0] if end < 0 else track.points[-1]
        face, bary = inner_place(surface, track, lead if end < 0 else track.length - lead)
        tail = place_at(surface, track, back if end < 0 else track.length - back).point
        heading = tip - tail
        if not heading.any():
            continue
        reach = rim_reach * snap_mm + lead
        f, w, left = walk(surface, face, bary, heading, reach)
        if len(f) < 2:
            continue
        cf, cw = canonical(surface, f, w)
        rays.append(
            track_of(surface, track.line, cf, cw, f[1:].copy(), np.ones(len(f), dtype=bool))
        )
        owners.append((t, end, lead))
        lefts.append(left)
    out = []
    got = contacts(surface, [*tracks, *rays])
    n = len(tracks)
    for k in range(len(got.a)):
        pair = (
            (int(got.a[k]), got.s_a[k], int(got.b[k])),
            (int(got.b[k]), got.s_b[k], int(got.a[k])),
        )
        for ray, s, on in pair:
            if ray < n:
                continue
            t, end, lead = owners[ray - n]
            gap = max(float(s) - lead, 0.0)
            if on == t or gap > snap_mm:
                continue
            place = place_of(surface, int(got.face[k]), got.bary[k])
            if nearest_on(rays[ray - n], place.point)[1] > _SAME_MM:
                # Grazing a vertex, a contact may be told at the wrong end of an edge.
                continue
            if on < n:
                out.append(Option(track=t, end=end, cost=0.8 * gap, gap=gap, place=place, on=on))
            elif owners[on - n][0] != t:
                # Two ends that would meet if both were led on.
                other = owners[on - n]
                s_on = float(got.s_b[k] if int(got.b[k]) == on else got.s_a[k])
                if s_on - other[2] <= snap_mm:
                    cost = 0.8 * max(gap, s_on - other[2])
                    out.append(
                        Option(track=t, end=end, cost=cost, gap=gap, place=place, other=other[:2])
                    )
    for ray, (t, end, lead), left in zip(rays, owners, lefts, strict=True):
        if left <= 0.0:
            continue
        place = rims.settled(end_place(ray, 1))
        gap = max(ray.length - lead, 0.0)
        if rims.on(place):
            out.append(Option(track=t, end=end, cost=0.8 * gap / rim_reach, gap=gap, place=place))
    return out


def _near(surface, rims, tracks, ends, fixed, snap_mm) -> list[Option]:
    """The nearest rim, lines and loose ends about each loose end."""
    found: list[Option] = []
    tip = {key: end_place(tracks[key[0]], key[1]) for key in ends}
    for t, end in ends:
        hit = rims.nearest(tip[t, end].point, snap_mm)
        if hit is not None:
            found.append(Option(track=t, end=end, cost=hit[1], gap=hit[1], place=hit[0]))
    tree, owner = _samples(tracks)
    tips = KDTree([tip[key].point for key in ends])
    for t, end in ends:
        point = tip[t, end].point
        near = {int(owner[i]) for i in tree.query_ball_point(point, snap_mm + _SAMPLE_MM)} - {t}
        for on in near:
            s, gap = nearest_on(tracks[on], point)
            if gap > snap_mm:
                continue
            # An end near another loose end is joined to that end, not to the line beside it.
            if any(
                (on, e) not in fixed
                and (s if e < 0 else tracks[on].length - s) < min(snap_mm, 0.3 * tracks[on].length)
                and np.linalg.norm(tip[on, e].point - point) <= snap_mm
                for e in (-1, 1)
            ):
                continue
            place = place_at(surface, tracks[on], s)
            found.append(Option(track=t, end=end, cost=gap, gap=gap, place=place, on=on))
        for i in tips.query_ball_point(point, snap_mm):
            other = ends[i]
            if other == (t, end) or other < (t, end):
                continue
            if other[0] == t and tracks[t].length < 4 * snap_mm:
                continue
            gap = float(np.linalg.norm(tip[other].point - point))
            found.append(Option(track=t, end=end, cost=gap, gap=gap, place=tip[other], other=other))
    if not found:
        return []
    starts = [tip[o.track, o.end] for o in found]
    face = np.array([p.face for s, o in zip(starts, found, strict=True) for p in (s, o.place)])
    bary = np.array([p.bary for s, o in zip(starts, found, strict=True) for p in (s, o.place)])
    way = trace(surface, face, bary, begins=np.arange(0, len(face), 2)).length[::2]
    out = []
    for o, length in zip(found, way, strict=True):
        if length > _DETOUR * o.gap + 0.5:
            continue
        if o.other is not None:
            ray = (o.track, o.end)
            middle = between(surface, tip[ray], tip[o.other])
            o = Option(
                track=o.track, end=o.end, cost=o.cost, gap=o.gap, place=middle, other=o.other
            )
        out.append(o)
    return out


def _samples(tracks: list[Track]):
    """Points along all tracks at 1 mm, and the track of each."""
    points, owner = [], []
    for t, track in enumerate(tracks):
        count = max(int(np.ceil(track.length / _SAMPLE_MM)), 1) + 1
        points.append(at_lengths(track.points, np.linspace(0.0, track.length, count)))
        owner.append(np.full(count, t))
    return KDTree(np.vstack(points)), np.concatenate(owner)


def _meetings(tracks, fixed, goals) -> list[Meeting]:
    """Ends led to other tracks, as passages through common places."""
    out = []
    for (t, end), (on, place) in goals.items():
        s, _ = nearest_on(tracks[on], place.point)
        own = 0.0 if end < 0 else tracks[t].length
        passages = (
            Passage(track=t, s=own, end=end),
            Passage(track=on, s=s, end=0),
        )
        out.append(Meeting(place=fixed[t, end], passages=passages, exact=False))
    return out
