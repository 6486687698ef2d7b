"""Brings the ends of lines to the rim or the line they aim at, and cuts off what runs past it."""

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.geometry.curves import arc_length
from flatten.ink.fit import STEP_MM
from flatten.ink.join import GAP_MM, LOOP_MM, SHORT_MM
from flatten.ink.paths import END_FIT_MM, Path, Points, outward

RIM_MM = 20.0
DETAIL_MM = 6.0  # what is no seam may end anywhere: led on over no more than a soft end
CURL = 6  # points
OVERSHOOT_MM = 9.0
FAR_OVERSHOOT_MM = 16.0  # of a seam that meets nothing beyond
EDGE_MM = 32.0  # skin or cloth may show beyond the tape: a long seam is led on over it
LONG_MM = 120.0
MEET_MM = 6.0  # two ends on one line so near each other are one crossing
OWN_MM = 45.0  # a line ends on itself only this far along from that end


def reach_ends(paths: list[Path], rims: list[Points], seams: set[int]) -> None:
    """Ends every open path on what it aims at: a seam within 16 mm of a line or 20 mm of a rim,
    anything else within a few.

    rims : points (k, 3) along each rim, about a millimetre apart; seams : the inks that seams are
    drawn in. Changes the paths.
    """
    rim = KDTree(np.concatenate(rims)) if rims else None
    for turn in (0, 1):
        filled = [p.filled() for p in paths]
        if not filled:
            return
        owner = np.repeat(np.arange(len(paths)), [len(q) for q in filled])
        place = np.concatenate(filled)
        tree = KDTree(place)
        for i, p in enumerate(paths):
            for e in (0, 1):
                if p.closed or p.ends[e] != "open" or len(p.points) < 3:
                    continue
                seam = p.ink in seams and not p.dashed
                far = RIM_MM if seam else DETAIL_MM
                to_rim = _rim_ahead(rim, p.tip(e), outward(p.points, e), far) is not None
                if turn == 0 and not to_rim:
                    past = OVERSHOOT_MM
                    if (
                        seam
                        and _line_ahead(
                            paths, tree, owner, place, p.tip(e), outward(p.points, e), i, e, GAP_MM
                        )
                        is None
                    ):
                        past = FAR_OVERSHOOT_MM
                    if _cut_overshoot(paths, tree, owner, place, i, e, past):
                        continue
                _lead(paths, tree, owner, place, rim, i, e, seam)
    for p in paths:
        _close_up(p)


def _close_up(p: Path) -> None:
    """Closes a line whose two ends were led to one place, from opposite sides."""
    if p.closed or p.length < LOOP_MM or "rim" in p.ends:
        return
    apart = float(np.linalg.norm(p.tip(1) - p.tip(0)))
    if apart > MEET_MM or outward(p.points, 0) @ outward(p.points, 1) > -0.5:
        return
    p.points = np.vstack([0.5 * (p.tip(0) + p.tip(1)), p.points[1:-1]])
    p.normals = p.normals[:-1]
    p.closed = True


def _lead(
    paths, tree: KDTree, owner, place, rim: KDTree | None, i: int, e: int, seam: bool
) -> None:
    """Leads one end on to the nearer of the line and the rim ahead of it."""
    p = paths[i]
    at, way = p.tip(e), outward(p.points, e)
    # A letter beside a line aims at nothing.
    most = GAP_MM if p.length > SHORT_MM else max(4.0, 0.25 * p.length)
    far = RIM_MM if p.length > 25.0 else 8.0
    if not seam:
        most, far = min(most, DETAIL_MM), min(far, DETAIL_MM)
    line = _line_ahead(paths, tree, owner, place, at, way, i, e, most)
    edge = _rim_ahead(rim, at, way, far)
    if seam and edge is None and line is None and p.length > LONG_MM:
        edge = _rim_ahead(rim, at, outward(p.points, e, 2.0 * END_FIT_MM), EDGE_MM)
    if seam and edge is None and line is None and p.length > SHORT_MM:
        # Along a ragged rim the last bit of a track may turn aside.
        q = p.points[:-CURL] if e else p.points[CURL:]
        edge = _rim_ahead(rim, q[-1 if e else 0], outward(q, e), RIM_MM)
        if edge is not None:
            n = p.normals[:-CURL] if e else p.normals[CURL:]
            p.points, p.normals = q, n
    if edge is not None and (line is None or edge[0] < line[0]):
        _end_at(p, e, edge[1])
        p.ends[e] = "rim"
    elif line is not None:
        _end_at(p, e, line[1])
        p.ends[e], p.aims[e] = "line", line[2]


