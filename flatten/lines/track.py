"""A track: a line's course over the cast's faces, measured by length, cut and joined."""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.geometry.curves import arc_length
from flatten.geometry.geodesics import trace
from flatten.geometry.surface_points import Surface, canonical, positions

Array = NDArray[np.float64]
Ints = NDArray[np.int32]
# face (k,), bary (k, 3), segment_face (k - 1,), keep (k,), as in Track
Piece = tuple[Ints, Array, Ints, NDArray[np.bool_]]


@dataclass(frozen=True, eq=False, kw_only=True)
class Track:
    """A piece of one line on the cast; a closed one repeats its first point at its end.

    line : index of the line it belongs to
    face (k,), bary (k, 3) : canonical surface points; segment_face (k - 1,) : the faces between
    points (k, 3) mm; s (k,) length up to each point, mm
    keep : (k,) True for points that thinning may not take out (corners, nodes, ends)
    """

    line: int
    face: Ints
    bary: Array
    segment_face: Ints
    points: Array
    s: Array
    keep: NDArray[np.bool_]
    closed: bool = False

    @property
    def length(self) -> float:
        return float(self.s[-1])


@dataclass(frozen=True, eq=False, kw_only=True)
class Place:
    """One canonical surface point: face, bary (3,), point (3,) mm."""

    face: int
    bary: Array
    point: Array


def track_of(
    surface: Surface,
    line: int,
    face: Ints,
    bary: Array,
    segment_face: Ints,
    keep: NDArray[np.bool_],
    closed: bool = False,
) -> Track:
    """Thins a path (of at least one segment) and measures it."""
    fixed = keep.copy()
    fixed[[0, -1]] = True
    begin, stop = bool(keep[0]), bool(keep[-1])
    face, bary, segment_face, keep = thin(surface, face, bary, segment_face, fixed)
    if closed:
        keep[[0, -1]] = begin or stop
    points = positions(surface.V, surface.F, face, bary)
    return Track(
        line=line,
        face=face,
        bary=bary,
        segment_face=segment_face,
        points=points,
        s=arc_length(points),
        keep=keep,
        closed=closed,
    )


def place_of(surface: Surface, face: int, bary: Array) -> Place:
    """A canonical place from any spelling of it."""
    f, b = canonical(surface, np.array([face], dtype=np.int32), np.asarray(bary)[None])
    return Place(face=int(f[0]), bary=b[0], point=positions(surface.V, surface.F, f, b)[0])


def place_at(surface: Surface, track: Track, s: float) -> Place:
    """The place `s` mm along a track."""
    i, face, bary = _inside(surface, track, s)
    if face < 0:
        return Place(face=int(track.face[i]), bary=track.bary[i], point=track.points[i])
    return place_of(surface, face, bary)


def inner_place(surface: Surface, track: Track, s: float) -> tuple[int, Array]:
    """The place `s` mm along a track, said in the face that the track crosses there."""
    i, face, bary = _inside(surface, track, s)
    if face >= 0:
        return face, bary
    face = int(track.segment_face[min(i, len(track.segment_face) - 1)])
    return face, weights_in(surface, face, int(track.face[i]), track.bary[i])


def part(surface: Surface, track: Track, a: float, b: float) -> Piece:
    """Points, segments and keep flags of a track from length a to b (a < b)."""
    i, face_a, bary_a = _inside(surface, track, a)
    j, face_b, bary_b = _inside(surface, track, b)
    # Whole points of the track first, then ends that lie inside its segments.
    first = i if face_a < 0 else i + 1
    stop = j + 1
    face, bary = track.face[first:stop], track.bary[first:stop]
    keep = (track.keep if track.closed else free_ends(track))[first:stop]
    segment = track.segment_face[i : j + 1 if face_b >= 0 else j]
    if face_a >= 0:
        f, w = canonical(surface, np.array([face_a], dtype=np.int32), bary_a[None])
        face, bary = np.concatenate([f, face]), np.concatenate([w, bary])
        keep = np.concatenate([[False], keep])
    if face_b >= 0:
        f, w = canonical(surface, np.array([face_b], dtype=np.int32), bary_b[None])
        face, bary = np.concatenate([face, f]), np.concatenate([bary, w])
        keep = np.concatenate([keep, [False]])
    return face, bary, segment, keep


