"""The search for a tight plan: bottom-left-fill in many orders.

Every arrangement is a list of pieces in the order they are laid, and a turn wanted for each.
Arrangements are changed at random, a better or equal one is kept: the same seed and number of
iterations give the same plan on every machine.
"""

import itertools
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from flatten.nest.columns import MOST, columns_of, fill
from flatten.nest.ground import Ground, blocked
from flatten.nest.pieces import Shape, extent, moved, rings_of, turned
from flatten.records.effort import Effort

Array = NDArray[np.float64]
Progress = Callable[[float], None]

WORK = 16000  # pieces laid by a search whose iterations are not given
FINEST_MM, COARSEST_MM = 1.0, 12.0


@dataclass(frozen=True, kw_only=True)
class Lie:
    """A shape on the ground: which sheet, its turn, and how far its origin is moved there."""

    bin: int
    angle: float
    x: float
    y: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Tables:
    """The shapes of one search as the compiled fill wants them."""

    step: float
    length: float
    breadth: int
    bins: int
    group: NDArray[np.int64]
    variants: NDArray[np.int64]
    angles: Array
    corners: Array
    sizes: Array
    heads: NDArray[np.int64]
    offsets: NDArray[np.int64]
    spans: Array
    areas: Array
    ground: Array
    ground_filled: NDArray[np.int64]
    width: float


def tables(shapes: list[Shape], groups: list[int], ground: Ground, step: float) -> Tables:
    """Columns of every group's turns that fit the ground's rectangle."""
    firsts = [groups.index(g) for g in range(max(groups) + 1)]
    variants, angles, corners, sizes, counts, spans = [0], [], [], [], [], []
    for first in firsts:
        shape = shapes[first]
        for angle in shape.angles:
            outline = turned(shape.grown, angle)
            w, h = extent(outline)
            if w > ground.length + 1e-7 or h > ground.width + 1e-7:
                continue
            x0, y0 = outline.bounds[:2]
            outline = moved(outline, -x0, -y0)
            count = max(1, int(np.ceil(w / step - 1e-6)))
            points, starts = rings_of(outline)
            offsets, found = columns_of(points, starts, 0.0, count, step)
            angles.append(angle)
            corners.append((x0, y0))
            sizes.append((w, h))
            counts.append(offsets)
            spans.append(found)
        variants.append(len(angles))
    heads, offsets, base = [0], [], 0
    for own in counts:
        offsets.append(own + base)
        heads.append(heads[-1] + len(own))
        base += own[-1]
    length = ground.length
    if not np.isfinite(length):
        widest = [
            max((w for w, _ in sizes[a:b]), default=0.0) for a, b in itertools.pairwise(variants)
        ]
        length = sum(widest[g] + step for g in groups) + step
    breadth = int(np.ceil(length / step - 1e-6)) + 1
    fill_ground = np.zeros((breadth, MOST, 2))
    filled = np.zeros(breadth, np.int64)
    bad = blocked(ground, length)
    if bad is not None and not bad.is_empty:
        points, starts = rings_of(bad)
        own, found = columns_of(points, starts, 0.0, breadth, step)
        for k in range(breadth):
            rows = found[own[k] : own[k + 1]][: MOST - 8]
            fill_ground[k, : len(rows)] = rows
            filled[k] = len(rows)
    bins = ground.bins or len(shapes)
    return Tables(
        step=step,
        length=length,
        breadth=breadth,
        bins=min(bins, len(shapes)),
        group=np.array(groups, np.int64),
        variants=np.array(variants, np.int64),
        angles=np.array(angles, dtype=np.float64),
        corners=np.array(corners, dtype=np.float64).reshape(-1, 2),
        sizes=np.array(sizes, dtype=np.float64).reshape(-1, 2),
        heads=np.array(heads, np.int64),
        offsets=np.concatenate(offsets).astype(np.int64) if offsets else np.zeros(0, np.int64),
        spans=np.concatenate(spans) if spans else np.zeros((0, 2)),
        areas=np.array([shapes[first].true.area for first in firsts]),
        ground=fill_ground,
        ground_filled=filled,
        width=ground.width,
    )


def run_fill(t: Tables, order: NDArray[np.int64], choice: NDArray[np.int64]):
    """One bottom-left-fill: (places, score), as the kernel gives them."""
    return fill(
        order, choice, t.group, t.variants, t.sizes, t.heads, t.offsets, t.spans, t.areas,
        t.ground, t.ground_filled, t.bins, t.length, t.width, t.step, t.breadth,
    )  # fmt: skip


