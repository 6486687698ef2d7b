"""Strokes become lines: gaps bridged, corners closed, ends brought to the line or rim they aim at."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.ink.fit import STEP_MM, Stroke, path_length

GAP_MM = (
    16.0  # bridged along the line; a little over the 15 mm asked, as ends are a pen's width soft
)
FAR_GAP_MM = 35.0  # offered, not bridged
CORNER_MM = 9.0
AIM_DEG = 32.0
RIM_MM = 20.0
SHORT_MM = 45.0  # strokes shorter than this are joined over a third of their length at most
END_FIT_MM = 12.0
OVERSHOOT_MM = 9.0


@dataclass(eq=False)
class Path:
    """A line in the making, mm in the working frame.

    pieces : lengths of ink and gap in turn, starting and ending with ink
    ends : what each end reaches: "open", "rim" or "line"; meets : the paths met there
    """

    points: NDArray[np.float64]
    normals: NDArray[np.float64]
    closed: bool
    ink: int
    width: float
    contrast: NDArray[np.float64]
    colour: NDArray[np.float64]
    pieces: list[float]
    ends: list[str] = field(default_factory=lambda: ["open", "open"])
    aims: list[int] = field(default_factory=lambda: [-1, -1])

    @property
    def length(self) -> float:
        return path_length(self.points, self.closed)


@dataclass(frozen=True, eq=False, kw_only=True)
class Gap:
    """Two ends that face each other, too far apart to be joined."""

    a: NDArray[np.float64]
    b: NDArray[np.float64]
    length: float


def outward(points: NDArray[np.float64], end: int, reach: float = END_FIT_MM):
    """Unit direction in which an open polyline leaves through end 0 or 1."""
    q = points[::-1] if end else points
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(q, axis=0), axis=1))])
    k = max(int(np.searchsorted(s, reach)), min(2, len(q) - 1))
    head = q[: k + 1]
    centre = head.mean(axis=0)
    if len(head) < 2:
        return np.zeros(3)
    axis = np.linalg.svd(head - centre, full_matrices=False)[2][0]
    return axis if axis @ (head[0] - head[-1]) > 0 else -axis


def trimmed(stroke: Stroke, ink: int) -> Path | None:
    """The stroke without bare nodes at its ends, as a path."""
    p, n = stroke.points, stroke.normals
    if not stroke.closed:
        inked = np.flatnonzero(stroke.cover > 0.5)
        if len(inked) < 2:
            return None
        p, n = p[inked[0] : inked[-1] + 1], n[inked[0] : inked[-1] + 1]
    return Path(
        points=p,
        normals=n,
        closed=stroke.closed,
        ink=ink,
        width=stroke.width,
        contrast=stroke.contrast,
        colour=stroke.colour,
        pieces=_ink_and_gaps(stroke),
    )


def _ink_and_gaps(stroke: Stroke) -> list[float]:
    """Lengths of ink and of bare places in turn along the stroke."""
    on = stroke.cover > 0.4
    first = np.flatnonzero(on)
    if len(first) == 0 or stroke.closed:
        return [stroke.length]
    on = on[first[0] : first[-1] + 1]
    cuts = np.flatnonzero(np.diff(on.astype(int)) != 0)
    runs = np.diff(np.concatenate([[-1], cuts, [len(on) - 1]]))
    return [float(r * STEP_MM) for r in runs]


def _bridge(a, da, b, db, surface: KDTree, P, step=2.0):
    """Points between two ends along a smooth curve, laid on the samples where there are any."""
    gap = float(np.linalg.norm(b - a))
    count = int(gap / step)
    if count < 1:
        return np.zeros((0, 3))
    t = (np.arange(1, count + 1) / (count + 1))[:, None]
    h00, h10 = 2 * t**3 - 3 * t**2 + 1, t**3 - 2 * t**2 + t
    h01, h11 = -2 * t**3 + 3 * t**2, t**3 - t**2
    return h00 * a + h10 * gap * da + h01 * b - h11 * gap * db


def _end_table(paths: list[Path]):
    rows = [(i, e) for i, p in enumerate(paths) if not p.closed for e in (0, 1)]
    at = np.array([paths[i].points[-1 if e else 0] for i, e in rows]).reshape(-1, 3)
    way = np.array([outward(paths[i].points, e) for i, e in rows]).reshape(-1, 3)
    return rows, at, way


def _pair_costs(paths, rows, at, way, same_ink):
    """Candidate joins (cost, end, end), and gaps too wide for one."""
    links, wide = [], []
    if len(rows) < 2:
        return links, wide
    for a, b in sorted(KDTree(at).query_pairs(FAR_GAP_MM)):
        i, j = rows[a][0], rows[b][0]
        p, q = paths[i], paths[j]
        if not same_ink(p, q):
            continue
        between = at[b] - at[a]
        gap = float(np.linalg.norm(between))
        shorter = min(p.length, q.length)
        if i == j and (p.length < 30.0 or gap > 0.3 * p.length):
            continue
        if gap > 1e-6:
            ca = float(np.clip(way[a] @ between / gap, -1, 1))
            cb = float(np.clip(-(way[b] @ between) / gap, -1, 1))
        else:
            ca = cb = 1.0
        straight = float(np.clip(-(way[a] @ way[b]), -1, 1))
        turn_a, turn_b, bend = np.degrees(np.arccos([ca, cb, straight]))
        # Close ends cannot say much about the direction of the gap between them.
        slack = np.degrees(np.arctan2(2.5, max(gap, 0.5)))
        if turn_a < AIM_DEG + slack and turn_b < AIM_DEG + slack and bend < 55.0:
            cost = gap * (1 + (turn_a**2 + turn_b**2) / 40.0**2) + 0.05 * bend
            if gap <= GAP_MM and (shorter > SHORT_MM or gap < max(6.0, 0.9 * shorter)):
                links.append((cost, a, b))
            elif gap > GAP_MM and turn_a < 20 and turn_b < 20 and shorter > SHORT_MM:
                wide.append((gap, a, b))
        elif gap < CORNER_MM and max(p.length, q.length) > 15.0:
            # Two arms of a corner: their straight continuations meet just ahead of both.
            ahead = _meeting(at[a], way[a], at[b], way[b])
            if ahead is not None and min(ahead) > -3.0 and max(ahead) < CORNER_MM:
                links.append((4.0 + gap + max(ahead), a, b))
    return links, wide


def _meeting(p, d, q, e):
    """How far along each ray the two come closest, or None where they are parallel or miss."""
    c = float(d @ e)
    det = 1 - c * c
    if det < 0.03:
        return None
    w = q - p
    s = float((w @ d) - c * (w @ e)) / det
    t = float(c * (w @ d) - (w @ e)) / det
    if np.linalg.norm(p + s * d - q - t * e) > 2.5:
        return None
    return s, t


def _onto_line(paths, tree, owner, place, p, d, i, most):
    """The nearest point on another path ahead of end p: (cost, gap, path, point) or None."""
    near = tree.query_ball_point(p, most)
    best = None
    for k in near:
        j, q = owner[k], place[k]
        if j == i and np.linalg.norm(paths[i].points - q, axis=1).argmin() != 0:
            # Its own line counts only far from the end, as in the stem of a loop.
            own = paths[i].points
            m = int(np.linalg.norm(own - q, axis=1).argmin())
            k_end = 0 if np.linalg.norm(own[0] - p) < np.linalg.norm(own[-1] - p) else len(own) - 1
            if abs(m - k_end) * STEP_MM < 3 * most:
                continue
        elif j == i:
            continue
        v = q - p
        ahead = float(v @ d)
        aside = float(np.linalg.norm(v - ahead * d))
        if ahead < -2.5 or aside > max(1.2, 0.55 * max(ahead, 0.0)):
            continue
        cost = max(ahead, 0.0) + 2.0 * aside
        if best is None or cost < best[0]:
            best = (cost, float(np.linalg.norm(v)), j, q)
    return best


def join_paths(
    paths: list[Path],
    rims: list[NDArray[np.float64]],
    same_ink,
    S_P: NDArray[np.float64],
) -> tuple[list[Path], list[Gap]]:
    """Lines from strokes. rims : points (k, 3) along each rim, close together."""
    surface = KDTree(S_P)
    rows, at, way = _end_table(paths)
    links, wide = _pair_costs(paths, rows, at, way, same_ink)
    used: dict[int, int] = {}
    for _, a, b in sorted(links):
        if a not in used and b not in used:
            used[a], used[b] = b, a
    out = _chains(paths, rows, at, way, used, surface, S_P)
    gaps = [
        Gap(a=at[a], b=at[b], length=g)
        for g, a, b in sorted(wide)
        if a not in used and b not in used
    ]
    _reach(out, rims)
    return out, gaps


def _chains(paths, rows, at, way, used, surface, S_P) -> list[Path]:
    """Follows the joins from path to path."""
    index = {row: k for k, row in enumerate(rows)}
    done: set[int] = set()
    out: list[Path] = []

    def walk(i: int, enter: int):
        """Paths from i on, entered at end `enter`, until an open end or back at the start."""
        order = []
        while True:
            order.append((i, enter))
            done.add(i)
            leave = index[(i, 1 - enter)]
            if leave not in used:
                return order, False
            j, e = rows[used[leave]]
            if j in done:
                return order, (j, e) == (order[0][0], order[0][1])
            i, enter = j, e

    starts = [(i, e) for i, e in rows if index[(i, e)] not in used] + list(rows)
    for i, p in enumerate(paths):
        if p.closed:
            out.append(p)
            done.add(i)
    for i, e in starts:
        if i in done:
            continue
        order, loop = walk(i, e)
        out.append(_merged(paths, order, loop, index, at, way, surface, S_P))
    return out


def _merged(paths, order, loop, index, at, way, surface, S_P) -> Path:
    points, normals, pieces = [], [], []
    total = sum(paths[i].length for i, _ in order)
    for m, (i, enter) in enumerate(order):
        p = paths[i]
        run = p.points if enter == 0 else p.points[::-1]
        norm = p.normals if enter == 0 else p.normals[::-1]
        ink = p.pieces if enter == 0 else p.pieces[::-1]
        points.append(run)
        normals.append(norm)
        pieces += ink
        last = m == len(order) - 1
        if last and not loop:
            continue
        j, e = order[0] if last else order[m + 1]
        a, b = index[(i, 1 - enter)], index[(j, e)]
        gap = float(np.linalg.norm(at[b] - at[a]))
        ahead = _meeting(at[a], way[a], at[b], way[b])
        bend = float(way[a] @ way[b])
        if gap < CORNER_MM + 3 and bend > -0.57 and ahead is not None:
            q = 0.5 * (at[a] + ahead[0] * way[a] + at[b] + ahead[1] * way[b])[None]
        else:
            q = _bridge(at[a], way[a], at[b], way[b], surface, S_P)
        points.append(q)
        normals.append(np.repeat(norm[-1:], len(q), axis=0))
        if not last:
            pieces.append(gap)
    first = paths[order[0][0]]
    weight = np.array([paths[i].length for i, _ in order])
    contrast = (weight[:, None] * [paths[i].contrast for i, _ in order]).sum(0) / total
    longest = paths[max(order, key=lambda o: paths[o[0]].length)[0]]
    return Path(
        points=np.concatenate(points),
        normals=np.concatenate(normals),
        closed=loop,
        ink=longest.ink,
        width=longest.width,
        contrast=contrast,
        colour=longest.colour,
        pieces=pieces if len(order) > 1 else first.pieces,
    )


def _reach(paths: list[Path], rims: list[NDArray[np.float64]]) -> None:
    """Brings ends to the rim or to the line they aim at; cuts off what runs past it."""
    rim_tree = KDTree(np.concatenate(rims)) if rims else None
    for turn in range(2):
        place = [_filled(p) for p in paths]
        owner = np.concatenate([np.full(len(q), i) for i, q in enumerate(place)])
        place = np.concatenate(place)
        tree = KDTree(place)
        for i, p in enumerate(paths):
            if p.closed:
                continue
            for e in (0, 1):
                if p.ends[e] != "open" or len(p.points) < 3:
                    continue
                if turn == 0 and _cut_overshoot(paths, tree, owner, place, i, e):
                    continue
                at, way = p.points[-1 if e else 0], outward(p.points, e)
                most = GAP_MM if p.length > SHORT_MM else max(4.0, 0.25 * p.length)
                line = _onto_line(paths, tree, owner, place, at, way, i, most)
                rim = _onto_rim(rim_tree, at, way, RIM_MM if p.length > 25.0 else 8.0)
                if rim is not None and (line is None or rim[0] < line[0]):
                    _extend(p, e, rim[1])
                    p.ends[e] = "rim"
                elif line is not None:
                    _extend(p, e, line[3])
                    p.ends[e], p.aims[e] = "line", int(line[2])


def _filled(p: Path):
    """Points of the path at most 0.5 mm apart."""
    q = np.vstack([p.points, p.points[:1]]) if p.closed else p.points
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(q, axis=0), axis=1))])
    t = np.linspace(0.0, s[-1], max(int(s[-1] / 0.5), 1) + 1)
    return np.column_stack([np.interp(t, s, q[:, k]) for k in range(3)])


def _extend(p: Path, end: int, to: NDArray[np.float64]) -> None:
    """Ends the path at `to`, dropping points that lie beyond it or too near."""
    q, n = (p.points, p.normals) if end else (p.points[::-1], p.normals[::-1])
    way = outward(p.points, end)
    keep = len(q)
    while keep > 2 and ((q[keep - 1] - to) @ way > -0.4):
        keep -= 1
    q, n = np.vstack([q[:keep], to]), np.vstack([n[:keep], n[-1:]])
    p.points, p.normals = (q, n) if end else (q[::-1], n[::-1])


def _onto_rim(tree: KDTree | None, at, way, most):
    if tree is None:
        return None
    near = np.array(tree.query_ball_point(at, most), dtype=np.int64)
    if len(near) == 0:
        return None
    v = tree.data[near] - at
    ahead = v @ way
    aside = np.linalg.norm(v - ahead[:, None] * way, axis=1)
    cost = np.maximum(ahead, 0.0) + 2.0 * aside
    ok = (ahead > -4.0) & (aside < np.maximum(4.0, ahead))
    if not ok.any():
        return None
    k = int(np.where(ok, cost, np.inf).argmin())
    return float(cost[k]), tree.data[near[k]]


def _cut_overshoot(paths, tree, owner, place, i, e) -> bool:
    """Ends the path on the line that it crosses just before its end."""
    p = paths[i]
    q = p.points[::-1] if e else p.points
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(q, axis=0), axis=1))])
    if s[-1] < 30.0:
        return False
    head = np.flatnonzero(s < OVERSHOOT_MM)
    best = None
    for k in head[1:]:
        for m in tree.query_ball_point(q[k], 1.3):
            j = owner[m]
            if j == i or paths[j].length < p.length * 0.3 or paths[j].length < 30.0:
                continue
            d = float(np.linalg.norm(place[m] - q[k]))
            if best is None or d < best[0]:
                best = (d, k, j, place[m])
    if best is None:
        return False
    _, k, j, at = best
    n = p.normals[::-1] if e else p.normals
    q, n = np.vstack([at, q[k + 1 :]]), np.vstack([n[k : k + 1], n[k + 1 :]])
    p.points, p.normals = (q[::-1], n[::-1]) if e else (q, n)
    p.ends[e], p.aims[e] = "line", int(j)
    return True
