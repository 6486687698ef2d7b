"""Templates on the stock: the lay plan of a ply, what it takes, and what does not fit."""

from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry import Polygon

from flatten.nest.boxes import lay_boxes
from flatten.nest.buy import Take, buy_rows
from flatten.nest.effort import cut_length, handwork
from flatten.nest.ground import Ground, ground_of, rectangle
from flatten.nest.pieces import Shape, extent, shapes_of, turned
from flatten.nest.plan import QUICK, best_plan, groups_of, unwatched
from flatten.nest.search import Lie, Progress, end_of, on_ground, search
from flatten.nest.ways import FREE_STEP_DEG, more_stock, no_room, too_big, turn_that_fits
from flatten.records.effort import Effort
from flatten.records.material import Material, Stock
from flatten.records.template import LayPlan, Placement, Template, TemplateSet, Usage

OFF_GRAIN_DEG = (5.0, 10.0, 15.0, 30.0, 45.0, 90.0)


def lay_out(
    template_set: TemplateSet,
    stock: Stock,
    material: Material,
    effort: Effort = Effort(),  # noqa: B008 - frozen
    progress: Progress = unwatched,
) -> LayPlan:
    """The tightest plan found for a ply's templates on its stock; x along the stock's length.

    Every plan is checked by the true outlines: inside the stock, clear of flaws, gap kept. What
    does not fit is in `unplaced` with the reason and ways out. A template of quantity 2 is a
    mirrored pair. `progress` is told the share done; what it raises (Cancelled) stops the search.
    The same effort in iterations gives the same plan; one ended by the clock says so in `notes`.

    Raises
    ------
    BadInput : the stock has no room within its margins
    """
    ground = ground_of(stock, material)
    templates = template_set.templates
    every = [
        shape
        for index, template in enumerate(templates)
        for shape in shapes_of(template, index, stock, material)
    ]
    shapes, unplaced, notes = _that_fit(every, templates, stock, material, ground)
    lies: list[Lie | None] = []
    if shapes:
        lies, said = best_plan(shapes, stock, material, ground, effort, progress)
        notes += said
        unplaced += _left_over(shapes, lies, templates, stock, material, ground)
    placed = [(s, lie) for s, lie in zip(shapes, lies, strict=True) if lie is not None]
    # Largest number first would leave gaps: sheets count from 0 as they were begun.
    placed.sort(key=lambda p: (p[1].bin, p[0].template, p[0].mirrored))
    placements = tuple(
        Placement(
            template=shape.template,
            sheet=lie.bin,
            at=(lie.x + ground.corner[0], lie.y + ground.corner[1]),
            angle_deg=lie.angle % 360.0,
            mirrored=shape.mirrored,
        )
        for shape, lie in placed
    )
    ends = _ends(placed, ground, stock, material)
    long, wide = rectangle(stock)
    sizes = tuple((float(wide), float(long if long > 0 else end)) for end in ends)
    unplaced.sort(key=lambda entry: entry[0])
    return LayPlan(
        template_set=template_set,
        stock=stock.name,
        sheet_sizes=sizes,
        placements=placements,
        usage=_usage(template_set, placed, stock, material, ground, ends),
        unplaced=tuple(unplaced),
        notes=tuple(notes),
        handwork=handwork(template_set, material),
    )


def _that_fit(
    every: list[Shape],
    templates: tuple[Template, ...],
    stock: Stock,
    material: Material,
    ground: Ground,
) -> tuple[list[Shape], list[tuple[int, str]], list[str]]:
    """Shapes that fit on an empty sheet (turned within the grain's tolerance if need be)."""
    fitting: list[Shape] = []
    reasons: dict[int, str] = {}
    notes: list[str] = []
    for shape in every:
        template = templates[shape.template]
        if shape.true.area <= 0.0:
            reasons.setdefault(shape.template, f"{template.name} has no area to cut")
            continue
        most, step = (material.grain_tol_deg, 0.25) if not shape.any else (45.0, FREE_STEP_DEG)
        angle = turn_that_fits(shape, ground, shape.angles, most, step)
        if angle is not None and ground.free is not None:
            alone, _ = search([shape], [0], replace(ground, bins=1), QUICK, unwatched)
            angle = angle if alone[0] is not None else None
        if angle is None:
            reasons.setdefault(shape.template, too_big(template, shape, stock, material, ground))
            continue
        if angle not in shape.angles:
            shape = replace(shape, angles=(angle, *shape.angles))
            if not shape.any:
                off = min(abs((angle - a + 180.0) % 360.0 - 180.0) for a in shape.angles[1:])
                notes.append(
                    f"{template.name} lies {off:g}° off the grain, within the material's tolerance,"
                    " since it does not fit straight"
                )
        fitting.append(shape)
    return fitting, list(reasons.items()), list(dict.fromkeys(notes))


