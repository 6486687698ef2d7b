"""Tells lines from what else a maker puts on the tape: letters, arrows, crosses, ticks, hatching."""

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import KDTree

from flatten.ink.contrast import fair
from flatten.ink.paths import Path, outward

TOUCH_MM = 3.0
SURE_MM = 90.0  # writing is smaller than this
SURE_BENT_MM = 60.0  # and a stroke that is long as well is larger than this
LETTER_MM = 45.0
TICK_MM = 32.0
TICK_LEAST_MM = 7.5
CORNER_MM = 6.0
TICK_CLEAR, TICK_FAINT = 0.4, 0.47  # of the contrast of the line that it marks
LOOP_MM = 98.0  # the shortest closed line that is taken for a shape
WORD_MM = 16.0  # letters of a word lie no farther apart
SPOT_MM = 14.0
LONE_STRAIGHT_MM = 38.0  # a figure 1 is shorter
LONE_MM = 50.0  # a single stroke, however bent, is no letter if it is larger
WEAK_MM = 25.0
MOST_FAINT, PALE = 0.75, 0.5  # of writing that is as pale as a crease
SCRAWL_DEG = 2.4  # a mm: more than a loop of 150 mm turns
ARROW_MM = 150.0
BARB_MM = (7.0, 45.0)
ROW_SHARE = 0.09  # of its length that a row of strokes may stray from a straight one
HATCH_LEAST = 4
CROSSED_SPACING_MM = 18.0


@dataclass(eq=False)
class Taken:
    """Indices of paths by what they are.

    marks : (tick path, line path, place); groups : (what, paths); weak : too faint to be lines
    """

    lines: list[int] = field(default_factory=list)
    marks: list[tuple[int, int, NDArray[np.float64]]] = field(default_factory=list)
    groups: list[tuple[str, list[int]]] = field(default_factory=list)
    weak: list[int] = field(default_factory=list)


@dataclass(frozen=True, eq=False)
class Meeting:
    """Where path `a` comes within touch of path `b`: fraction along a, the place, the angle."""

    a: int
    b: int
    along: float
    along_b: float
    place: NDArray[np.float64]
    angle: float


def _tangent(p: Path, k: int) -> NDArray[np.float64]:
    a, b = max(k - 2, 0), min(k + 2, len(p.points) - 1)
    t = p.points[b] - p.points[a]
    return t / max(float(np.linalg.norm(t)), 1e-9)


def meetings(paths: list[Path]) -> list[Meeting]:
    """For every ordered pair of paths that touch, where they come closest."""
    nodes = np.concatenate([p.points for p in paths])
    owner = np.repeat(np.arange(len(paths)), [len(p.points) for p in paths])
    pairs = KDTree(nodes).query_pairs(TOUCH_MM, output_type="ndarray")
    pairs = pairs[owner[pairs[:, 0]] != owner[pairs[:, 1]]]
    gap = np.linalg.norm(nodes[pairs[:, 0]] - nodes[pairs[:, 1]], axis=1)
    best: dict[tuple[int, int], tuple[float, int, int]] = {}
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
        found.append(
            Meeting(
                a=i,
                b=j,
                along=a / max(len(paths[i].points) - 1, 1),
                along_b=b / max(len(paths[j].points) - 1, 1),
                place=paths[j].points[b],
                angle=float(np.degrees(np.arccos(np.clip(abs(ta @ tb), 0, 1)))),
            )
        )
    return found


def sort_paths(paths: list[Path]) -> Taken:
    """What every path is.

    Long paths are lines, unless they are the shaft of an arrow or crossed out. Small ones that
    touch a line are ticks on it, short lines between two others, or darts; the small ones that
    are left are put together by nearness and looked at as a whole.
    """
    taken = Taken()
    if not paths:
        return taken
    by: dict[int, list[Meeting]] = {i: [] for i in range(len(paths))}
    for m in meetings(paths):
        by[m.a].append(m)
    rest = set(range(len(paths)))
    for i in sorted(rest, key=lambda i: -paths[i].length):
        if i in rest and paths[i].length > LETTER_MM and not paths[i].dashed:
            group = _arrow(paths, by, i) or _crossed_out(paths, by, i)
            if group is not None:
                taken.groups.append(group)
                rest -= set(group[1])
    lines = {i for i in rest if is_sure(paths[i]) and not paths[i].faint}
    # A row of dashes may be short.
    lines |= {i for i in rest if paths[i].dashed and not paths[i].faint}
    _anchored(paths, by, lines, rest, taken)
    rest -= lines
    clear = _clear(paths)
    for group in near_groups(paths, sorted(rest)):
        what = _what(paths, by, group, clear)
        if what == "letters":
            # No letter is so large, and no word is written in one straight row of strokes.
            row = _is_row([paths[i] for i in group])
            large = {i for i in group if not paths[i].faint and (row or paths[i].extent > LONE_MM)}
            lines |= {i for i in large if paths[i].length > SPOT_MM}
            group = [i for i in group if i not in large]
            what = "letters" if sum(paths[i].length for i in group) >= SPOT_MM else "spot"
            if large and len(group) == 1 and _goes_on(paths[group[0]]):
                what = "line"
        if what == "line":
            lines.add(max(group, key=lambda i: paths[i].length))
        elif what == "weak":
            taken.weak += [i for i in group if paths[i].length > WEAK_MM]
        elif what != "spot":
            taken.groups.append((what, group))
    taken.lines = sorted(lines)
    return taken


