"""Tells lines from what else a maker puts on the tape: letters, arrows, crosses, ticks, hatching."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import KDTree

from flatten.ink.join import Path, outward

TOUCH_MM = 3.0
LETTER_MM = 45.0  # letters are written smaller than this
LINE_MM = 70.0  # a line by itself is longer than this
TICK_MM = 32.0
LOOP_MM = 75.0  # the shortest closed line that is taken for a shape
WORD_MM = 22.0
HATCH_LEAST = 4
CROSSED_SPACING_MM = 18.0


@dataclass(eq=False)
class Taken:
    """Indices of paths by what they are.

    marks : (tick path, line path, place); groups : (what, paths)
    """

    lines: list[int] = field(default_factory=list)
    marks: list[tuple[int, int, NDArray[np.float64]]] = field(default_factory=list)
    groups: list[tuple[str, list[int]]] = field(default_factory=list)
    dropped: list[int] = field(default_factory=list)


@dataclass(frozen=True, eq=False)
class _Meeting:
    """Where path `a` comes within reach of path `b`: fraction along a, the place, the angle."""

    a: int
    b: int
    along: float
    place: NDArray[np.float64]
    angle: float


def _extent(p: Path) -> float:
    return float(np.linalg.norm(np.ptp(p.points, axis=0)))


def _meetings(paths: list[Path]) -> list[_Meeting]:
    nodes = np.concatenate([p.points for p in paths])
    owner = np.repeat(np.arange(len(paths)), [len(p.points) for p in paths])
    tree = KDTree(nodes)
    best: dict[tuple[int, int], tuple[float, int, int]] = {}
    pairs = tree.query_pairs(TOUCH_MM, output_type="ndarray")
    pairs = pairs[owner[pairs[:, 0]] != owner[pairs[:, 1]]]
    gap = np.linalg.norm(nodes[pairs[:, 0]] - nodes[pairs[:, 1]], axis=1)
    for (m, k), d in zip(pairs.tolist(), gap.tolist(), strict=True):
        for x, y in ((m, k), (k, m)):
            key = (int(owner[x]), int(owner[y]))
            if key not in best or d < best[key][0]:
                best[key] = (d, x, y)
    start = np.concatenate([[0], np.cumsum([len(p.points) for p in paths])])
    found = []
    for (i, j), (_, x, y) in sorted(best.items()):
        a, b = int(x - start[i]), int(y - start[j])
        ta, tb = _tangent(paths[i], a), _tangent(paths[j], b)
        angle = float(np.degrees(np.arccos(np.clip(abs(ta @ tb), 0, 1))))
        found.append(
            _Meeting(i, j, a / max(len(paths[i].points) - 1, 1), paths[j].points[b], angle)
        )
    return found


def _tangent(p: Path, k: int):
    a, b = max(k - 2, 0), min(k + 2, len(p.points) - 1)
    t = p.points[b] - p.points[a]
    return t / max(float(np.linalg.norm(t)), 1e-9)


def is_dashed(p: Path) -> bool:
    """Whether ink and gaps alternate evenly, at least four dashes of them."""
    ink, gap = np.array(p.pieces[0::2]), np.array(p.pieces[1::2])
    if len(ink) < 4:
        return False
    inner = ink[1:-1] if len(ink) > 4 else ink
    even = np.std(inner) < 0.35 * np.mean(inner) + 1.5 and np.std(gap) < 0.35 * np.mean(gap) + 1.5
    share = gap.sum() / (gap.sum() + ink.sum())
    return bool(even and 0.15 < share < 0.8 and np.mean(inner) < 35.0)


def sort_paths(paths: list[Path]) -> Taken:
    """What every path is."""
    taken = Taken()
    if not paths:
        return taken
    meet = _meetings(paths)
    by: dict[int, list[_Meeting]] = {i: [] for i in range(len(paths))}
    for m in meet:
        by[m.a].append(m)
    long = [_is_long(p) for p in paths]
    rest = set(range(len(paths)))

    for i in sorted(rest, key=lambda i: -paths[i].length):
        if long[i] and i in rest:
            group = _arrow(paths, by, i) or _crossed_out(paths, by, i)
            if group is not None:
                taken.groups.append(group)
                rest -= set(group[1])
    lines = {i for i in rest if long[i]}
    for i in sorted(rest - lines):
        p = paths[i]
        if p.closed:
            continue
        across = [m for m in by[i] if m.b in lines]
        ends = sum(end != "open" for end in p.ends)
        tick = next((m for m in across if m.angle > 45.0), None)
        if tick is not None and p.length <= TICK_MM and ends < 2 and _straight(p):
            taken.marks.append((i, tick.b, tick.place))
            rest.discard(i)
        elif (ends == 2 and p.length > 12.0) or (ends == 1 and p.length > TICK_MM and _straight(p)):
            lines.add(i)
    rest -= lines
    taken.lines = sorted(lines)
    for group in _groups(paths, sorted(rest)):
        what = _what(paths, by, group)
        if what == "line":
            taken.lines += group
        elif what == "spot":
            taken.dropped += group
        else:
            taken.groups.append((what, group))
    taken.lines.sort()
    return taken


def _is_long(p: Path) -> bool:
    if p.closed:
        return p.length >= LOOP_MM
    return p.length >= LINE_MM and _extent(p) >= LETTER_MM


def _straight(p: Path) -> bool:
    return float(np.linalg.norm(p.points[-1] - p.points[0])) > 0.75 * p.length


def _arrow(paths, by, i):
    """A line that ends in a head of two barbs, one on either side."""
    p = paths[i]
    if p.closed or all(end != "open" for end in p.ends):
        return None
    for e in (0, 1):
        tip, way = p.points[-1 if e else 0], outward(p.points, e)
        left = right = False
        head = []
        across = np.cross(p.normals[-1 if e else 0], way)
        for m in by[i]:
            q = paths[m.b]
            if q.length > 60.0 or q.length > 0.8 * p.length or q.closed:
                continue
            if np.linalg.norm(q.points - tip, axis=1).min() > 7.0:
                continue
            for far in (q.points[0], q.points[-1]):
                v = far - tip
                size = float(np.linalg.norm(v))
                if size < 5.0:
                    continue
                back, aside = float(v @ way) / size, float(v @ across) / size
                if back < -0.25 and abs(aside) > 0.25:
                    left |= aside > 0
                    right |= aside < 0
                    head.append(m.b)
        if left and right:
            return "arrow", [i, *sorted(set(head))]
    return None


def _crossed_out(paths, by, i):
    """A line with short strokes across it closely over half of its length."""
    p = paths[i]
    short = [m for m in by[i] if paths[m.b].length < 60.0 and m.angle > 20.0]
    if len(short) < HATCH_LEAST:
        return None
    at = np.sort([m.along * p.length for m in short])
    step = np.diff(at)
    dense = float(step[step < CROSSED_SPACING_MM].sum())
    if dense < 0.5 * p.length:
        return None
    return "crossed out", [i, *sorted({m.b for m in short})]


def _groups(paths, rest) -> list[list[int]]:
    """Paths within a letter's distance of one another."""
    if not rest:
        return []
    nodes = np.concatenate([paths[i].points for i in rest])
    owner = np.repeat(np.arange(len(rest)), [len(paths[i].points) for i in rest])
    pairs = KDTree(nodes).query_pairs(WORD_MM, output_type="ndarray")
    a, b = owner[pairs[:, 0]], owner[pairs[:, 1]]
    graph = coo_matrix((np.ones(len(a)), (a, b)), shape=(len(rest), len(rest)))
    label = connected_components(graph, directed=False)[1]
    return [[rest[k] for k in np.flatnonzero(label == g)] for g in range(label.max() + 1)]


def _what(paths, by, group) -> str:
    ps = [paths[i] for i in group]
    total = sum(p.length for p in ps)
    if len(ps) == 1:
        p = ps[0]
        if not p.closed and p.length > LETTER_MM and _straight(p):
            return "line"
        return "spot" if p.length < 14.0 else "letters"
    if total < 14.0:
        return "spot"
    middle = [
        m for i in group for m in by[i] if m.b in group and 0.25 < m.along < 0.75 and m.angle > 50
    ]
    if len(ps) == 2 and len(middle) == 2:
        return "cross"
    ways = np.array([p.points[-1] - p.points[0] for p in ps if _straight(p)])
    if len(ways) >= HATCH_LEAST and len(ways) >= 0.75 * len(ps):
        ways /= np.maximum(np.linalg.norm(ways, axis=1, keepdims=True), 1e-9)
        like = np.abs(ways @ ways.T)
        if np.median(like) > 0.93:
            return "hatching"
    for i in group:
        arrow = _arrow(paths, by, i)
        if arrow is not None and set(arrow[1]) == set(group):
            return "arrow"
    return "letters"
