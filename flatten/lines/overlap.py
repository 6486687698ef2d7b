"""Lines that run along each other, or across themselves, made clear before they are joined."""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.errors import BadInput
from flatten.geometry.curves import arc_length, at_lengths, resample
from flatten.geometry.surface_points import Surface, on_rim
from flatten.lines.contacts import contacts
from flatten.lines.track import (
    Track,
    joined,
    nearest_on,
    part,
    path_between,
    place_at,
    rolled,
    track_of,
)
from flatten.records.lines import Line

Array = NDArray[np.float64]

_STEP_MM = 1.0
# Two lines this near each other for this long are one: a pen line is 2 to 4 mm wide, and nobody
# sews a strip as narrow as that.
_BESIDE_MM = 2.5
_ALONG_MM = 15.0


def merge_overlaps(
    surface: Surface,
    tracks: list[Track],
    lines: tuple[Line, ...],
    rims: Sequence[tuple[str, Array]],
    least_mm: float,
) -> tuple[list[Track], list[str]]:
    """Takes the stretches that two lines share from the later one (trim lines come first).

    Stretches along a rim are taken too: an edge is there already. `rims` are names and closed
    polylines (k, 3) that repeat their first point. What is left of a line, in pieces over
    `least_mm`, ends beside the other line and is joined to it as any end is. Returns the tracks
    and what is to be said.
    """
    order = sorted(range(len(tracks)), key=lambda t: (lines[tracks[t].line].kind != "trim", t))
    rank = np.empty(len(tracks), dtype=np.int64)
    rank[order] = np.arange(len(tracks))
    samples = [np.linspace(0.0, t.length, max(int(t.length / _STEP_MM), 1) + 1) for t in tracks]
    if not tracks:
        return tracks, []
    owner = np.repeat(np.arange(len(tracks)), [len(s) for s in samples])
    s = np.concatenate(samples)
    points = np.vstack([at_lengths(t.points, at) for t, at in zip(tracks, samples, strict=True)])
    pairs = KDTree(points).query_pairs(_BESIDE_MM, output_type="ndarray")
    pairs = pairs[owner[pairs[:, 0]] != owner[pairs[:, 1]]]
    swap = rank[owner[pairs[:, 0]]] > rank[owner[pairs[:, 1]]]
    pairs[swap] = pairs[swap][:, ::-1]
    dropped: dict[int, list[tuple[float, float]]] = {}
    notes = []
    key = owner[pairs[:, 0]] * len(tracks) + owner[pairs[:, 1]]
    for k in np.unique(key):
        i, j = int(k) // len(tracks), int(k) % len(tracks)
        chosen = pairs[key == k]
        for span in _shared(s[chosen[:, 1]], s[chosen[:, 0]], tracks[j].length):
            dropped.setdefault(j, []).append(span)
            a, b = lines[tracks[i].line].name, lines[tracks[j].line].name
            what = f"runs along '{a}'" if a != b else "runs back along itself"
            notes.append(f"line '{b}' {what} for {span[1] - span[0]:.0f} mm: taken once there")
    for rim, loop in rims:
        edge = resample(loop, _STEP_MM)
        place = arc_length(edge)
        for j, track in enumerate(tracks):
            mine = points[owner == j]
            gap, nearest = KDTree(edge).query(mine, distance_upper_bound=_BESIDE_MM)
            on = np.isfinite(gap)
            beside = place[np.asarray(nearest)[on]]
            for span in _shared(samples[j][on], beside, track.length):
                dropped.setdefault(j, []).append(span)
                notes.append(
                    f"line '{lines[track.line].name}' runs along the rim '{rim}' for"
                    f" {span[1] - span[0]:.0f} mm: left out there"
                )
    out = []
    for t, track in enumerate(tracks):
        out += _left_over(surface, track, dropped[t], least_mm) if t in dropped else [track]
    return out, notes


def _shared(along: Array, other: Array, length: float) -> list[tuple[float, float]]:
    """Stretches of a track of some length that it shares: lengths along it that lie beside another
    line, and the lengths along that one."""
    by = np.argsort(along, kind="stable")
    along, other = along[by], other[by]
    breaks = np.flatnonzero(np.diff(along) > 3 * _STEP_MM) + 1
    spans = []
    for run, run_other in zip(np.split(along, breaks), np.split(other, breaks), strict=True):
        size = float(np.ptp(run)) if len(run) else 0.0
        if size >= max(min(_ALONG_MM, 0.9 * length), _STEP_MM) and np.ptp(run_other) >= 0.5 * size:
            spans.append((float(run[0]), float(run[-1])))
    return spans