def is_sure(p: Path) -> bool:
    """Whether a path is too large to be writing, or runs from rim to rim."""
    if p.ends == ["rim", "rim"] and p.length > 20.0:
        return True
    if p.extent > SURE_BENT_MM and p.length > 2.0 * SURE_BENT_MM - 10.0 and not _scrawled(p):
        return True
    return p.extent >= SURE_MM or (p.closed and p.length >= 1.5 * LOOP_MM)


def _anchored(paths, by, lines: set[int], rest: set[int], taken: Taken) -> None:
    """Ticks, darts and short lines: what is small and touches a line or a rim."""
    grown = True
    while grown:
        grown = False
        for i in sorted(rest - lines):
            p = paths[i]
            if p.closed:
                continue
            # Ends count where they reach something that is a line itself.
            ends = sum(
                end == "rim" or (end == "line" and aim in lines)
                for end, aim in zip(p.ends, p.aims, strict=True)
            )
            tick = next((m for m in by[i] if m.b in lines and _is_tick(p, paths[m.b], m)), None)
            if tick is not None and ends < 2:
                taken.marks.append((i, tick.b, tick.place))
                rest.discard(i)
                continue
            if p.faint:
                continue
            crossed = any(
                0.25 < m.along < 0.75 and m.b not in lines and paths[m.b].length > 0.5 * p.length
                for m in by[i]
            )
            if (ends == 2 and p.length > 12.0) or (
                ends == 1 and p.length > TICK_MM and p.straight and len(by[i]) < 3 and not crossed
            ):
                lines.add(i)
                grown = True


def _is_tick(p: Path, line: Path, met: Meeting) -> bool:
    """Whether a short stroke stands out clearly on a line that it touches or crosses."""
    ends = [line.tip(e) for e in (0, 1) if not line.closed]
    if any(np.linalg.norm(met.place - tip) < CORNER_MM for tip in ends):
        return False  # the line goes round a corner there
    if met.angle < 50.0 or not TICK_LEAST_MM < p.length < TICK_MM or not p.straight:
        return False
    # A crease or a shadow across the line is paler than the pen.
    ink = TICK_FAINT if p.faint else TICK_CLEAR
    if float(np.linalg.norm(p.contrast)) < ink * float(np.linalg.norm(line.contrast)):
        return False
    off = KDTree(line.filled()).query([p.points[0], p.points[-1]])[0]
    return float(np.max(off)) > 0.5 * line.width + (3.5 if p.faint else 2.5)


def _arrow(paths, by, i) -> tuple[str, list[int]] | None:
    """A line that ends in a head of two barbs alike, one on either side, lying back along it."""
    p = paths[i]
    if p.closed or "rim" in p.ends or not p.straight or p.length > ARROW_MM:
        return None
    for e in (0, 1):
        tip, way = p.tip(e), outward(p.points, e)
        across = np.cross(p.normals[-1 if e else 0], way)
        sides: dict[bool, tuple[float, int]] = {}
        for m in by[i]:
            q = paths[m.b]
            if q.closed or q.faint or q.ink != p.ink:
                continue
            if np.linalg.norm(q.points - tip, axis=1).min() > 6.0:
                continue
            for far in (q.points[0], q.points[-1]):
                v = far - tip
                size = float(np.linalg.norm(v))
                if not BARB_MM[0] < size < min(BARB_MM[1], 0.6 * p.length):
                    continue
                back, aside = float(v @ way) / size, float(v @ across) / size
                if back < -0.25 and abs(aside) > 0.25:
                    sides[aside > 0] = max(sides.get(aside > 0, (0.0, -1)), (size, m.b))
        if len(sides) == 2:
            short, long = sorted(size for size, _ in sides.values())
            if long < 2.2 * short:
                return "arrow", [i, *sorted({k for _, k in sides.values()})]
    return None


def _crossed_out(paths, by, i) -> tuple[str, list[int]] | None:
    """A line with short strokes across it closely over half of its length."""
    p = paths[i]
    short = [m for m in by[i] if paths[m.b].length < 60.0 and m.angle > 20.0]
    if len(short) < HATCH_LEAST:
        return None
    step = np.diff(np.sort(np.array([m.along * p.length for m in short], dtype=np.float64)))
    if float(step[step < CROSSED_SPACING_MM].sum()) < 0.5 * p.length:
        return None
    return "crossed out", [i, *sorted({m.b for m in short})]


