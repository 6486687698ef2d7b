"""Finds the two sides of every slit among the borders of a scan.

A slit is two stretches of border that run against each other, close together, with the surface
carrying on from one to the other: over a gap, over a step, or one lying on the other (a lap). It
ends in a mouth, where the sides part into a rim, or in a tip, where they meet.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import KDTree

from flatten.geometry.triangles import Array, Faces
from flatten.scan.borders import Border

Ints = NDArray[np.int64]

WIDEST_MM = 45.0  # a wrap springs open by a few millimetres, at the worst by a few centimetres
DEEPEST_LAP_MM = 35.0
TALLEST_STEP_MM = 12.0
SHORTEST_MM = 40.0  # shorter ones are nicks in a rim or holes
SLENDER = 5.0  # at least so many times longer than wide
BREAK_MM = 60.0  # two stretches so close, on both sides, are one slit (a tear, a bridge of noise)


@dataclass(frozen=True, eq=False, kw_only=True)
class Side:
    """One side of a slit: mesh vertices in order from end to end, and the smoothed border there.

    share (k,) : how far along the slit each lies, 0 to 1, equal for vertices that face each other
    place, out, normal (k, 3) : at each vertex, see Border
    """

    vertices: Ints
    share: Array
    place: Array
    out: Array
    normal: Array


@dataclass(frozen=True, eq=False, kw_only=True)
class SlitSides:
    """a, b : the two sides from the same end on; a runs along its border with the surface on its
        left, b against it; at a tip they share the vertex
    mouths : whether each end opens into a rim
    gap, step (k,) : mm from each vertex of side a across to side b, along the surface (negative:
        they lap) and out of it (positive: side b stands higher)
    """

    a: Side
    b: Side
    mouths: tuple[bool, bool]
    gap: Array
    step: Array
    length_mm: float


def find_slits(V: Array, F: Faces, border: Border) -> list[SlitSides]:
    """The slits among the borders, longest first; no two share a stretch of border."""
    partner, gap, step = _match(V, F, border)
    found: list[SlitSides] = []
    free = np.ones(len(partner), dtype=bool)
    for run in sorted(_runs(border, partner), key=lambda r: -border.ahead(r[0], r[-1])):
        ends = _ends(border, run, partner, float(np.median(np.hypot(gap[run], step[run]))))
        a0, a1, b0, b1, tips = ends
        a, b = _between(border, a0, a1), _between(border, b1, b0)[::-1]
        if not (free[a].all() and free[b].all()) or len(np.intersect1d(a[3:-3], b[3:-3])):
            continue
        length = border.ahead(a0, a1)
        widest = float(np.quantile(np.abs(gap[run]), 0.9))
        if length < SHORTEST_MM or length < SLENDER * widest:
            continue
        # Where a border winds about, the ends found may leave no pair between them.
        if not (np.isin(run, a) & np.isin(partner[run], b)).any():
            continue
        free[a] = free[b] = False
        found.append(_slit(border, a, b, run, tips, gap, step, partner))
    return found


def _match(V: Array, F: Faces, border: Border) -> tuple[Ints, Array, Array]:
    """For each sample the nearest one across a slit (-1: none), the gap and the step."""
    n = len(border.arc)
    partner, gap, step = np.full(n, -1), np.zeros(n), np.zeros(n)
    if n == 0:
        return partner, gap, step
    pairs = KDTree(border.place).query_pairs(WIDEST_MM, output_type="ndarray")
    pairs = pairs[
        np.einsum("ij,ij->i", border.along[pairs[:, 0]], border.along[pairs[:, 1]]) < -0.5
    ]
    i, j = np.concatenate([pairs, pairs[:, ::-1]]).T
    d = border.place[j] - border.place[i]
    far = np.linalg.norm(d, axis=1)
    length = np.array([loop.length for loop in border.loops])[border.loop[i]]
    around = np.abs(border.arc[i] - border.arc[j])
    around = np.minimum(around, length - around)
    n_i, n_j, o_i, o_j = border.normal[i], border.normal[j], border.out[i], border.out[j]
    ok = (border.loop[i] != border.loop[j]) | (around > np.maximum(2.2 * far, 12.0))
    ok &= np.einsum("ij,ij->i", n_i, n_j) > 0.4
    ok &= np.einsum("ij,ij->i", o_i, o_j) < -0.3
    across, up = _unit(o_i - o_j), _unit(n_i + n_j)
    g, h = np.einsum("ij,ij->i", d, across), np.einsum("ij,ij->i", d, up)
    # Sides lie square across from each other, and a step is no taller than a wrap is stiff.
    ok &= np.linalg.norm(d - g[:, None] * across - h[:, None] * up, axis=1) < 0.35 * far + 3.0
    ok &= (np.abs(h) < TALLEST_STEP_MM) & (g > -DEEPEST_LAP_MM)
    i, j, g, h, far = i[ok], j[ok], g[ok], h[ok], far[ok]
    # The nearest of all: in the order of falling distance the last one written stays.
    order = np.argsort(-far, kind="stable")
    partner[i[order]], gap[i[order]], step[i[order]] = j[order], g[order], h[order]
    strap = _straps(V, F, border, partner, gap, step)
    partner[strap] = -1
    return partner, gap, step


def _straps(
    V: Array, F: Faces, border: Border, partner: Ints, gap: Array, step: Array
) -> NDArray[np.bool_]:
    """Samples whose pair looks like a lap but is the two rims of a strap: the surface joins them."""
    strap = np.zeros(len(partner), dtype=bool)
    laps = np.flatnonzero((partner >= 0) & (gap < -1.5))
    if not len(laps):
        return strap
    ends = np.array(
        [
            [loop.vertices[loop.vertex_at(s)] for loop, s in ((border.of(k), k) for k in pair)]
            for pair in zip(laps.tolist(), partner[laps].tolist(), strict=True)
        ]
    )
    reach = 2.0 * DEEPEST_LAP_MM
    low, high = V[ends].min(axis=(0, 1)) - reach, V[ends].max(axis=(0, 1)) + reach
    close = ((low <= V) & (high >= V)).all(axis=1)
    T = F[close[F].all(axis=1)].astype(np.int64)
    used = np.unique(np.concatenate([T.ravel(), ends.ravel()]))
    place = np.full(len(V), -1)
    place[used] = np.arange(len(used))
    e = place[np.concatenate([T[:, [0, 1]], T[:, [1, 2]], T[:, [2, 0]]])]
    size = np.linalg.norm(V[used[e[:, 0]]] - V[used[e[:, 1]]], axis=1)
    graph = coo_matrix((size, (e[:, 0], e[:, 1])), shape=(len(used),) * 2).tocsr()
    graph = graph.maximum(graph.T)
    far = np.hypot(gap[laps], step[laps])
    # Every few samples are enough, and neighbours share the verdict.
    for k in range(0, len(laps), 4):
        limit = 1.6 * float(far[k]) + 8.0
        dist = dijkstra(graph, indices=place[ends[k, 0]], limit=limit, directed=False)
        strap[laps[k : k + 4]] = np.isfinite(dist[place[ends[k, 1]]])
    return strap


def _runs(border: Border, partner: Ints) -> list[Ints]:
    """Stretches of border whose partners run steadily the other way; each slit comes up twice."""
    runs: list[Ints] = []
    for k, loop in enumerate(border.loops):
        members = np.arange(loop.first, loop.first + loop.count)
        good = members[partner[members] >= 0]
        if len(good) < 6:
            continue
        to = partner[good]
        nxt = np.roll(to, -1)
        lengths = np.array([x.length for x in border.loops])
        ahead = (np.roll(border.arc[good], -1) - border.arc[good]) % loop.length
        back = _signed(border.arc[to] - border.arc[nxt], lengths[border.loop[to]])
        joins = (ahead < BREAK_MM) & (border.loop[to] == border.loop[nxt])
        joins &= (back > -12.0) & (back < BREAK_MM)
        # At a tip a run would turn and follow the other side back: its partners change from just
        # ahead of it to just behind.
        lead = np.where(border.loop[to] == k, (border.arc[to] - border.arc[good]) % loop.length, 0)
        joins &= np.abs(np.roll(lead, -1) - lead) < loop.length / 2
        cuts = np.flatnonzero(~joins)
        start = int(cuts[0]) + 1 if len(cuts) else 0
        order = np.roll(np.arange(len(good)), -start)
        parts = np.split(order, np.flatnonzero(~joins[order])[:-1] + 1)
        runs += [good[part] for part in parts if len(part) >= 6]
    return runs


def _ends(
    border: Border, run: Ints, partner: Ints, width: float
) -> tuple[int, int, int, int, tuple[bool, bool]]:
    """First and last sample of side a, those of side b, and which ends are tips."""
    a0, a1 = int(run[0]), int(run[-1])
    # Partners jump back and forth a little: take the farthest of a few.
    b0 = _extreme(border, partner[run[:5]], ahead=True)
    b1 = _extreme(border, partner[run[-5:]], ahead=False)
    tips = [False, False]
    if border.loop[a0] == border.loop[b0]:
        reach = 3.0 * width + 30.0
        tips = [border.ahead(b0, a0) < reach, border.ahead(a1, b1) < reach]
    if tips[0]:
        a0 = b0 = _tip(border, b0, a0)
    else:
        a0, b0 = _corner(border, a0, -1), _corner(border, b0, 1)
    if tips[1]:
        a1 = b1 = _tip(border, a1, b1)
    else:
        a1, b1 = _corner(border, a1, 1), _corner(border, b1, -1)
    return a0, a1, b0, b1, (tips[0], tips[1])


def _between(border: Border, start: int, end: int) -> Ints:
    """Samples from `start` on to `end`, both included, in the loop's direction."""
    loop = border.of(start)
    i = start - loop.first
    return loop.first + (i + np.arange((end - start) % loop.count + 1)) % loop.count


