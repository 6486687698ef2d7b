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
SHORTEST_MM = 40.0  # shorter ones are nicks in a rim or holes
SLENDER = 4.0  # at least so many times longer than wide
BREAK_MM = 15.0  # a side may be unmatched for so long (a tear, a bridge of noise)


@dataclass(frozen=True, eq=False, kw_only=True)
class SlitSides:
    """a, b : vertices of the two sides, from the same end on; at a tip they share the vertex.

    mouths : whether each end opens into a rim
    gap, step (a,) : mm from side a across to side b, along the surface (negative: they lap) and
        out of it (positive: side b stands higher)
    length_mm : along the middle
    """

    a: Ints
    b: Ints
    mouths: tuple[bool, bool]
    gap: Array
    step: Array
    length_mm: float


def find_slits(V: Array, F: Faces, border: Border) -> list[SlitSides]:
    """The slits among the borders, longest first."""
    partner, gap, step = _match(V, F, border)
    runs = _runs(border, partner)
    found, taken = [], np.zeros(len(partner), dtype=bool)
    for run in sorted(runs, key=lambda r: -_span(border, r)):
        if taken[run].mean() > 0.3:
            continue
        slit = _sides(V, border, run, partner, gap, step)
        if slit is None:
            continue
        of = np.isin(border.vertex, np.concatenate([slit.a, slit.b]))
        if (taken & of).sum() > 0.3 * of.sum():
            continue
        taken |= of
        found.append(slit)
    return found


def _match(V: Array, F: Faces, border: Border) -> tuple[Ints, Array, Array]:
    """For each border point the nearest one across a slit (-1: none), the gap and the step."""
    n = len(border.vertex)
    partner, best = np.full(n, -1), np.full(n, np.inf)
    gap, step = np.zeros(n), np.zeros(n)
    if n == 0:
        return partner, gap, step
    pairs = KDTree(border.place).query_pairs(WIDEST_MM, output_type="ndarray")
    i, j = np.concatenate([pairs, pairs[:, ::-1]]).T
    d = border.place[j] - border.place[i]
    far = np.linalg.norm(d, axis=1)
    around = np.abs(border.arc[i] - border.arc[j])
    around = np.minimum(around, border.length[border.loop[i]] - around)
    apart = (border.loop[i] != border.loop[j]) | (around > np.maximum(2.2 * far, 12.0))
    n_i, n_j, o_i, o_j = border.normal[i], border.normal[j], border.out[i], border.out[j]
    dot = np.einsum("ij,ij->i", n_i, n_j)
    ok = apart & (dot > 0.4)
    ok &= np.einsum("ij,ij->i", border.along[i], border.along[j]) < -0.5
    ok &= np.einsum("ij,ij->i", o_i, o_j) < -0.3
    across = o_i - o_j
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-12)
    up = n_i + n_j
    up /= np.maximum(np.linalg.norm(up, axis=1, keepdims=True), 1e-12)
    g, h = np.einsum("ij,ij->i", d, across), np.einsum("ij,ij->i", d, up)
    # Sides lie square across from each other, and a step is no taller than a wrap is stiff.
    ok &= np.linalg.norm(d - g[:, None] * across - h[:, None] * up, axis=1) < 0.35 * far + 3.0
    ok &= (np.abs(h) < 12.0) & (g > -DEEPEST_LAP_MM)
    i, j, g, h, far = i[ok], j[ok], g[ok], h[ok], far[ok]
    joined = _joined(V, F, border.vertex[i], border.vertex[j], g, far)
    i, j, g, h, far = i[~joined], j[~joined], g[~joined], h[~joined], far[~joined]
    order = np.argsort(-far, kind="stable")
    i, j, g, h, far = i[order], j[order], g[order], h[order], far[order]
    partner[i], best[i], gap[i], step[i] = j, far, g, h
    return partner, gap, step


def _joined(V: Array, F: Faces, a: Ints, b: Ints, gap: Array, far: Array) -> NDArray[np.bool_]:
    """Pairs that look like a lap but are the two rims of a strap: the surface joins them."""
    joined = np.zeros(len(a), dtype=bool)
    laps = np.flatnonzero(gap < -1.5)
    if not len(laps):
        return joined
    ends = np.unique(np.concatenate([a[laps], b[laps]]))
    reach = 2.2 * DEEPEST_LAP_MM
    close = KDTree(V[ends]).query(V, distance_upper_bound=reach)[0] < np.inf
    T = F[close[F].all(axis=1)].astype(np.int64)
    used, T = np.unique(T, return_inverse=True)
    T = T.reshape(-1, 3)
    e = np.concatenate([T[:, [0, 1]], T[:, [1, 2]], T[:, [2, 0]]])
    size = np.linalg.norm(V[used[e[:, 0]]] - V[used[e[:, 1]]], axis=1)
    graph = coo_matrix((size, (e[:, 0], e[:, 1])), shape=(len(used),) * 2).tocsr()
    graph = graph.maximum(graph.T)
    place = np.full(len(V), -1)
    place[used] = np.arange(len(used))
    for start in np.unique(a[laps]):
        mine = laps[a[laps] == start]
        if place[start] < 0:
            continue
        limit = 1.6 * float(far[mine].max()) + 6.0
        dist = dijkstra(graph, indices=place[start], limit=limit, directed=False)
        end = place[b[mine]]
        joined[mine] = (end >= 0) & (dist[end] < 1.6 * far[mine] + 6.0)
    return joined


