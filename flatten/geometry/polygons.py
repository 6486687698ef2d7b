"""Outlines in the plane: what a ring encloses, and growing it by a width that varies along it."""

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import KDTree
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import polygonize

from flatten.geometry.plane_curves import outward

Array = NDArray[np.float64]

TRIM = 1.5  # a mitred corner reaches at most this many widths from the corner
CLIP_DEG = 45.0  # edges that face each other more nearly than this share the room between them
SLOT_MM = 1.0  # room left between two allowances that would otherwise meet
ROUND_DEG = 4.0  # convex turns beyond this are gone round in steps, so that the width stays true
EYE_MM2 = 4.0  # ground enclosed by allowances that meet round it, kept open from this size on


def signed_area(ring: Array) -> float:
    """Area of a closed ring (first point not repeated), positive counterclockwise, mm²."""
    x, y = (ring - ring[0]).T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def winding(ring: Array, places: Array) -> NDArray[np.int64]:
    """(n,) how often the ring goes round each of the (n, 2) places, counterclockwise positive."""
    a, b = ring, np.roll(ring, -1, axis=0)
    up = (a[:, 1] <= places[:, 1:2]) & (b[:, 1] > places[:, 1:2])
    down = (a[:, 1] > places[:, 1:2]) & (b[:, 1] <= places[:, 1:2])
    left = (b[:, 0] - a[:, 0]) * (places[:, 1:2] - a[:, 1]) - (places[:, 0:1] - a[:, 0]) * (
        b[:, 1] - a[:, 1]
    )
    return (up & (left > 0)).sum(axis=1) - (down & (left < 0)).sum(axis=1)


def filled(ring: Array) -> Polygon:
    """What a counterclockwise ring covers, as one polygon without holes.

    A ring that crosses or touches itself covers every place it goes round at least once; of
    several parts the largest is returned.
    """
    polygon = Polygon(ring)
    if polygon.is_valid:
        return polygon
    lines = shapely.union_all(LineString(np.vstack([ring, ring[:1]])))
    cells = [cell for cell in polygonize(lines) if cell.area > 0.0]
    if not cells:
        return Polygon()
    inside = np.array([cell.representative_point().coords[0] for cell in cells])
    covered = winding(ring, inside) > 0
    return largest(shapely.union_all([c for c, keep in zip(cells, covered, strict=True) if keep]))


def polygons_of(shape: BaseGeometry) -> list[Polygon]:
    """The polygons that a shape is made of."""
    return [p for p in shapely.get_parts(shape) if isinstance(p, Polygon) and not p.is_empty]


def stretches_in(
    points: Array, closed: bool, shape: BaseGeometry, least: float = 0.0
) -> list[tuple[Array, bool]]:
    """The stretches of a line (k, 2) in a shape that are longer than `least` mm, and whether each is
    all of the line."""
    line = LineString(np.vstack([points, points[:1]]) if closed else points)
    if shape.covers(line):
        return [(points, True)]
    parts = shapely.get_parts(shapely.line_merge(line.intersection(shape)))
    return [
        (np.array(part.coords), False)
        for part in parts
        if isinstance(part, LineString) and part.length > least
    ]


def largest(shape: BaseGeometry, *, eye: float = np.inf) -> Polygon:
    """The largest polygon of a shape, holes under `eye` mm² filled; empty where there is none."""
    parts = polygons_of(shape)
    if not parts:
        return Polygon()
    part = max(parts, key=lambda p: p.area)
    return Polygon(part.exterior, [r for r in part.interiors if Polygon(r).area >= eye])


def grow(ring: Array, widths: Array, *, trim: float = TRIM) -> Polygon:
    """The polygon of a counterclockwise ring grown outward by a width of its own on every edge.

    ring : (n, 2) mm, no repeated points; it may touch or cross itself, the result never does
    widths : (n, 2) mm >= 0, at the start and at the end of the edge from point i to point i + 1
    trim : convex corners are mitred, and cut square across where the tip would reach farther than
        `trim` times the wider of the two widths

    Away from corners every edge is followed at exactly its width. At a hollow corner the two edges'
    lines are followed to where they meet. Where two edges face each other across less room than
    both ask for, they share it and leave `SLOT_MM` to cut between; where corners close round open
    ground all the same, it is left as a hole in the polygon (room is limited by the largest empty
    circle that touches the edge: Ma, Bae & Choi, 3D medial axis point approximation using nearest
    neighbors and the normal field, Visual Computer 28, 2012, section 3).
    """
    if widths.max(initial=0.0) <= 0.0:
        return filled(ring)
    fine, fine_widths = _shared(ring, widths)
    strips = _strips(fine, fine_widths, trim)
    return largest(shapely.union_all([filled(fine), *strips]), eye=EYE_MM2)


