"""The best sound plan of all that are tried on one stock: fills, boxes, the packer, the press."""

import time
from collections import defaultdict
from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry import box

from flatten.nest.boxes import lay_boxes
from flatten.nest.ground import Ground
from flatten.nest.pieces import Shape, extent, moved, turned
from flatten.nest.press import press
from flatten.nest.search import Lie, Progress, better, ends_of, on_ground, search
from flatten.nest.strip import pack_strip
from flatten.nest.verify import at_fault
from flatten.records.effort import Effort
from flatten.records.material import Material, Stock

Plan = list[Lie | None]

QUICK = Effort(iterations=0)
# Where the packer follows, the fill only has to say what sheet a piece lies on.
FILL_BEFORE_PACKER = 60
FULLEST = 0.95  # share of a sheet's area beyond which nobody need try to lay the pieces on it
NO_SHORTER = 1.01
LEAST_TIMED_S = 1.0
REFILLS = 2


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
) -> tuple[Plan, list[str]]:
    """The best sound plan of all that were tried, and how the search ended."""
    began = time.perf_counter()
    gap = stock.gap_mm + material.kerf_mm
    groups = groups_of(shapes)
    quick = effort.iterations == 0 and effort.seconds is None
    packs = ground.free is None and len(shapes) > 1 and not quick
    first = effort
    if packs:
        few = FILL_BEFORE_PACKER if effort.iterations is None else effort.iterations
        first = replace(effort, iterations=min(few, FILL_BEFORE_PACKER), seconds=None)
    found, count = search(
        shapes, groups, ground, first, _part(progress, 0.0, 0.1 if packs else 0.9)
    )
    plans = [found]
    if ground.free is None:
        plans.append(lay_boxes(shapes, ground))
    if not quick:
        plans += [press(shapes, plan, ground, gap) for plan in plans]
    best = _best(shapes, [sound(shapes, plan, ground, gap) for plan in plans])
    by_clock = effort.seconds is not None
    if packs:
        best, seen, stalled = _packed(
            shapes, best, ground, gap, effort, began, _part(progress, 0.1, 0.95)
        )
        count += seen
        by_clock = by_clock or stalled
    for _ in range(0 if None not in best or ground.endless else 1 if quick else REFILLS):
        pressed = best if quick else press(shapes, best, ground, gap)
        fuller = _refilled(shapes, pressed, ground)
        best = _best(shapes, [best, sound(shapes, fuller, ground, gap)])
    progress(1.0)
    if not by_clock:
        return best, [f"the lay plan is the best of {count} changes tried, seed {effort.seed}"]
    spent = effort.seconds if effort.seconds is not None else time.perf_counter() - began
    return best, [
        f"the lay plan was searched for {spent:.3g} s by the clock: another run may give another one"
    ]


def _part(progress: Progress, low: float, high: float) -> Progress:
    """Progress within a part of the whole."""
    return lambda share: progress(low + (high - low) * share)


def _refilled(shapes: list[Shape], plan: Plan, ground: Ground) -> Plan:
    """The plan with pieces that were left over laid in what room is left, turned more finely."""
    plan = list(plan)
    for b in sorted({lie.bin for lie in plan if lie is not None}):
        left = [i for i, lie in enumerate(plan) if lie is None]
        for i, lie in _into(shapes, plan, b, left, ground).items():
            plan[i] = lie
    return plan


def _into(
    shapes: list[Shape], plan: Plan, b: int, wanted: list[int], ground: Ground
) -> dict[int, Lie]:
    """Places on sheet `b`, between what lies there, for those of the wanted pieces that fit."""
    if not wanted:
        return {}
    whole = box(0.0, 0.0, ground.length, ground.width) if ground.free is None else ground.free
    taken = [
        moved(turned(s.grown, lie.angle), lie.x, lie.y)
        for s, lie in zip(shapes, plan, strict=True)
        if lie is not None and lie.bin == b
    ]
    rest = replace(ground, bins=1, free=whole.difference(shapely.union_all(taken)))
    finer = [
        replace(s, angles=tuple(s.angles[0] + 15.0 * k for k in range(24))) if s.any else s
        for s in (shapes[i] for i in wanted)
    ]
    found, _ = search(finer, groups_of(finer), rest, QUICK, unwatched)
    return {i: replace(lie, bin=b) for i, lie in zip(wanted, found, strict=True) if lie is not None}