def _line_ahead(paths, tree, owner, place, at, way, i, e, most):
    """(cost, point, path) of the best place on a line ahead of an end, or None."""
    near = np.array(tree.query_ball_point(at, most), dtype=np.int64)
    if len(near) == 0:
        return None
    v = place[near] - at
    ahead = v @ way
    aside = np.linalg.norm(v - ahead[:, None] * way, axis=1)
    ok = (ahead > -2.5) & (aside < np.maximum(1.2, 0.55 * ahead))
    own = owner[near] == i
    if own.any():
        # Points of the filled path, in order: how far along from this end each lies.
        first = int(np.searchsorted(owner, i))
        count = int(np.searchsorted(owner, i, side="right")) - first
        along = (near - first) * (paths[i].length / max(count - 1, 1))
        along = paths[i].length - along if e else along
        ok &= ~own | (along > OWN_MM)
    if not ok.any():
        return None
    cost = np.where(ok, np.maximum(ahead, 0.0) + 2.0 * aside, np.inf)
    k = int(cost.argmin())
    return float(cost[k]), place[near[k]], int(owner[near[k]])


def _rim_ahead(tree: KDTree | None, at, way, most) -> tuple[float, Points] | None:
    if tree is None:
        return None
    near = np.array(tree.query_ball_point(at, most), dtype=np.int64)
    if len(near) == 0:
        return None
    v = tree.data[near] - at
    ahead = v @ way
    aside = np.linalg.norm(v - ahead[:, None] * way, axis=1)
    ok = (ahead > -4.0) & (aside < np.maximum(4.0, ahead))
    if not ok.any():
        return None
    cost = np.where(ok, np.maximum(ahead, 0.0) + 2.0 * aside, np.inf)
    k = int(cost.argmin())
    return float(cost[k]), np.asarray(tree.data[near[k]])


def _end_at(p: Path, e: int, to: NDArray[np.float64]) -> None:
    """Ends the path at `to`, without the points that lie beyond it or too near."""
    q, n = (p.points, p.normals) if e else (p.points[::-1], p.normals[::-1])
    way = outward(p.points, e)
    keep = len(q)
    while keep > 2 and (q[keep - 1] - to) @ way > -0.4:
        keep -= 1
    q, n = np.vstack([q[:keep], to]), np.vstack([n[:keep], n[-1:]])
    p.points, p.normals = (q, n) if e else (q[::-1], n[::-1])


def _cut_overshoot(paths, tree, owner, place, i: int, e: int, past: float) -> bool:
    """Ends the path on the line that it crosses at most `past` mm before its end."""
    p = paths[i]
    q, n = (p.points[::-1], p.normals[::-1]) if e else (p.points, p.normals)
    s = arc_length(q)
    if s[-1] < 30.0:
        return False
    best = None
    for k in np.flatnonzero(s < past)[1:]:
        for m in tree.query_ball_point(q[k], 0.5 * STEP_MM + 0.6):
            j = int(owner[m])
            if j == i or paths[j].length < max(30.0, 0.3 * p.length):
                continue
            d = float(np.linalg.norm(place[m] - q[k]))
            if best is None or d < best[0]:
                best = (d, int(k), j, place[m])
    if best is None:
        return False
    _, k, j, at = best
    q, n = np.vstack([at, q[k + 1 :]]), np.vstack([n[k : k + 1], n[k + 1 :]])
    p.points, p.normals = (q[::-1], n[::-1]) if e else (q, n)
    p.ends[e], p.aims[e] = "line", j
    return True
