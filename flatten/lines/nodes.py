"""Turns the meetings of tracks into nodes: near ones become one, and every track is led to it."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from flatten.errors import BadInput
from flatten.geometry.geodesics import trace
from flatten.geometry.surface_points import Surface, snap_to_corners
from flatten.lines.contacts import contacts
from flatten.lines.rims import Rims
from flatten.lines.track import (
    Piece,
    Place,
    Track,
    joined,
    part,
    place_at,
    place_of,
    rolled,
    track_of,
)

Array = NDArray[np.float64]

# Crossings nearer to each other along a line than this become one node.
_ONE_CROSSING_MM = 1.0
# A track is led to a node that lies off it over four times as far, at least this.
_BEND_MM = 2.0
_ROUNDS = 12
# A node this near (weight) to an edge or vertex moves onto it.
_NEAR_EDGE = 0.06


# A stretch of a track, from length to length, that a node takes the place of.
_Span = tuple[float, float, Place]
# A way to be found: from place to place, and which of them is a node.
_Leg = tuple[Place, Place, bool, bool]
# A piece of a new course: a part of the old one between two lengths, or a leg by its number.
_Step = tuple[float, float] | int


@dataclass(frozen=True, eq=False, kw_only=True)
class Passage:
    """A track passing (or ending at) length s; end is -1 at its start, 1 at its end, else 0."""

    track: int
    s: float
    end: int


@dataclass(frozen=True, eq=False, kw_only=True)
class Meeting:
    """Passages through one place, exact where all of them hold it already."""

    place: Place
    passages: tuple[Passage, ...]
    exact: bool


def end_of(track: Track, s: float) -> int:
    """Which end of an open track length s is: -1 its start, 1 its end, 0 neither."""
    if track.closed:
        return 0
    if s <= 1e-9:
        return -1
    return 1 if track.length - s <= 1e-9 else 0


def settle(
    surface: Surface,
    rims: Rims,
    tracks: list[Track],
    planned: list[Meeting],
    names: list[str],
    merge_mm: float,
    say: Callable[[Array], str],
) -> list[Track]:
    """Leads tracks through common places wherever they meet, until nothing else is left.

    merge_mm : ends (on a line or a rim) this near each other share one node
    say : tells a point (3,) to the user

    Raises
    ------
    BadInput : two lines cross so often in one place that no clear junction results
    """
    todo: list[list[Meeting]] = []
    for _ in range(_ROUNDS):
        meetings = [*planned, *_found(surface, tracks)]
        planned = []
        clusters = _clusters(rims, tracks, meetings, merge_mm)
        todo = [c for c in clusters if not _is_settled(c)]
        if not todo:
            return tracks
        tracks = _lead(surface, rims, tracks, clusters)
    worst = todo[0][0]
    pair = " and ".join(sorted({f"'{names[tracks[p.track].line]}'" for p in worst.passages}))
    raise BadInput(
        "they run into each other without a clear junction",
        f"lines {pair} near {say(worst.place.point)}",
        "draw them farther apart, or end one on the other",
    )


def _found(surface: Surface, tracks: list[Track]) -> list[Meeting]:
    """Contacts as meetings, shared places once each."""
    got = contacts(surface, tracks)
    shared: dict[tuple, tuple[Place, dict]] = {}
    out = []
    for k in range(len(got.a)):
        pair = []
        for t, s in ((int(got.a[k]), float(got.s_a[k])), (int(got.b[k]), float(got.s_b[k]))):
            if tracks[t].closed and tracks[t].length - s <= 1e-9:
                s = 0.0
            pair.append(Passage(track=t, s=s, end=end_of(tracks[t], s)))
        if got.shared[k]:
            key = (int(got.face[k]), got.bary[k].tobytes())
            if key not in shared:
                place = Place(face=key[0], bary=got.bary[k], point=got.point[k])
                shared[key] = (place, {})
            for p in pair:
                shared[key][1][(p.track, p.s)] = p
        else:
            place = place_of(surface, int(got.face[k]), got.bary[k])
            out.append(Meeting(place=place, passages=tuple(pair), exact=False))
    for place, passages in shared.values():
        out.append(Meeting(place=place, passages=tuple(passages.values()), exact=True))
    return out


def _clusters(
    rims: Rims, tracks: list[Track], meetings: list[Meeting], merge_mm: float
) -> list[list[Meeting]]:
    """Meetings that are to become one node, grouped.

    Track ends on a rim are meetings too, so that two of them near each other join.
    """
    meetings = list(meetings)
    known = {(p.track, p.end) for m in meetings for p in m.passages if p.end}
    for t, track in enumerate(tracks):
        for end, i in ((-1, 0), (1, -1)):
            if track.closed or (t, end) in known:
                continue
            place = Place(face=int(track.face[i]), bary=track.bary[i], point=track.points[i])
            if rims.on(place):
                s = 0.0 if end < 0 else track.length
                passage = Passage(track=t, s=s, end=end)
                meetings.append(Meeting(place=place, passages=(passage,), exact=True))
    if not meetings:
        return []
    rows: list[tuple[int, float, int, float]] = []  # way, length along it, meeting, cycle
    reach = []
    for i, m in enumerate(meetings):
        at_rim = rims.coordinate(m.place)
        ends = any(p.end for p in m.passages)
        reach.append(merge_mm if ends or at_rim is not None else _ONE_CROSSING_MM)
        for p in m.passages:
            cycle = tracks[p.track].length if tracks[p.track].closed else np.inf
            rows.append((p.track, p.s, i, cycle))
        if at_rim is not None:
            rows.append((len(tracks) + at_rim[0], at_rim[1], i, at_rim[2]))
    rows.sort()
    links = []
    by_way: dict[int, list] = {}
    for row in rows:
        by_way.setdefault(row[0], []).append(row)
    for way in by_way.values():
        count = len(way)
        for k in range(count if np.isfinite(way[0][3]) and count > 1 else count - 1):
            _, s, i, cycle = way[k]
            _, s2, j, _ = way[(k + 1) % count]
            gap = s2 - s if k + 1 < count else s2 + cycle - s
            if gap <= max(reach[i], reach[j]):
                links.append((i, j))
    n = len(meetings)
    pairs = np.array(links, dtype=np.int64).reshape(-1, 2)
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    _, label = connected_components(graph, directed=False)
    groups: dict[int, list[Meeting]] = {}
    for i, m in enumerate(meetings):
        groups.setdefault(int(label[i]), []).append(m)
    return list(groups.values())


def _is_settled(cluster: list[Meeting]) -> bool:
    """Whether a cluster is one exact meeting that each track passes once."""
    if len(cluster) > 1 or not cluster[0].exact:
        return False
    tracks = [p.track for p in cluster[0].passages]
    ends = [p for p in cluster[0].passages if p.end]
    return len(set(tracks)) == len(tracks) or len(ends) >= 2


def _node(surface: Surface, rims: Rims, cluster: list[Meeting]) -> Place:
    """Where a cluster's node goes: on a rim, else where a node is, else amid the meetings."""
    on_rim = [m for m in cluster if rims.on(m.place)]
    exact = [m for m in cluster if m.exact]
    pool = on_rim or exact or cluster
    middle = np.mean([m.place.point for m in pool], axis=0)
    # A vertex wins over an edge and that over a face's inside, since the tracks beside it are drawn
    # to it as well; then the most passages, then the place nearest to the middle.
    best = min(
        pool,
        key=lambda m: (
            np.count_nonzero(m.place.bary),
            -len(m.passages) if m.exact else 0,
            float(np.linalg.norm(m.place.point - middle)),
        ),
    )
    if on_rim:
        return rims.settled(best.place)
    if best.exact:
        return best.place
    snapped = snap_to_corners(best.place.bary[None], _NEAR_EDGE)[0]
    place = place_of(surface, best.place.face, snapped)
    return best.place if rims.on(place) else place


