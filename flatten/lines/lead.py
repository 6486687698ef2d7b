"""Leads the ends of tracks: on to a place, back to a crossing, or round to their own start."""

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.surface_points import Surface
from flatten.lines.track import (
    Place,
    Track,
    free_ends,
    joined,
    part,
    path_between,
    place_at,
    track_of,
)

Array = NDArray[np.float64]

# An end turns towards its goal as far before its tip as the goal is off, within these bounds.
_TURN_MM = (2.0, 5.0)


def end_place(track: Track, end: int) -> Place:
    i = 0 if end < 0 else -1
    return Place(face=int(track.face[i]), bary=track.bary[i], point=track.points[i])


def between(surface: Surface, a: Place, b: Place) -> Place:
    """The middle of the shortest path between two places."""
    if np.allclose(a.point, b.point, atol=1e-9):
        return a
    way = path_between(surface, a, b)
    track = track_of(surface, -1, *way[:3], way[3])
    return place_at(surface, track, 0.5 * track.length)


def led(surface: Surface, track: Track, end: int, place: Place) -> Track:
    """A track led from one end to a place; it turns towards it a little before its end."""
    here = end_place(track, end)
    if here.face == place.face and np.array_equal(here.bary, place.bary):
        return track
    gap = float(np.linalg.norm(here.point - place.point))
    back = min(max(gap, _TURN_MM[0]), _TURN_MM[1], 0.3 * track.length)
    if end < 0:
        kept = part(surface, track, back, track.length)
        pieces = (path_between(surface, place, place_at(surface, track, back)), kept)
    else:
        kept = part(surface, track, 0.0, track.length - back)
        pieces = (kept, path_between(surface, place_at(surface, track, track.length - back), place))
    return track_of(surface, track.line, *joined(*pieces))


def cut_back(surface: Surface, track: Track, end: int, cut: float, place: Place) -> Track:
    """A track cut back at one end to length `cut` along it, and led to a place there."""
    span = (cut, track.length) if end < 0 else (0.0, cut)
    piece = track_of(surface, track.line, *part(surface, track, *span))
    return led(surface, piece, end, place)


def closed_up(surface: Surface, track: Track) -> Track:
    """A track whose ends nearly meet, made a ring."""
    a, b = end_place(track, -1), end_place(track, 1)
    own = (track.face, track.bary, track.segment_face, free_ends(track))
    if a.face == b.face and np.array_equal(a.bary, b.bary):
        return track_of(surface, track.line, *own, closed=True)
    pieces = joined(own, path_between(surface, b, a))
    return track_of(surface, track.line, *pieces, closed=True)