def _shared(ring: Array, widths: Array) -> tuple[Array, Array]:
    """Ring and widths with the widths narrowed where edges face each other too closely."""
    after = np.roll(ring, -1, axis=0)
    length = np.linalg.norm(after - ring, axis=1)
    pieces = np.maximum(np.ceil(length / 2.0), 1).astype(np.int64)
    seg = np.repeat(np.arange(len(ring)), pieces)
    t = (np.arange(len(seg)) - np.repeat(np.cumsum(pieces) - pieces, pieces)) / pieces[seg]
    middle = t + 0.5 / pieces[seg]
    normal = outward((after - ring) / np.maximum(length, 1e-300)[:, None])[seg]
    place = ring[seg] + (after - ring)[seg] * middle[:, None]
    width = widths[seg, 0] + (widths[seg, 1] - widths[seg, 0]) * middle

    tree = KDTree(place)
    ask = np.nonzero(width > 0.0)[0]
    free = 0.5 * (width[ask] + width.max() + SLOT_MM)
    other = ask.copy()
    for _ in range(12):
        centre = place[ask] + normal[ask] * free[:, None]
        distance, found = tree.query(centre)
        nearest = np.asarray(found, dtype=np.int64)
        chord = place[nearest] - place[ask]
        ahead = np.einsum("ij,ij->i", chord, normal[ask])
        hit = (distance < free - 1e-6) & (ahead > 1e-9)
        if not hit.any():
            break
        free[hit] = np.einsum("ij,ij->i", chord, chord)[hit] / (2.0 * ahead[hit])
        other[hit] = nearest[hit]
    facing = np.einsum("ij,ij->i", normal[ask], normal[other]) < -np.cos(np.radians(CLIP_DEG))
    room = np.maximum(2.0 * free - SLOT_MM, 0.0)
    tight = facing & (width[ask] + width[other] > room)
    if not tight.any():
        return ring, widths
    narrowed = width.copy()
    fair = np.maximum(0.5 * room, room - width[other])
    narrowed[ask[tight]] = np.minimum(width[ask], fair)[tight]
    # A piece of an edge is as wide as its narrower end, so that no slanting piece reaches across.
    start = ring[seg] + (after - ring)[seg] * t[:, None]
    changed = narrowed < width
    w0 = widths[seg, 0] + (widths[seg, 1] - widths[seg, 0]) * t
    w1 = w0 + (widths[seg, 1] - widths[seg, 0]) / pieces[seg]
    fine = np.stack([np.where(changed, narrowed, w0), np.where(changed, narrowed, w1)], axis=1)
    return start, fine


def _strips(ring: Array, widths: Array, trim: float) -> list[Polygon]:
    """Polygons that together cover the ground between the ring and its grown outline."""
    n = len(ring)
    after = np.roll(ring, -1, axis=0)
    step = after - ring
    tangent = step / np.maximum(np.linalg.norm(step, axis=1), 1e-300)[:, None]
    normal = outward(tangent)
    before = np.roll(np.arange(n), 1)
    cos = np.einsum("ij,ij->i", tangent[before], tangent)
    cross = tangent[before, 0] * tangent[:, 1] - tangent[before, 1] * tangent[:, 0]
    level = np.abs(widths[before, 1] - widths[:, 0]) < 1e-9
    plain = (cos > np.cos(np.radians(20.0))) & level  # vertices a smooth chain runs through

    breaks = np.nonzero(~plain)[0]
    if len(breaks) == 0:
        breaks = np.array([0])
    strips: list[Polygon] = []
    for first, last in zip(breaks, np.append(breaks[1:], breaks[0] + n), strict=True):
        edges = np.arange(first, last) % n
        if widths[edges].max() > 0.0:
            strips += _chain(ring, after, normal, widths, edges, closed=bool(plain[first]))
    for i in breaks:
        if cross[i] > 0.0 or cos[i] < -0.999:
            corner = _corner(
                ring[i], tangent[before[i]], tangent[i], widths[before[i], 1], widths[i, 0], trim
            )
            if corner is not None:
                strips.append(corner)
    return strips