def _packed(
    shapes: list[Shape],
    plan: Plan,
    ground: Ground,
    gap: float,
    effort: Effort,
    began: float,
    progress: Progress,
) -> tuple[Plan, int, bool]:
    """The plan with every sheet packed anew, the first ones filled from those after them.

    Also the arrangements seen, and whether a packer was given up by the clock.
    """
    area = np.array([s.true.area for s in shapes])
    seen, stalled = 0, False
    bins = {lie.bin for lie in plan if lie is not None}
    one = ground.endless or area.sum() <= FULLEST * ground.length * ground.width
    done = 0
    b = 0
    while b < max(len(bins), 1):
        own = [i for i, lie in enumerate(plan) if lie is not None and lie.bin == b]
        if one and b == 0 and (len(bins) != 1 or None in plan):
            own = list(range(len(shapes)))
        share = len(own) / max(len(shapes) - done, 1)
        seconds = None
        if effort.seconds is not None:
            left = effort.seconds - (time.perf_counter() - began)
            seconds = max(left * share, LEAST_TIMED_S)
        low, high = done / len(shapes), min((done + len(own)) / len(shapes), 1.0)
        if len(own) > 1 and _may_shorten(shapes, plan, own, ground):
            packed = pack_strip(
                [shapes[i] for i in own],
                ground,
                gap,
                replace(effort, seconds=seconds),
                _part(progress, low, high),
            )
            seen += packed.seen
            stalled = stalled or packed.by_clock
            tried = [plan]
            for lies in packed.plans:
                other = list(plan)
                for i, lie in zip(own, lies, strict=True):
                    other[i] = None if lie is None else replace(lie, bin=b)
                tried.append(sound(shapes, other, ground, gap))
            plan = _best(shapes, tried)
        later = [i for i, lie in enumerate(plan) if lie is not None and lie.bin > b]
        if later:
            for i, lie in _into(shapes, plan, b, later, ground).items():
                plan[i] = lie
            plan = sound(shapes, plan, ground, gap)
        done += sum(lie is not None and lie.bin == b for lie in plan)
        bins = {lie.bin for lie in plan if lie is not None}
        b += 1
    return plan, seen, stalled


def _may_shorten(shapes: list[Shape], plan: Plan, own: list[int], ground: Ground) -> bool:
    """False where these pieces are known to take no less length than they do."""
    if any(plan[i] is None for i in own):
        return True
    ends = ends_of([shapes[i] for i in own], [plan[i] for i in own])
    area = sum(shapes[i].grown.area for i in own) / ground.width
    narrowest = max(_narrowest(shapes[i]) for i in own)
    return len(ends) > 1 or ends[0] > NO_SHORTER * max(area, narrowest)


def _narrowest(shape: Shape) -> float:
    """The least length along x that a piece can take."""
    if shape.any:
        P = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape.true))
        return float(min(np.linalg.norm(np.diff(P[:3], axis=0), axis=1)))
    return min(extent(turned(shape.true, angle))[0] for angle in shape.angles)


def _score(shapes: list[Shape], plan: Plan) -> np.ndarray:
    """Area left out, sheets begun, the length used of all, and of the last."""
    out = sum(s.true.area for s, lie in zip(shapes, plan, strict=True) if lie is None)
    ends = ends_of(shapes, plan)
    return np.array([out, len(ends), sum(ends), ends[-1] if ends else 0.0])


def _best(shapes: list[Shape], plans: list[Plan]) -> Plan:
    best = plans[0]
    for plan in plans[1:]:
        if better(_score(shapes, plan), _score(shapes, best), 1e-3):
            best = plan
    return best


def sound(shapes: list[Shape], plan: Plan, ground: Ground, gap: float) -> Plan:
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
