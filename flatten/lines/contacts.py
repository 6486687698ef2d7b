"""Where tracks meet: places they share, and crossings inside faces."""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.geometry.surface_points import Surface, place_keys, positions
from flatten.lines.track import Track

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False, kw_only=True)
class Contacts:
    """Pairs of passages through one place.

    a, b (q,) : tracks; s_a, s_b (q,) : lengths along them
    face (q,), bary (q, 3), point (q, 3) : the place; shared (q,) True where both hold it exactly
    """

    a: NDArray[np.int64]
    b: NDArray[np.int64]
    s_a: Array
    s_b: Array
    face: NDArray[np.int32]
    bary: Array
    point: Array
    shared: NDArray[np.bool_]


def contacts(surface: Surface, tracks: list[Track]) -> Contacts:
    """All contacts between tracks, and of a track with itself (a closed one's own start is none).

    Two segments in a face cross where the ends of one separate the ends of the other; for ends on
    the face's border this is decided by their order round it, without rounding.
    """
    size = np.array([len(t.face) for t in tracks], dtype=np.int64)
    if size.sum() == 0:
        return _none()
    track = np.repeat(np.arange(len(tracks)), size)
    face = np.concatenate([t.face for t in tracks])
    bary = np.concatenate([t.bary for t in tracks])
    s = np.concatenate([t.s for t in tracks])
    keys = place_keys(surface, face, bary)
    order = np.lexsort((keys[:, 2], keys[:, 1], keys[:, 0]))
    new = np.ones(len(order), dtype=bool)
    new[1:] = np.any(keys[order[1:]] != keys[order[:-1]], axis=1)
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.cumsum(new) - 1

    first = np.cumsum(size) - size
    inner = np.ones(len(track), dtype=bool)
    inner[first + size - 1] = False
    tail = np.flatnonzero(inner)  # segment k runs from point tail[k] to tail[k] + 1
    seg_face = np.concatenate([t.segment_face for t in tracks])
    closing = np.array([t.closed for t in tracks])

    pairs_a, pairs_b, where = _shared(order, new, track, first, size, closing)
    crossed = _crossings(surface, tail, seg_face, face, bary, track, place)
    out_face = np.concatenate([face[where], crossed[2]])
    out_bary = np.concatenate([bary[where], crossed[3]])
    s_a = s[crossed[0]] + crossed[4] * (s[crossed[0] + 1] - s[crossed[0]])
    s_b = s[crossed[1]] + crossed[5] * (s[crossed[1] + 1] - s[crossed[1]])
    return Contacts(
        a=np.concatenate([track[pairs_a], track[crossed[0]]]),
        b=np.concatenate([track[pairs_b], track[crossed[1]]]),
        s_a=np.concatenate([s[pairs_a], s_a]),
        s_b=np.concatenate([s[pairs_b], s_b]),
        face=out_face,
        bary=out_bary,
        point=positions(surface.V, surface.F, out_face, out_bary),
        shared=np.arange(len(out_face)) < len(where),
    )


def _none() -> Contacts:
    i, f = np.empty(0, dtype=np.int64), np.empty(0)
    return Contacts(
        a=i,
        b=i,
        s_a=f,
        s_b=f,
        face=np.empty(0, dtype=np.int32),
        bary=np.empty((0, 3)),
        point=np.empty((0, 3)),
        shared=np.empty(0, dtype=bool),
    )


def _shared(order, new, track, first, size, closing):
    """Pairs of points at one place; a closed track's end, which repeats its start, is left out."""
    last = first + size - 1
    ends = np.zeros(len(order), dtype=bool)
    ends[last[closing]] = True
    starts = np.append(np.flatnonzero(new), len(order))
    many = np.flatnonzero(np.diff(starts) > 1)
    a, b = [], []
    for g in many:
        points = [p for p in order[starts[g] : starts[g + 1]] if not ends[p]]
        for i, p in enumerate(points):
            for q in points[i + 1 :]:
                a.append(min(p, q))
                b.append(max(p, q))
    a, b = np.array(a, dtype=np.int64), np.array(b, dtype=np.int64)
    return a, b, a


def _crossings(surface, tail, seg_face, face, bary, track, place):
    """Crossings inside faces: tail points of both segments, place, and fractions along them."""
    # A segment that runs along an edge is looked at from both sides of it.
    f, w = face[tail], bary[tail]
    p = _local(surface, seg_face, f, w)
    q = _local(surface, seg_face, face[tail + 1], bary[tail + 1])
    along = (p == 0.0) & (q == 0.0)
    both = np.flatnonzero(along.any(axis=1))
    half = 3 * seg_face[both].astype(np.int64) + (np.argmax(along[both], axis=1) + 1) % 3
    across = surface.twin[half]
    both, across = both[across >= 0], across[across >= 0] // 3
    tails = np.concatenate([tail, tail[both]])
    faces = np.concatenate([seg_face, across]).astype(np.int32)
    order = np.argsort(faces, kind="stable")
    tails, faces = tails[order], faces[order]
    starts = np.append(np.flatnonzero(np.r_[True, faces[1:] != faces[:-1]]), len(faces))
    many = np.diff(starts) > 1
    p = _local(surface, faces, face[tails], bary[tails])
    q = _local(surface, faces, face[tails + 1], bary[tails + 1])
    i, j, u, v = _cross(
        starts[:-1][many], starts[1:][many], p, q, track[tails], place[tails], place[tails + 1]
    )
    at = np.maximum(p[i] + u[:, None] * (q[i] - p[i]), 0.0)
    at /= np.maximum(at.sum(axis=1, keepdims=True), 1e-300)
    # A contact at a segment's end is that end, to the last bit.
    for hit, value in ((u == 0.0, p[i]), (u == 1.0, q[i]), (v == 0.0, p[j]), (v == 1.0, q[j])):
        at = np.where(hit[:, None], value, at)
    return tails[i], tails[j], faces[i], at, u, v


