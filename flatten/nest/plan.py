"""The best sound plan of all that are tried on one stock: fills, boxes, slides, the clock."""

from collections import defaultdict
from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry import box

from flatten.nest.boxes import lay_boxes
from flatten.nest.ground import Ground
from flatten.nest.pieces import Shape, moved, turned
from flatten.nest.search import Lie, Progress, better, compact, end_of, on_ground, search
from flatten.nest.timed import pack_strip
from flatten.nest.verify import at_fault
from flatten.records.effort import Effort
from flatten.records.material import Material, Stock

LEAST_TIMED_S = 2.0  # the strip packer counts whole seconds, for two phases
QUICK = Effort(iterations=0)


def unwatched(_share: float) -> None:
    """Progress that nobody watches."""


def groups_of(shapes: list[Shape]) -> list[int]:
    """Numbers shapes so that alike ones (the same template, the same way round) share a number."""
    seen: dict[tuple[int, bool], int] = {}
    return [seen.setdefault((s.template, s.mirrored), len(seen)) for s in shapes]


def best_plan(
    shapes: list[Shape],
    stock: Stock,
    material: Material,
    ground: Ground,
    effort: Effort,
    progress: Progress,
) -> tuple[list[Lie | None], list[str]]:
    """The best sound plan of all that were tried, and how the search ended."""
    groups = groups_of(shapes)
    plans: list[list[Lie | None]] = []
    notes: list[str] = []
    timed = effort.seconds is not None and effort.seconds >= LEAST_TIMED_S and ground.free is None
    first = replace(effort, seconds=None) if timed else effort
    found, count = search(shapes, groups, ground, first, unwatched if timed else progress)
    plans += [found, compact(shapes, found, ground)]
    if ground.free is None:
        boxed = lay_boxes(shapes, ground)
        plans += [boxed, compact(shapes, boxed, ground)]
    if timed:
        assert effort.seconds is not None
        plans += _timed_plans(shapes, _best(shapes, plans), ground, effort, progress)
    if effort.seconds is not None:
        notes.append(
            f"the lay plan was searched for {effort.seconds:g} s by the clock: another run may give"
            " another one"
        )
    else:
        notes.append(f"the lay plan is the best of {count} changes tried, seed {effort.seed}")
    gap = stock.gap_mm + material.kerf_mm
    best = _best(shapes, [sound(shapes, plan, ground, gap) for plan in plans])
    best = sound(shapes, _refilled(shapes, best, ground), ground, gap)
    progress(1.0)
    return best, notes


def _refilled(shapes: list[Shape], plan: list[Lie | None], ground: Ground) -> list[Lie | None]:
    """The plan with pieces that were left over laid in what room is left, turned more finely."""
    if None not in plan or ground.endless:
        return plan
    plan = list(plan)
    whole = box(0.0, 0.0, ground.length, ground.width) if ground.free is None else ground.free
    for b in sorted({lie.bin for lie in plan if lie is not None}):
        taken = [
            moved(turned(s.grown, lie.angle), lie.x, lie.y)
            for s, lie in zip(shapes, plan, strict=True)
            if lie is not None and lie.bin == b
        ]
        rest = replace(ground, bins=1, free=whole.difference(shapely.union_all(taken)))
        left = [i for i, lie in enumerate(plan) if lie is None]
        if not left:
            break
        finer = [
            replace(s, angles=tuple(s.angles[0] + 15.0 * k for k in range(24))) if s.any else s
            for s in (shapes[i] for i in left)
        ]
        for i, lie in zip(
            left, search(finer, groups_of(finer), rest, QUICK, unwatched)[0], strict=True
        ):
            plan[i] = None if lie is None else replace(lie, bin=b)
    return plan


def _timed_plans(
    shapes: list[Shape],
    start: list[Lie | None],
    ground: Ground,
    effort: Effort,
    progress: Progress,
) -> list[list[Lie | None]]:
    """Plans of the strip packer: all pieces on one sheet, or those of the last sheet tighter."""
    assert effort.seconds is not None
    bins = {lie.bin for lie in start if lie is not None}
    last = max(bins, default=0)
    chosen = list(range(len(shapes)))
    if len(bins) > 1 and not any(lie is None for lie in start):
        chosen = [i for i, lie in enumerate(start) if lie is not None and lie.bin == last]
    packed = pack_strip(
        [shapes[i] for i in chosen], ground, round(effort.seconds), effort.seed, progress
    )
    plan = list(start)
    for i, lie in zip(chosen, packed, strict=True):
        plan[i] = (
            None if lie is None else replace(lie, bin=last if len(chosen) < len(shapes) else 0)
        )
    return [plan, compact(shapes, plan, ground)]


def _score(shapes: list[Shape], plan: list[Lie | None]) -> np.ndarray:
    out = sum(s.true.area for s, lie in zip(shapes, plan, strict=True) if lie is None)
    bins = len({lie.bin for lie in plan if lie is not None})
    return np.array([out, bins, end_of(shapes, plan), 0.0])


def _best(shapes: list[Shape], plans: list[list[Lie | None]]) -> list[Lie | None]:
    best = plans[0]
    for plan in plans[1:]:
        if better(_score(shapes, plan), _score(shapes, best), 1e-3):
            best = plan
    return best


def sound(
    shapes: list[Shape], plan: list[Lie | None], ground: Ground, gap: float
) -> list[Lie | None]:
    """The plan without the pieces that an exact check by the true outlines finds at fault."""
    plan = list(plan)
    by_bin = defaultdict(list)
    for i, lie in enumerate(plan):
        if lie is not None:
            by_bin[lie.bin].append(i)
    for own in by_bin.values():
        outlines = [on_ground(shapes[i], plan[i], ground) for i in own]  # type: ignore[arg-type]
        for fault in at_fault(outlines, ground.inside, gap):
            plan[own[fault]] = None
    # Sheets that came out empty are closed up.
    kept = {b: n for n, b in enumerate(sorted({lie.bin for lie in plan if lie is not None}))}
    return [None if lie is None else replace(lie, bin=kept[lie.bin]) for lie in plan]