def _lead(
    surface: Surface, rims: Rims, tracks: list[Track], clusters: list[list[Meeting]]
) -> list[Track]:
    """Every track led through the nodes of its clusters."""
    stops: dict[int, list[_Span]] = {}
    for cluster in clusters:
        place = _node(surface, rims, cluster)
        at: dict[int, list[float]] = {}
        for m in cluster:
            for p in m.passages:
                at.setdefault(p.track, []).append(p.s)
        for t, s in at.items():
            stops.setdefault(t, []).extend(_spans(tracks[t], sorted(s), place))
    out = list(tracks)
    legs: list[_Leg] = []
    plans: dict[int, list[_Step]] = {}
    for t, spans in stops.items():
        track = tracks[t]
        if all(lo == hi and _passes(track, lo, place) for lo, hi, place in spans):
            continue
        spans.sort(key=lambda x: x[0])
        if track.closed:
            # Begin in the middle of the widest gap between stops.
            gaps = [
                ((spans[(k + 1) % len(spans)][0] - spans[k][1]) % track.length, spans[k][1])
                for k in range(len(spans))
            ]
            wide, after = max(gaps)
            wide = wide if wide > 0 else track.length
            shift = (after + 0.5 * wide) % track.length
            new = rolled(surface, track, shift)
            spans = _moved(track, new, spans)
            track = out[t] = new
        plans[t] = _plan(surface, track, spans, legs)
    if not plans:
        return out
    ways = _traced(surface, legs)
    gone: set[int] = set()
    for t, plan in plans.items():
        track = out[t]
        pieces = [ways[x] if isinstance(x, int) else part(surface, track, *x) for x in plan]
        if not any(len(p[2]) for p in pieces):
            gone.add(t)
            continue
        face, bary, segment, keep = joined(*pieces)
        out[t] = track_of(surface, track.line, face, bary, segment, keep, closed=track.closed)
    return [track for t, track in enumerate(out) if t not in gone and track.length > 1e-6]