def step_for(shapes: list[Shape], ground: Ground) -> float:
    """Breadth of a column: a fifteenth of the middling piece's shorter side."""
    short = [min(extent(s.grown)) for s in shapes]
    step = float(np.clip(np.median(short) / 15.0, FINEST_MM, COARSEST_MM))
    if np.isfinite(ground.length):
        step = max(step, ground.length / 1500.0)
    return step


def better(a: Array, b: Array, slack: float = 1e-6) -> bool:
    """True if score `a` is less than `b`: left out, sheets, length, then nearness to the start."""
    for x, y in zip(a, b, strict=True):
        if x < y - slack:
            return True
        if x > y + slack:
            return False
    return False


def search(
    shapes: list[Shape], groups: list[int], ground: Ground, effort: Effort, progress: Progress
) -> tuple[list[Lie | None], int]:
    """Places for the shapes, None where none was found, and the number of arrangements tried."""
    n = len(shapes)
    t = tables(shapes, groups, ground, step_for(shapes, ground))
    areas = np.array([s.true.area for s in shapes])
    longest = np.array([max(extent(s.grown)) for s in shapes])
    none = np.full(n, -1, np.int64)
    starts = [np.lexsort((np.arange(n), -key)) for key in (areas, longest, areas * longest)]
    tried = [(run_fill(t, order.astype(np.int64), none), order) for order in starts]
    (places, score), order = tried[0]
    for (p, s), o in tried[1:]:
        if better(s, score):
            places, score, order = p, s, o
    order, choice = order.astype(np.int64), places[:, 3].astype(np.int64)
    best = (places, score, order, choice)

    rng = np.random.Generator(np.random.PCG64(effort.seed))
    most = effort.iterations if effort.iterations is not None else max(12, WORK // max(n, 1))
    began, count = time.perf_counter(), 0
    while n > 1:
        if effort.seconds is not None:
            done = (time.perf_counter() - began) / effort.seconds
        else:
            done = count / most if most else 1.0
        progress(min(done, 1.0))
        if done >= 1.0:
            break
        count += 1
        new_order, new_choice = order.copy(), choice.copy()
        for _ in range(1 + int(rng.integers(2))):
            i, j = (int(v) for v in rng.integers(n, size=2))
            if rng.integers(2):
                new_order[[i, j]] = new_order[[j, i]]
            else:
                piece = new_order[i]
                new_order = np.insert(np.delete(new_order, i), j, piece)
            # The piece that was moved may lie whichever way suits its new place.
            piece = new_order[j]
            g = t.group[piece]
            first, last = t.variants[g], t.variants[g + 1]
            if last - first > 1:
                new_choice[piece] = -1 if rng.integers(2) else rng.integers(first, last)
        found, new_score = run_fill(t, new_order, new_choice)
        if not better(score, new_score):
            order, score = new_order, new_score
            choice = found[:, 3].astype(np.int64)
            if better(score, best[1]):
                best = (found, score, order, choice)
    lies = [_lie(t, row) for row in best[0]]
    # Finer columns lose less beside each piece; a fill may also come out worse for them.
    fine = tables(shapes, groups, ground, max(t.step / 4.0, 0.5))
    again, fine_score = run_fill(fine, best[2], best[3] if _same_turns(t, fine) else none)
    if better(fine_score, best[1]):
        lies = [_lie(fine, row) for row in again]
    return lies, count


def _same_turns(a: Tables, b: Tables) -> bool:
    return len(a.angles) == len(b.angles) and bool(np.all(a.angles == b.angles))


def _lie(t: Tables, row: Array) -> Lie | None:
    if row[0] < 0:
        return None
    v = int(row[3])
    x, y = row[1:3] - t.corners[v]
    return Lie(bin=int(row[0]), angle=float(t.angles[v]), x=float(x), y=float(y))


def ends_of(shapes: list[Shape], lies: list[Lie | None]) -> list[float]:
    """How far along x the outlines reach on every sheet begun, in their order."""
    ends: dict[int, float] = {}
    for shape, lie in zip(shapes, lies, strict=True):
        if lie is not None:
            end = turned(shape.true, lie.angle).bounds[2] + lie.x
            ends[lie.bin] = max(ends.get(lie.bin, 0.0), end)
    return [ends[b] for b in sorted(ends)]


def on_ground(shape: Shape, lie: Lie, ground: Ground) -> BaseGeometry:
    """A shape's true outline where it lies, in the stock's coordinates."""
    return shapely.transform(
        turned(shape.true, lie.angle),
        lambda P: P + (lie.x + ground.corner[0], lie.y + ground.corner[1]),
    )