def _left_over(
    surface: Surface, track: Track, gone: list[tuple[float, float]], least_mm: float
) -> list[Track]:
    """What remains of a track without some stretches."""
    if track.closed:
        # Begin inside a stretch that goes.
        shift = 0.5 * (gone[0][0] + gone[0][1])
        new = rolled(surface, track, shift)
        gap = np.linalg.norm(track.points - new.points[0], axis=1)
        shift = float(track.s[int(np.argmin(gap))])
        starts = [((a - shift) % track.length, b - a) for a, b in gone]
        gone = [(a, min(a + length, new.length)) for a, length in starts]
        gone += [(0.0, a + length - new.length) for a, length in starts if a + length > new.length]
        track = new
    out, at = [], 0.0
    for a, b in [*sorted(gone), (track.length, track.length)]:
        if a - at >= least_mm:
            out.append(track_of(surface, track.line, *part(surface, track, at, a)))
        at = max(at, b)
    return out


def untie(
    surface: Surface,
    tracks: list[Track],
    lines: tuple[Line, ...],
    snap_mm: float,
    say: Callable[[Array], str],
) -> list[Track]:
    """Rings drawn past their own start are closed, small loops are cut off.

    say : tells a point (3,) to the user

    Raises
    ------
    BadInput : a line crosses itself elsewhere
    """
    out = [_ring(surface, track, snap_mm) for track in tracks]
    got = contacts(surface, out)
    small = 2.0 * snap_mm
    for t in sorted({int(a) for a, b in zip(got.a, got.b, strict=True) if a == b}):
        for _ in range(100):
            crossing = _own_crossing(surface, out[t])
            if crossing is None:
                break
            a, b, point = crossing
            track = out[t]
            rest = a + track.length - b
            if b - a <= small and rest > b - a:
                pieces = joined(part(surface, track, 0.0, a), part(surface, track, b, track.length))
                out[t] = track_of(surface, track.line, *pieces, closed=track.closed)
            elif rest <= 2 * small and max(a, track.length - b) <= small:
                face, bary, segment, keep = part(surface, track, a, b)
                face, bary = np.append(face[:-1], face[:1]), np.vstack([bary[:-1], bary[:1]])
                out[t] = track_of(surface, track.line, face, bary, segment, keep, closed=True)
            else:
                raise BadInput(
                    f"it crosses itself near {say(point)}",
                    f"line '{lines[track.line].name}'",
                    "draw it as two lines",
                )
    return out


def _ring(surface: Surface, track: Track, snap_mm: float) -> Track:
    """A track whose end runs back beside its own start, as a ring without the double stretch."""
    longest = 4.0 * snap_mm
    if track.closed or track.length < 3.0 * longest or _between_rims(surface, track):
        return track
    tip = place_at(surface, track, track.length)
    start = track_of(surface, track.line, *part(surface, track, 0.0, longest))
    s, gap = nearest_on(start, tip.point)
    if gap > 0.5 * snap_mm or s < _STEP_MM or longest - s < _STEP_MM:
        return track
    face, bary, segment, keep = part(surface, track, s, track.length)
    back = path_between(surface, tip, place_at(surface, track, s))
    pieces = joined((face, bary, segment, keep), back)
    return track_of(surface, track.line, *pieces, closed=True)


def _between_rims(surface: Surface, track: Track) -> bool:
    """Whether a track ends on a rim both times."""
    return bool(on_rim(surface, track.face[[0, -1]], track.bary[[0, -1]]).all())


def _own_crossing(surface: Surface, track: Track) -> tuple[float, float, Array] | None:
    """The first place where a track meets itself: two lengths along it, and the point."""
    got = contacts(surface, [track])
    best = None
    for k in range(len(got.a)):
        a, b = sorted((float(got.s_a[k]), float(got.s_b[k])))
        ends = not track.closed and a <= 1e-6 and track.length - b <= 1e-6
        if ends and _between_rims(surface, track):
            # Out from a rim and back to the same place on it.
            continue
        if b - a > 1e-6 and (best is None or b - a < best[1] - best[0]):
            best = (a, b, got.point[k])
    return best