def near_groups(paths: list[Path], rest: list[int]) -> list[list[int]]:
    """Paths put together that lie within a letter's distance of one another."""
    if not rest:
        return []
    nodes = np.concatenate([paths[i].points for i in rest])
    owner = np.repeat(np.arange(len(rest)), [len(paths[i].points) for i in rest])
    pairs = KDTree(nodes).query_pairs(WORD_MM, output_type="ndarray")
    a, b = owner[pairs[:, 0]], owner[pairs[:, 1]]
    ink = np.array([paths[i].ink for i in rest])
    a, b = a[ink[a] == ink[b]], b[ink[a] == ink[b]]
    graph = coo_matrix((np.ones(len(a)), (a, b)), shape=(len(rest), len(rest)))
    label = connected_components(graph, directed=False)[1]
    return [[rest[k] for k in np.flatnonzero(label == g)] for g in range(label.max() + 1)]


def _what(paths, by, group: list[int], clear: dict[int, float]) -> str:
    ps = [paths[i] for i in group]
    if all(p.faint for p in ps) and (len(ps) < 2 or max(p.extent for p in ps) > SURE_MM):
        return "weak"
    most = max(ps, key=lambda p: p.length)
    if sum(p.length for p in ps if p.faint) > MOST_FAINT * sum(p.length for p in ps) and (
        np.average([_strength(p) for p in ps], weights=[p.length for p in ps])
        < PALE * clear.get(most.ink, 0.0)
    ):
        return "spot"  # creases and dirt
    if most.length > 0.75 * sum(p.length for p in ps) and not most.faint and _alone(most):
        return "line"
    if len(ps) == 1:
        return "spot" if most.length < SPOT_MM else "letters"
    if sum(p.length for p in ps) < SPOT_MM:
        return "spot"
    if _is_cross(by, group, ps):
        return "cross"
    if _is_hatching(ps):
        return "hatching"
    return "letters"


def _strength(p: Path) -> float:
    return float(np.linalg.norm(fair(p.contrast)))


def _clear(paths: list[Path]) -> dict[int, float]:
    """How much each ink stands out in its clear strokes, mean by length."""
    out: dict[int, float] = {}
    for ink in {p.ink for p in paths if not p.faint}:
        own = [p for p in paths if p.ink == ink and not p.faint]
        total = sum(p.length for p in own)
        out[ink] = sum(p.length * _strength(p) for p in own) / max(total, 1e-9)
    return out


def _goes_on(p: Path) -> bool:
    """Whether what lies beside the end of a line is a piece of it, and no letter."""
    return not p.faint and p.straight and p.length > WEAK_MM


def _is_row(ps: list[Path]) -> bool:
    """Whether strokes lie one behind the other along one nearly straight line."""
    clear = [p for p in ps if not p.faint]
    if len(clear) < 2 or not all(p.straight for p in clear):
        return False
    q = np.concatenate([p.points for p in clear])
    middle = q.mean(axis=0)
    axis = np.linalg.svd(q - middle, full_matrices=False)[2][0]
    t = (q - middle) @ axis
    off = np.linalg.norm(q - middle - t[:, None] * axis, axis=1)
    total = sum(p.length for p in clear)
    # One behind the other: together no longer than the row is.
    return bool(
        np.ptp(t) > LETTER_MM and off.max() < max(ROW_SHARE * np.ptp(t), 2.0)
        and total < 1.1 * np.ptp(t)
    )  # fmt: skip


def _alone(p: Path) -> bool:
    """Whether a stroke with no other near it is a line, and no letter."""
    if p.closed:
        return p.length >= LOOP_MM
    if p.dashed or (p.length > LONE_STRAIGHT_MM and p.straight):
        return True
    return p.extent > LONE_MM and not _scrawled(p)


def _scrawled(p: Path) -> bool:
    """Whether a stroke turns as often as letters do that ran together."""
    return p.curl > SCRAWL_DEG * p.length


def _is_cross(by, group: Iterable[int], ps: list[Path]) -> bool:
    middle = [
        m
        for i in group
        for m in by[i]
        if m.b in group and 0.2 < m.along < 0.8 and 0.2 < m.along_b < 0.8 and m.angle > 50
    ]
    return len(ps) == 2 and len(middle) == 2


def _is_hatching(ps: list[Path]) -> bool:
    ways = np.array([p.points[-1] - p.points[0] for p in ps if p.straight])
    if len(ways) < HATCH_LEAST or len(ways) < 0.75 * len(ps):
        return False
    ways /= np.maximum(np.linalg.norm(ways, axis=1, keepdims=True), 1e-9)
    return float(np.median(np.abs(ways @ ways.T))) > 0.93