def _left_over(
    shapes: list[Shape],
    lies: list[Lie | None],
    templates: tuple[Template, ...],
    stock: Stock,
    material: Material,
    ground: Ground,
) -> list[tuple[int, str]]:
    """Pieces that fit by themselves but found no place, with ways out for the whole ply."""
    counts: dict[int, int] = {}
    for shape, lie in zip(shapes, lies, strict=True):
        if lie is None:
            counts[shape.template] = counts.get(shape.template, 0) + 1
    if not counts:
        return []
    groups = groups_of(shapes)

    def bins_needed() -> int | None:
        plan, _ = search(shapes, groups, replace(ground, bins=0), QUICK, unwatched)
        return None if None in plan else len({lie.bin for lie in plan if lie is not None})

    def length_needed() -> float:
        endless = replace(ground, length=np.inf)
        plan, _ = search(shapes, groups, endless, QUICK, unwatched)
        end = min(end_of(shapes, plan), end_of(shapes, lay_boxes(shapes, endless)))
        clear = 0.5 * stock.gap_mm
        return end + ground.corner[0] - clear + stock.margin_mm

    ways = more_stock(stock, bins_needed, length_needed)
    if not all(shape.any for shape in shapes):
        for off in OFF_GRAIN_DEG:
            wider = [
                replace(s, angles=tuple(a + d for a in s.angles for d in (0.0, off, -off)))
                for s in shapes
            ]
            plan, _ = search(wider, groups, ground, QUICK, unwatched)
            if None not in plan:
                ways.append(f"all pieces fit if some are turned {off:g}° off the grain")
                break
    pieces = sum(counts.values())
    area = sum(s.true.area for s, lie in zip(shapes, lies, strict=True) if lie is None)
    ways.append(
        f"cut the {pieces} left over, {area / 1e4:.0f} dm² net, from another ply's stock"
        if area >= 1e4
        else f"cut the {pieces} left over, {area / 100:.0f} cm² net, from another ply's stock"
    )
    return [(i, no_room(templates[i], n, stock, ways)) for i, n in sorted(counts.items())]


def _ends(
    placed: list[tuple[Shape, Lie]], ground: Ground, stock: Stock, material: Material
) -> list[float]:
    """Millimetres of length used on each sheet, margins at both ends included."""
    count = 1 + max((lie.bin for _, lie in placed), default=0)
    ends = [2.0 * stock.margin_mm] * count
    for shape, lie in placed:
        reach = on_ground(shape, lie, ground).bounds[2]
        end = reach + stock.margin_mm + 0.5 * material.kerf_mm
        if stock.outline is not None:
            end = float(np.ptp(stock.outline[:, 0]))
        ends[lie.bin] = max(ends[lie.bin], end)
    return ends


def _usage(
    template_set: TemplateSet,
    placed: list[tuple[Shape, Lie]],
    stock: Stock,
    material: Material,
    ground: Ground,
    ends: list[float],
) -> Usage:
    """Sheets or length taken, the yield over the stock used, the length of all cuts, what to buy."""
    templates = template_set.templates
    net = sum(_net_area(templates[shape.template]) for shape, _ in placed)
    cut = sum(cut_length(templates[shape.template]) for shape, _ in placed)
    begun = len(ends) if placed else 0
    if stock.outline is not None:
        area = begun * shapely.make_valid(Polygon(stock.outline)).area
    else:
        area = stock.width_mm * sum(ends)
    take = Take(
        sheets=begun,
        ends=tuple(ends),
        rest_holds_spare=_spare_fits(placed, ground),
        largest=max((extent(turned(s.true, lie.angle))[0] for s, lie in placed), default=0.0),
    )
    return Usage(
        sheets=begun if stock.kind != "roll" else 0,
        used_length_mm=sum(ends) if placed else 0.0,
        yield_pct=100.0 * net / area if area > 0.0 else 0.0,
        cut_mm=cut,
        buy=buy_rows(template_set, stock, material, take),
    )


def _net_area(template: Template) -> float:
    """Area within the net line; within the cut line where a template has no net line."""
    points = [edge.points for edge in template.net]
    if sum(map(len, points)) < 4:
        return Polygon(template.cut).area
    return Polygon(np.vstack(points)).area


def _spare_fits(placed: list[tuple[Shape, Lie]], ground: Ground) -> bool:
    """True if the largest piece fits once more beyond what the last sheet has used."""
    if not placed or ground.free is not None or ground.endless:
        return False
    last = max(lie.bin for _, lie in placed)
    end = max(turned(s.grown, lie.angle).bounds[2] + lie.x for s, lie in placed if lie.bin == last)
    largest = max((s for s, _ in placed), key=lambda s: s.true.area)
    rest = replace(ground, length=ground.length - end)
    return turn_that_fits(largest, rest, largest.angles, 0.0, 1.0) is not None