def _extreme(border: Border, several: Ints, ahead: bool) -> int:
    """Of a few neighbouring samples the one farthest ahead (or back) on the loop."""
    off = _signed(border.arc[several] - border.arc[several[0]], border.of(several[0]).length)
    return int(several[off.argmax() if ahead else off.argmin()])


def _tip(border: Border, start: int, end: int) -> int:
    """The sample between two facing ones at which the slit ends: the farthest beyond them."""
    between = _between(border, start, end)
    beyond = border.along[start] - border.along[end]
    return int(between[(border.place[between] @ beyond).argmax()])


def _corner(border: Border, at: int, sign: int) -> int:
    """The corner where a side ends and the rim begins, within 15 mm on from the last match `at`."""
    loop = border.of(at)
    # Close to the corner the smoothed curve turns already: the side's direction is taken inside.
    per_mm = loop.count / loop.length
    inside = border.shift(at, -sign * round(12 * per_mm))
    count = min(round(27 * per_mm), loop.count // 3)
    on = np.array([border.shift(inside, sign * k) for k in range(count + 1)])
    d = border.place[on] - border.place[inside]
    forward = d @ (sign * border.along[inside])
    aside = -(d @ border.out[inside])
    return int(on[(forward - 1.5 * np.maximum(aside, 0.0)).argmax()])


def _slit(
    border: Border, a: Ints, b: Ints, run: Ints, tips: tuple[bool, bool], gap: Array, step: Array,
    partner: Ints,
) -> SlitSides:  # fmt: skip
    """a, b : all samples of the two sides, from the same end on."""
    count = len(border.arc)
    place_a, place_b = np.full(count, -1), np.full(count, -1)
    place_a[a], place_b[b] = np.arange(len(a)), np.arange(len(b))
    at, to = place_a[run], place_b[partner[run]]
    both = (at >= 0) & (to >= 0)
    at, to = at[both], to[both]
    at, first = np.unique(at, return_index=True)
    to = to[first]
    # Side b's samples by where their partners lie on side a: it must not run back.
    ahead = np.maximum.accumulate(np.clip(to, 0, len(b) - 1)) + 1e-6 * np.arange(len(to))
    knots_b = np.concatenate([[-1.0], ahead, [max(len(b), ahead[-1] + 1.0)]])
    knots_a = np.concatenate([[-1.0], at, [len(a)]])
    side_a, near_a = _side(border, int(a[0]), int(a[-1]))
    side_b, near_b = _side(border, int(b[-1]), int(b[0]))
    on_a = place_a[near_a]
    on_b = np.interp(place_b[near_b[::-1]], knots_b, knots_a)
    # Where a side has no match (a tear), gap and step run evenly from one match to the next.
    return SlitSides(
        a=Side(share=_risen(on_a, len(a)), **side_a),
        b=Side(share=_risen(on_b, len(a)), **{k: v[::-1] for k, v in side_b.items()}),
        mouths=(not tips[0], not tips[1]),
        gap=np.interp(on_a, at, gap[a[at]]),
        step=np.interp(on_a, at, step[a[at]]),
        length_mm=border.ahead(int(a[0]), int(a[-1])),
    )


def _risen(place: NDArray, count: int) -> Array:
    """Places along a slit of `count` samples as shares that never fall, from 0 to 1."""
    share = np.maximum.accumulate(np.clip(place / max(count - 1, 1), 0.0, 1.0))
    share[0], share[-1] = 0.0, 1.0
    return share


def _side(border: Border, start: int, end: int) -> tuple[dict[str, NDArray], Ints]:
    """The mesh vertices from one sample on to another, and the sample nearest to each."""
    loop = border.of(start)
    i, j = loop.vertex_at(start), loop.vertex_at(end)
    k = len(loop.vertices)
    on = (i + np.arange((j - i) % k + 1)) % k
    near = loop.sample_near(on)
    # A vertex beside the first or last sample may lie nearest to the one outside.
    count = loop.count
    along = (near - start) % count
    over = along > (end - start) % count
    near[over & (along > count - 3)] = start
    near[over & (along <= count - 3)] = end
    return {
        "vertices": loop.vertices[on],
        "place": border.place[near],
        "out": border.out[near],
        "normal": border.normal[near],
    }, near


def _signed(arc: Array, length: Array | float) -> Array:
    """Arc differences on a loop, the short way round."""
    return (arc + length / 2) % length - length / 2


def _unit(x: Array) -> Array:
    return x / np.maximum(np.linalg.norm(x, axis=1, keepdims=True), 1e-12)