def _moved(track: Track, new: Track, spans: list[_Span]) -> list[_Span]:
    """Stretches of a closed track, said along the same track begun elsewhere."""
    gap = np.linalg.norm(track.points - new.points[0], axis=1)
    shift, scale = float(track.s[int(np.argmin(gap))]), new.length / track.length
    out = []
    for lo, hi, place in spans:
        at, wide = ((lo - shift) % track.length) * scale, (hi - lo) * scale
        if wide == 0.0:
            same = (new.face == place.face) & np.all(new.bary == place.bary, axis=1)
            hits = np.flatnonzero(same)
            if len(hits):
                at = float(new.s[hits[int(np.argmin(np.abs(new.s[hits] - at)))]])
        out.append((at, min(at + wide, new.length), place))
    return sorted(out, key=lambda x: x[0])


def _spans(track: Track, s: list[float], place: Place) -> list[_Span]:
    """The stretches of a track that a node takes the place of, given its passages there.

    Passages far apart along the track (both ends of a ring drawn open) are stretches of their own.
    """
    groups = [[s[0]]]
    for x in s[1:]:
        if x - groups[-1][-1] > 0.25 * track.length and x - groups[-1][-1] > 6 * _BEND_MM:
            groups.append([x])
        else:
            groups[-1].append(x)
    if track.closed and len(groups) > 1:
        gap = groups[0][0] + track.length - groups[-1][-1]
        if gap <= 6 * _BEND_MM:
            last = groups.pop()
            return [(last[0], groups[0][-1] + track.length, place)] + [
                (g[0], g[-1], place) for g in groups[1:]
            ]
    return [(g[0], g[-1], place) for g in groups]


def _passes(track: Track, s: float, place: Place) -> bool:
    """Whether a track holds exactly this place at length s."""
    i = int(np.argmin(np.abs(track.s - s)))
    return (
        abs(track.s[i] - s) < 1e-9
        and track.face[i] == place.face
        and bool(np.all(track.bary[i] == place.bary))
        and bool(track.keep[i])
    )


def _holds(track: Track, s: float, place: Place) -> bool:
    """Whether a point of a track near length s is this place to the last digit."""
    near = (np.abs(track.s - s) < 1e-6) & (track.face == place.face)
    return bool((near & np.all(track.bary == place.bary, axis=1)).any())


def _plan(surface: Surface, track: Track, spans: list[_Span], legs: list[_Leg]) -> list[_Step]:
    """What to put together: parts of the track, and legs (by number) to and from nodes."""
    plan: list[_Step] = []
    at = 0.0
    held: Place | None = None  # the node that the last stop ended on
    for k, (lo, hi, place) in enumerate(spans):
        end = end_of(track, lo) if lo == hi else 0
        starts = end < 0 or (not track.closed and lo <= 1e-9)
        ends = end > 0 or (not track.closed and track.length - hi <= 1e-9)
        before = spans[k - 1][1] if k else 0.0
        after = spans[k + 1][0] if k + 1 < len(spans) else track.length
        off = max(
            float(np.linalg.norm(place_at(surface, track, x).point - place.point))
            for x in (lo, hi % track.length if track.closed and hi > track.length else hi)
        )
        # A place that differs in its last digits only must be walked to, or it stays another.
        exact = off < 1e-7 and _holds(track, lo, place)
        bend = 0.0 if exact else max(_BEND_MM, 4.0 * off)
        a = lo if exact else max(lo - bend, 0.5 * (before + lo))
        b = hi if exact else min(hi + bend, 0.5 * (after + hi))
        if not starts:
            if held is not None and a <= at:
                plan.append(_leg(legs, held, place, surface, track))
            else:
                if held is not None:
                    plan.append(_leg(legs, held, at, surface, track))
                if a > at:
                    plan.append((at, a))
                plan.append(_leg(legs, a, place, surface, track))
        held, at = place, b
        if ends:
            return plan
    if held is not None:
        plan.append(_leg(legs, held, at, surface, track))
    if at < track.length:
        plan.append((at, track.length))
    return plan


def _leg(
    legs: list[_Leg], a: Place | float, b: Place | float, surface: Surface, track: Track
) -> int:
    """Notes a way to be found between nodes (places) and lengths along the track."""
    start = a if isinstance(a, Place) else place_at(surface, track, a)
    end = b if isinstance(b, Place) else place_at(surface, track, b)
    legs.append((start, end, isinstance(a, Place), isinstance(b, Place)))
    return len(legs) - 1


def _traced(surface: Surface, legs: list[_Leg]) -> list[Piece]:
    """Shortest paths for all legs; one between equal places is empty."""
    if not legs:
        return []
    face = np.array([p.face for leg in legs for p in leg[:2]], dtype=np.int32)
    bary = np.array([p.bary for leg in legs for p in leg[:2]])
    path = trace(surface, face, bary, begins=np.arange(0, len(face), 2))
    out: list[Piece] = []
    for k, (a, b, keep_a, keep_b) in enumerate(legs):
        i, j = int(path.at[2 * k]), int(path.at[2 * k + 1])
        same = a.face == b.face and bool(np.all(a.bary == b.bary))
        stop = i if same else j
        keep = np.zeros(stop - i + 1, dtype=bool)
        keep[0] |= keep_a
        keep[-1] |= keep_b
        out.append(
            (path.face[i : stop + 1], path.bary[i : stop + 1], path.segment_face[i:stop], keep)
        )
    return out