def _chain(
    ring: Array, after: Array, normal: Array, widths: Array, edges: NDArray, *, closed: bool
) -> list[Polygon]:
    """The strip beside a smooth chain of edges: one polygon, or one per edge in a tight hollow."""
    out0 = ring[edges] + normal[edges] * widths[edges, 0:1]
    out1 = after[edges] + normal[edges] * widths[edges, 1:2]
    joined = out1[:-1].copy()
    if len(edges) > 1:
        both = normal[edges[:-1]] + normal[edges[1:]]
        both /= (1.0 + np.einsum("ij,ij->i", normal[edges[:-1]], normal[edges[1:]]))[:, None]
        joined = after[edges[:-1]] + both * widths[edges[:-1], 1:2]
    if not closed:
        turn = _turning(normal[edges[:-1]], normal[edges[1:]])
        rounded = np.nonzero(turn > ROUND_DEG)[0]
        parts = np.split(joined, rounded)
        for i, j in enumerate(rounded):
            ends = normal[edges[j]], normal[edges[j + 1]]
            bow = _bow(after[edges[j]], *ends, widths[edges[j], 1])
            parts[i + 1] = np.concatenate([bow, parts[i + 1][1:]])
        outer = np.concatenate([out0[:1], *parts, out1[-1:]])
        strip = Polygon(np.concatenate([ring[edges], after[edges[-1:]], outer[::-1]]))
        if strip.is_valid:
            return [strip]
    quads = [
        Polygon(q)
        for q in np.stack([ring[edges], after[edges], out1, out0], axis=1)
    ]  # fmt: skip
    hinges = list(range(len(edges) - 1)) + ([len(edges) - 1] if closed else [])
    for j in hinges:
        i, k = edges[j], edges[(j + 1) % len(edges)]
        turn = normal[i, 0] * normal[k, 1] - normal[i, 1] * normal[k, 0]
        if turn > 0.0:
            bow = _bow(after[i], normal[i], normal[k], widths[i, 1])
            quads.append(Polygon([after[i], out1[j], *bow, out0[(j + 1) % len(edges)]]))
    return [q for q in quads if q.area > 0.0]


def _turning(n0: Array, n1: Array) -> Array:
    """(k,) degrees from normals n0 (k, 2) to n1, positive where the outline is convex."""
    cross = n0[:, 0] * n1[:, 1] - n0[:, 1] * n1[:, 0]
    return np.degrees(np.arctan2(cross, np.einsum("ij,ij->i", n0, n1)))


def _bow(corner: Array, n0: Array, n1: Array, width: float) -> Array:
    """(m, 2) the way round a blunt convex corner at a width: a mitre for every small turn."""
    turn = float(np.radians(_turning(n0[None], n1[None])[0]))
    count = max(int(np.ceil(np.degrees(turn) / ROUND_DEG)), 1)
    angle = (np.arange(count) + 0.5) * turn / count
    c, s = np.cos(angle), np.sin(angle)
    ways = np.column_stack([c * n0[0] - s * n0[1], s * n0[0] + c * n0[1]])
    return corner + ways * (width / np.cos(0.5 * turn / count))


def _corner(
    corner: Array, t0: Array, t1: Array, w0: float, w1: float, trim: float
) -> Polygon | None:
    """What fills the outside of a convex corner between strips of widths w0 and w1."""
    if max(w0, w1) <= 0.0:
        return None
    a, b = corner + outward(t0) * w0, corner + outward(t1) * w1
    reach = trim * max(w0, w1)
    cross = t0[0] * t1[1] - t0[1] * t1[0]
    if cross < 1e-6:  # a spike that turns back on itself
        if t0 @ t1 > 0.0:
            return None
        ends = np.array([a, a + t0 * reach, b - t1 * reach, b])
    else:
        s = ((b - a)[0] * t1[1] - (b - a)[1] * t1[0]) / cross
        u = ((b - a)[0] * t0[1] - (b - a)[1] * t0[0]) / cross
        if s <= 0.0 or u >= 0.0:
            # Widths so unequal that the wider strip ends in a step down to the narrower.
            ends = np.array([a, b])
        else:
            tip = a + t0 * s
            away = float(np.linalg.norm(tip - corner))
            if away <= reach:
                ends = np.array([a, tip, b])
            else:
                d = (tip - corner) / away
                s0 = (reach - (a - corner) @ d) / (t0 @ d)
                s1 = (reach - (b - corner) @ d) / (-t1 @ d)
                ends = np.array([a, a + t0 * s0, b - t1 * s1, b])
    filler = Polygon(np.concatenate([corner[None], ends]))
    return filler if filler.is_valid and filler.area > 0.0 else None
