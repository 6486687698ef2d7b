"""Detail and score lines carried onto the panels as surface points."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.geometry.surface_points import face_tree
from flatten.panels.carve import CarvedCast
from flatten.panels.opening import Piece
from flatten.records.lines import LineNetwork
from flatten.records.panels import PanelMark

# A detail farther from what is left of the cast lay on a part that was trimmed off.
GONE_MM = 2.0
# Two lines cross where they pass each other within this distance; shorter bits are left out.
CROSSING_MM = 1.0
SHORTEST_MM = 0.1

Stroke = tuple[NDArray[np.float64], bool]


def place_marks(
    network: LineNetwork, carved: CarvedCast, pieces: Sequence[Piece]
) -> list[tuple[PanelMark, ...]]:
    """The marks of every piece, in the order of the network's lines.

    A line is split where it crosses a cut, and stays closed where it crosses none; what lay on a
    trimmed part is left out.
    """
    marks: list[list[PanelMark]] = [[] for _ in pieces]
    lines = [line for line in network.lines if line.kind in ("detail", "score")]
    if not lines:
        return [tuple(m) for m in marks]
    owner = np.empty(len(carved.F), dtype=np.int64)
    for k, piece in enumerate(pieces):
        owner[piece.faces] = k
    whole = face_tree(carved.V, carved.F)
    trees = {}
    for line in lines:
        for points, closed in _split(_strokes(network, line.name), carved):
            step = np.linalg.norm(np.diff(points, axis=0), axis=1)
            face, _, gap = whole.nearest(0.5 * (points[1:] + points[:-1]))
            here = gap < GONE_MM
            if step.sum() < SHORTEST_MM or step[here].sum() <= 0.5 * step.sum():
                continue
            k = int(np.bincount(owner[face[here]], step[here], minlength=len(pieces)).argmax())
            if k not in trees:
                trees[k] = face_tree(carved.V[pieces[k].cast_vertex], pieces[k].F)
            at, bary, _ = trees[k].nearest(points[:-1] if closed else points)
            mark = PanelMark(
                line=line.name,
                kind=line.kind,
                face=at,
                bary=bary,
                closed=closed,
                no_stretch=line.no_stretch,
            )
            marks[k].append(mark)
    return [tuple(m) for m in marks]


def _strokes(network: LineNetwork, line: str) -> list[Stroke]:
    """The line's arcs joined end to end; a closed stroke repeats its first point."""
    runs: list[list[NDArray[np.float64]]] = []
    for path in sorted((p for p in network.paths if p.line == line), key=lambda p: p.stretch):
        points = np.concatenate([path.points, path.points[:1]]) if path.closed else path.points
        if runs and np.linalg.norm(runs[-1][-1][-1] - points[0]) < SHORTEST_MM:
            runs[-1].append(points[1:])
        else:
            runs.append([points])
    strokes = []
    for run in runs:
        points = np.concatenate(run)
        closed = len(points) > 3 and bool(np.linalg.norm(points[0] - points[-1]) < SHORTEST_MM)
        strokes.append((points, closed))
    return strokes


def _split(strokes: Sequence[Stroke], carved: CarvedCast) -> list[Stroke]:
    """The strokes cut apart where they cross the carved cast's cuts."""
    cuts = [arc.vertices for arc in carved.arcs if arc.line >= 0]
    if not cuts:
        return list(strokes)
    start = np.concatenate([v[:-1] for v in cuts])
    end = np.concatenate([v[1:] for v in cuts])
    result: list[Stroke] = []
    for points, closed in strokes:
        places = _crossings(points, carved, start, end)
        if len(places) == 0:
            result.append((points, closed))
            continue
        step = np.linalg.norm(np.diff(points, axis=0), axis=1)
        s = np.concatenate([[0.0], np.cumsum(step)])
        inner = places[(places > SHORTEST_MM) & (places < s[-1] - SHORTEST_MM)]
        pieces = [_between(points, s, a, b) for a, b in pairwise([s[0], *inner, s[-1]])]
        # A closed line that does not happen to begin at a cut goes on over its start.
        if closed and len(inner) == len(places):
            pieces[0] = np.concatenate([pieces.pop()[:-1], pieces[0]])
        result += [(piece, False) for piece in pieces]
    return result


def _between(
    points: NDArray[np.float64], s: NDArray[np.float64], a: float, b: float
) -> NDArray[np.float64]:
    """The part of a polyline from length a to length b."""
    inner = points[(s > a) & (s < b)]
    ends = np.array([[np.interp(x, s, points[:, k]) for k in range(3)] for x in (a, b)])
    return np.concatenate([ends[:1], inner, ends[1:]])


def _crossings(
    points: NDArray[np.float64],
    carved: CarvedCast,
    start: NDArray[np.int64],
    end: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Lengths along a polyline at which it crosses the cut edges start -> end, in order."""
    a, b = points[:-1], points[1:]
    c, d = carved.V[start], carved.V[end]
    step = np.linalg.norm(b - a, axis=1)
    reach = 0.5 * (step.max() + np.linalg.norm(d - c, axis=1).max()) + CROSSING_MM
    near = KDTree(0.5 * (c + d)).query_ball_point(0.5 * (a + b), reach)
    i = np.repeat(np.arange(len(a)), [len(x) for x in near])
    e = np.concatenate([np.asarray(x, dtype=np.int64) for x in near])
    if len(e) == 0:
        return np.zeros(0)
    # Both segments seen along the surface normal at the edge.
    n = carved.N[start[e]] + carved.N[end[e]]
    u, w, r = b[i] - a[i], d[e] - c[e], c[e] - a[i]
    across = np.einsum("ij,ij->i", np.cross(u, w), n)
    safe = np.where(across == 0.0, 1.0, across)
    t = np.einsum("ij,ij->i", np.cross(r, w), n) / safe
    x = np.einsum("ij,ij->i", np.cross(r, u), n) / safe
    gap = np.linalg.norm(r + x[:, None] * w - t[:, None] * u, axis=1)
    tiny = 1e-9
    meet = (across != 0.0) & (gap < CROSSING_MM)
    meet &= (t >= -tiny) & (t <= 1 + tiny) & (x >= -tiny) & (x <= 1 + tiny)
    s = np.concatenate([[0.0], np.cumsum(step)])
    places = np.sort(s[i[meet]] + np.clip(t[meet], 0.0, 1.0) * step[i[meet]])
    return places[np.diff(places, prepend=-np.inf) > SHORTEST_MM]