def free_ends(track: Track) -> NDArray[np.bool_]:
    """A track's keep flags without its ends, which count as kept only while they are ends."""
    keep = track.keep.copy()
    keep[[0, -1]] = False
    return keep


def rolled(surface: Surface, track: Track, s: float) -> Track:
    """A closed track that begins at its point nearest to length s instead."""
    s = float(track.s[int(np.argmin(np.abs(track.s - s % track.length)))])
    if s < 1e-9 or track.length - s < 1e-9:
        return track
    face, bary, segment, keep = joined(
        part(surface, track, s, track.length), part(surface, track, 0.0, s)
    )
    return track_of(surface, track.line, face, bary, segment, keep, closed=True)


def joined(*pieces: Piece) -> Piece:
    """Pieces whose ends meet, as one."""
    face = np.concatenate([pieces[0][0][:1], *(p[0][1:] for p in pieces)])
    bary = np.concatenate([pieces[0][1][:1], *(p[1][1:] for p in pieces)])
    segment = np.concatenate([p[2] for p in pieces])
    keep = np.concatenate([pieces[0][3][:1], *(p[3][1:] for p in pieces)])
    at = np.cumsum([len(p[2]) for p in pieces])[:-1]
    np.logical_or.at(keep, at, [bool(p[3][0]) for p in pieces[1:]])
    return face, bary, segment, keep


def nearest_on(track: Track, point: Array) -> tuple[float, float]:
    """Length along a track of its place nearest to a point, and the distance."""
    a, b = track.points[:-1], track.points[1:]
    d = b - a
    u = np.einsum("ij,ij->i", point - a, d) / np.maximum(np.einsum("ij,ij->i", d, d), 1e-300)
    u = np.clip(u, 0.0, 1.0)
    gap = np.linalg.norm(a + u[:, None] * d - point, axis=1)
    i = int(np.argmin(gap))
    return float(track.s[i] + u[i] * (track.s[i + 1] - track.s[i])), float(gap[i])


def path_between(surface: Surface, a: Place, b: Place) -> Piece:
    """The shortest path from one place to another."""
    got = trace(surface, np.array([a.face, b.face]), np.array([a.bary, b.bary]))
    keep = np.zeros(len(got.face), dtype=bool)
    return got.face, got.bary, got.segment_face, keep


def _inside(surface: Surface, track: Track, s: float) -> tuple[int, int, Array]:
    """Where length s lies: (point index, -1, -) on a point, else (segment index, face, bary)."""
    i = int(np.searchsorted(track.s, s, side="right")) - 1
    i = min(max(i, 0), len(track.s) - 1)
    if s - track.s[i] <= 1e-9:
        return i, -1, track.bary[i]
    if i + 1 >= len(track.s):
        return len(track.s) - 1, -1, track.bary[-1]
    if track.s[i + 1] - s <= 1e-9:
        return i + 1, -1, track.bary[i + 1]
    w = (s - track.s[i]) / (track.s[i + 1] - track.s[i])
    face = int(track.segment_face[i])
    p = weights_in(surface, face, int(track.face[i]), track.bary[i])
    q = weights_in(surface, face, int(track.face[i + 1]), track.bary[i + 1])
    return i, face, (1 - w) * p + w * q


def weights_in(surface: Surface, face: int, own: int, bary: Array) -> Array:
    """Weights, in `face`, of a point that it holds but that is said in the face `own`."""
    return _weights_in(surface.F, face, own, bary)


def thin(
    surface: Surface, face: Ints, bary: Array, segment_face: Ints, keep: NDArray[np.bool_]
) -> tuple[Ints, Array, Ints, NDArray[np.bool_]]:
    """A path without the points inside faces and the small detours over an edge and back.

    A point goes where both neighbours share a face with it and it lies within `_FLAT_MM` of the
    straight way; points on edges very near a vertex move onto it, so that no slivers are cut.
    """
    face, bary = face.copy(), bary.copy()
    segment_face, keep = segment_face.copy(), keep.copy()
    place = positions(surface.V, surface.F, face, bary)
    k = len(face)
    for turn in range(2):
        # The second turn takes up what moving points onto vertices has left over.
        k = _thin(surface.F, k, face, bary, segment_face, keep, place)
        if turn == 0:
            _onto_vertices(
                surface.V, surface.F, surface.on_border, surface.vertex_face, k, face, bary, keep,
                place,
            )  # fmt: skip
    return face[:k], bary[:k], segment_face[: k - 1], keep[:k]