def _local(surface, faces, own, bary):
    """Weights in `faces` of points said in the faces `own` (all held by both)."""
    out = np.zeros((len(faces), 3))
    target = surface.F[faces]
    for c in range(3):
        v = surface.F[own, c]
        hit = (target == v[:, None]) & (bary[:, c] != 0.0)[:, None]
        out += np.where(hit, bary[:, c][:, None], 0.0)
    return out


@njit(cache=True)
def _round(w):
    """Place of a border point on the way round a face, 0 to 3; -1 inside the face."""
    for c in range(3):
        if w[c] == 0.0:
            a, b = (c + 1) % 3, (c + 2) % 3
            if w[a] == 0.0:
                return float(b)
            if w[b] == 0.0:
                return float(a)
            return a + w[b]
    return -1.0


@njit(cache=True)
def _turn(o, p, q):
    """Twice the signed area of three points given by weights, in units of the face's."""
    return (p[1] - o[1]) * (q[2] - o[2]) - (p[2] - o[2]) * (q[1] - o[1])


@njit(cache=True)
def _within(x, a, b):
    """Fraction of the way from a to b at which x lies (weights), or -1 where it does not."""
    size = best = 0.0
    axis = 0
    for c in range(3):
        if abs(b[c] - a[c]) > best:
            best = abs(b[c] - a[c])
            axis = c
    if best == 0.0:
        return -1.0
    size = (x[axis] - a[axis]) / (b[axis] - a[axis])
    return size if 0.0 <= size <= 1.0 else -1.0


@njit(cache=True)
def _cross(starts, ends, p, q, track, tail, head):
    out_i = [0 for _ in range(0)]
    out_j = [0 for _ in range(0)]
    out_u = [0.0 for _ in range(0)]
    out_v = [0.0 for _ in range(0)]
    for g in range(len(starts)):
        for i in range(starts[g], ends[g]):
            for j in range(i + 1, ends[g]):
                if tail[i] == tail[j] and head[i] == head[j]:
                    continue
                if tail[i] == head[j] and head[i] == tail[j]:
                    continue
                u, v = -1.0, -1.0
                shares = (
                    tail[i] == tail[j]
                    or tail[i] == head[j]
                    or head[i] == tail[j]
                    or head[i] == head[j]
                )
                a0, a1 = _turn(p[i], q[i], p[j]), _turn(p[i], q[i], q[j])
                b0, b1 = _turn(p[j], q[j], p[i]), _turn(p[j], q[j], q[i])
                tiny = 1e-12
                in_line = max(abs(a0), abs(a1), abs(b0), abs(b1)) <= tiny
                if in_line:
                    # One upon the other: the contact is an end of one inside the other.
                    for k in range(2):
                        x = p[j] if k == 0 else q[j]
                        x_id = tail[j] if k == 0 else head[j]
                        w = _within(x, p[i], q[i])
                        if w >= 0.0 and x_id != tail[i] and x_id != head[i]:
                            u, v = w, float(k)
                    if u < 0.0:
                        for k in range(2):
                            x = p[i] if k == 0 else q[i]
                            x_id = tail[i] if k == 0 else head[i]
                            w = _within(x, p[j], q[j])
                            if w >= 0.0 and x_id != tail[j] and x_id != head[j]:
                                u, v = float(k), w
                elif not shares:
                    rp, rq, rr, rs = _round(p[i]), _round(q[i]), _round(p[j]), _round(q[j])
                    if min(rp, rq, rr, rs) >= 0.0:
                        low, high = min(rp, rq), max(rp, rq)
                        hit = (low < rr < high) != (low < rs < high)
                        hit = hit and rr != low and rr != high and rs != low and rs != high
                    else:
                        hit = min(a0, a1) <= tiny and max(a0, a1) >= -tiny
                        hit = hit and min(b0, b1) <= tiny and max(b0, b1) >= -tiny
                    if hit:
                        u = b0 / (b0 - b1) if b0 != b1 else 0.5
                        v = a0 / (a0 - a1) if a0 != a1 else 0.5
                        u, v = min(max(u, 0.0), 1.0), min(max(v, 0.0), 1.0)
                if u >= 0.0:
                    out_i.append(i)
                    out_j.append(j)
                    out_u.append(u)
                    out_v.append(v)
    return np.array(out_i), np.array(out_j), np.array(out_u), np.array(out_v)