def _runs(border: Border, partner: Ints) -> list[Ints]:
    """Stretches of border whose partners run steadily the other way."""
    runs: list[Ints] = []
    for loop in range(len(border.length)):
        members = border.members(loop)
        good = members[partner[members] >= 0]
        if len(good) < 4:
            continue
        total = border.length[loop]
        ahead = np.diff(border.arc[good], append=border.arc[good[0]] + total)
        to = partner[good]
        nxt = np.roll(to, -1)
        back = _signed(border.arc[to] - border.arc[nxt], border.length[border.loop[to]])
        joins = (ahead < BREAK_MM) & (border.loop[to] == border.loop[nxt])
        joins &= (back > -BREAK_MM) & (back < BREAK_MM + 4 * ahead)
        # At a tip a run would turn and follow the other side back: its partners change from just
        # ahead of it to just behind.
        lead = np.where(border.loop[to] == loop, (border.arc[to] - border.arc[good]) % total, 0.0)
        joins &= np.abs(np.roll(lead, -1) - lead) < total / 2
        cuts = np.flatnonzero(~joins)
        if not len(cuts):
            cuts = np.array([len(good) - 1])
        order = np.roll(np.arange(len(good)), -(int(cuts[0]) + 1))
        splits = np.flatnonzero(~joins[order])[:-1] + 1 if len(cuts) > 1 else []
        runs += [good[part] for part in np.split(order, splits) if len(part) >= 4]
    return runs


def _span(border: Border, run: Ints) -> float:
    total = border.length[border.loop[run[0]]]
    return float((border.arc[run[-1]] - border.arc[run[0]]) % total)


def _between(border: Border, start: int, end: int) -> Ints:
    """Border indices from `start` on to `end`, both included, in the loop's direction."""
    members = border.members(int(border.loop[start]))
    i, j, k = start - members[0], end - members[0], len(members)
    return members[np.arange(i, i + (j - i) % k + 1) % k]


def _sides(
    V: Array, border: Border, run: Ints, partner: Ints, gap: Array, step: Array
) -> SlitSides | None:
    """The full sides of the slit that a run of matches belongs to; None if it is not one."""
    a0, a1 = int(run[0]), int(run[-1])
    # Partners may jump back and forth by a tooth of the border: take the farthest of a few.
    b0 = _extreme(border, partner[run[:5]], ahead=True)
    b1 = _extreme(border, partner[run[-5:]], ahead=False)
    same = border.loop[a0] == border.loop[b0]
    width = float(np.median(np.hypot(gap[run], step[run])))
    tip0 = tip1 = False
    if same:
        reach = 3.0 * width + 30.0
        tip1 = _ahead(border, a1, b1) < reach
        tip0 = _ahead(border, b0, a0) < reach
        if tip1:
            a1 = b1 = _tip(border, a1, b1)
        if tip0:
            a0 = b0 = _tip(border, b0, a0)
    if not tip1:
        a1, b1 = _corner(border, a1, True), _corner(border, b1, False)
    if not tip0:
        a0, b0 = _corner(border, a0, False), _corner(border, b0, True)
    a, b = _between(border, a0, a1), _between(border, b1, b0)[::-1]
    if same and len(np.intersect1d(a[1:-1], b[1:-1])):
        return None
    length = float(np.linalg.norm(np.diff(border.place[a], axis=0), axis=1).sum())
    widest = float(np.quantile(np.abs(gap[run]), 0.9))
    if length < SHORTEST_MM or length < SLENDER * widest:
        return None
    known = np.isin(a, run)
    arc = np.cumsum(
        np.linalg.norm(np.diff(border.place[a], axis=0, prepend=border.place[a[:1]]), axis=1)
    )
    return SlitSides(
        a=border.vertex[a],
        b=border.vertex[b],
        mouths=(not tip0, not tip1),
        gap=np.interp(arc, arc[known], gap[a[known]]),
        step=np.interp(arc, arc[known], step[a[known]]),
        length_mm=length,
    )


def _ahead(border: Border, start: int, end: int) -> float:
    return float((border.arc[end] - border.arc[start]) % border.length[border.loop[start]])


def _extreme(border: Border, several: Ints, ahead: bool) -> int:
    """Of a few neighbouring border points the one farthest ahead (or back) on the loop."""
    total = border.length[border.loop[several[0]]]
    off = _signed(border.arc[several] - border.arc[several[0]], total)
    return int(several[off.argmax() if ahead else off.argmin()])


def _tip(border: Border, start: int, end: int) -> int:
    """The point between two facing points at which the slit ends: the farthest beyond them."""
    between = _between(border, start, end)
    beyond = border.along[start] - border.along[end]
    return int(between[(border.place[between] @ beyond).argmax()])


def _corner(border: Border, at: int, ahead: bool) -> int:
    """The corner where a side ends and the rim begins, within 15 mm of the last match `at`."""
    members = border.members(int(border.loop[at]))
    k, i = len(members), int(at - members[0])
    sign = 1 if ahead else -1
    length = float(border.length[border.loop[at]])
    # Close to the corner the smoothed curve turns already: the side's direction is taken inside.
    back = members[(i - sign * np.arange(k // 4)) % k]
    inside = int(
        back[
            np.searchsorted(sign * _signed(border.arc[at] - border.arc[back], length), 12.0)
            % len(back)
        ]
    )
    steps = members[(int(inside - members[0]) + sign * np.arange(k // 3)) % k]
    on = steps[sign * _signed(border.arc[steps] - border.arc[inside], length) < 27.0]
    d = border.place[on] - border.place[inside]
    forward = d @ (sign * border.along[inside])
    aside = -(d @ border.out[inside])
    return int(on[(forward - 1.5 * np.maximum(aside, 0.0)).argmax()])


def _signed(arc: Array, length: Array | float) -> Array:
    """Arc differences on a loop, the short way round."""
    return (arc + length / 2) % length - length / 2