# A point nearer than this to the straight way is no corner.
_FLAT_MM = 0.08
# A crossing nearer to a vertex than this share of the edge, and than this many mm, moves onto it.
_NEAR_VERTEX = 0.05
_NEAR_VERTEX_MM = 0.1
# A crossing keeps at least this share of the edge off a rim vertex.
_OFF_RIM = 0.02


@njit(cache=True)
def _weights_in(F, face, own, bary):
    out = np.zeros(3)
    for c in range(3):
        if bary[c] != 0.0:
            for k in range(3):
                if F[face, k] == F[own, c]:
                    out[k] = bary[c]
    return out


@njit(cache=True)
def _holds(F, face, own, bary):
    if face == own:
        return True
    for c in range(3):
        if bary[c] != 0.0:
            v = F[own, c]
            if F[face, 0] != v and F[face, 1] != v and F[face, 2] != v:
                return False
    return True


@njit(cache=True)
def _same(face, bary, i, j):
    if face[i] != face[j]:
        return False
    gap = 0.0
    for c in range(3):
        gap = max(gap, abs(bary[i, c] - bary[j, c]))
    return gap < 1e-9


@njit(cache=True)
def _off_chord(place, i, j, k):
    """Distance of point j from the straight way between points i and k."""
    dd = pd = 0.0
    for c in range(3):
        d = place[k, c] - place[i, c]
        dd += d * d
        pd += d * (place[j, c] - place[i, c])
    u = min(max(pd / dd, 0.0), 1.0) if dd > 0.0 else 0.0
    total = 0.0
    for c in range(3):
        total += (place[j, c] - place[i, c] - u * (place[k, c] - place[i, c])) ** 2
    return np.sqrt(total)


@njit(cache=True)
def _thin(F, n, face, bary, segment, keep, place):
    """Thins the first n points in place; returns how many are left."""
    size = 0
    for i in range(n):
        f = segment[i - 1] if i > 0 else np.int32(-1)
        while size > 1:
            top = size - 1
            if _same(face, bary, top, i) and (keep[i] or not keep[top]):
                # Twice one place: the one to be kept stays, else the later.
                f = segment[top - 1]
                size = top
                continue
            if keep[top]:
                break
            if _holds(F, f, face[top - 1], bary[top - 1]):
                common = f
            elif _holds(F, segment[top - 1], face[i], bary[i]):
                common = segment[top - 1]
            else:
                break
            if _off_chord(place, top - 1, top, i) > _FLAT_MM:
                break
            f = common
            size = top
        if size > 0 and i < n - 1 and _same(face, bary, size - 1, i):
            continue
        if size > 0:
            segment[size - 1] = f
        face[size], keep[size] = face[i], keep[i]
        for c in range(3):
            bary[size, c] = bary[i, c]
            place[size, c] = place[i, c]
        size += 1
    return size


@njit(cache=True)
def _onto_vertices(V, F, on_border, vertex_face, n, face, bary, keep, place):
    """Moves crossings very near a vertex onto it, and those very near a rim's off it."""
    for i in range(1, n - 1):
        if keep[i]:
            continue
        opposite, zeros = 0, 0
        for c in range(3):
            if bary[i, c] == 0.0:
                zeros += 1
                opposite = c
        if zeros != 1:
            continue
        near, far = (opposite + 1) % 3, (opposite + 2) % 3
        if bary[i, far] > bary[i, near]:
            near, far = far, near
        v, u = F[face[i], near], F[face[i], far]
        edge = 0.0
        for c in range(3):
            edge += (V[v, c] - V[u, c]) ** 2
        if on_border[v]:
            share = _OFF_RIM
            if bary[i, far] >= share:
                continue
            bary[i, far], bary[i, near] = share, 1.0 - share
        else:
            share = 0.0
            if bary[i, far] >= min(_NEAR_VERTEX, _NEAR_VERTEX_MM / np.sqrt(edge)):
                continue
            face[i] = vertex_face[v]
            for c in range(3):
                bary[i, c] = 1.0 if F[face[i], c] == v else 0.0
        for c in range(3):
            place[i, c] = V[v, c] + share * (V[u, c] - V[v, c])
