"""Templates on the stock: the lay plan of a ply, what it takes, and what does not fit."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from shapely.geometry import Polygon

from flatten.errors import BadInput
from flatten.nest.attempt import Attempt, Sheet, Task, less, used_of
from flatten.nest.buy import Take, buy_rows, cost_of
from flatten.nest.effort import cut_length, handwork
from flatten.nest.fits import turn_that_fits
from flatten.nest.folded import with_halves
from flatten.nest.ground import ground_of
from flatten.nest.offcuts import as_stocks, offcuts_of
from flatten.nest.pieces import extent, turned
from flatten.nest.plan import QUICK, unwatched
from flatten.nest.search import Progress
from flatten.nest.several import lay_over
from flatten.nest.ways import Other, reasons_of, ways_out
from flatten.records.effort import Effort, Fastening, Rates
from flatten.records.material import Material, Stock
from flatten.records.template import LayPlan, Placement, Template, TemplateSet, Usage

WAYS = ". Ways out: "
SEARCHED = "the lay plan "


def lay_out(
    template_set: TemplateSet,
    stock: Stock | Sequence[Stock],
    material: Material,
    effort: Effort = Effort(),  # noqa: B008 - frozen
    progress: Progress = unwatched,
    *,
    rates: Rates | None = None,
    taken: Mapping[str, float] | None = None,
    points: Sequence[Fastening] = (),
) -> LayPlan:
    """The tightest plan found for a ply's templates on its stock; x along the stock's length.

    Every plan is checked by the true outlines: inside the stock, clear of flaws, gap kept. What
    does not fit is in `unplaced` with the reason, and `ways` holds what can be done about it, each
    way planned. A template of quantity 2 is a mirrored pair. On a folded roll the plan's templates
    are halves where a piece is cut on the fold. `progress` is told the share done; what it raises
    (Cancelled) stops the search. The same effort in iterations gives the same plan; one ended by
    the clock says so in `notes`.

    Parameters
    ----------
    stock : one or several, in the order they are to be used up
    taken : sheets, or mm of a roll, that other plies have taken of a stock by its name
    points : eyelets and rivets that are set at points of this ply

    Raises
    ------
    BadInput : a stock has no room within its margins
    """
    given = [stock] if isinstance(stock, Stock) else list(stock)
    if not given:
        raise BadInput("there is no stock to lay it on", "stock", "name one")
    for one in given:
        ground_of(one, material)
    rest = [(one, less(one, (taken or {}).get(one.name, 0.0))) for one in given]
    stocks = [have for _, have in rest if have is not None]
    templates = template_set.templates
    for folded in (s for s in stocks if s.fold):
        templates = with_halves(templates, folded)
    task = Task(templates=templates, material=material, effort=effort, progress=progress)
    notes = [f"other plies have used up {one.name}" for one, have in rest if have is None]
    notes += [note for one in stocks for note in one.notes]
    attempt = lay_over(task, task.pieces, stocks)
    reasons = reasons_of(task, attempt, stocks or given)
    plan = LayPlan(
        template_set=template_set
        if templates is template_set.templates
        else replace(template_set, templates=templates),
        stock=given[0].name,
        sheet_sizes=tuple(sheet.size for sheet in attempt.sheets) or _empty(given[0]),
        sheet_stocks=tuple(sheet.stock for sheet in attempt.sheets) or (given[0],),
        placements=tuple(
            Placement(
                template=laid.piece[0],
                sheet=number,
                at=laid.at,
                angle_deg=laid.angle,
                mirrored=laid.shape.mirrored,
            )
            for number, sheet in enumerate(attempt.sheets)
            for laid in sheet.laid
        ),
        usage=_usage(template_set, templates, attempt, given, material, points),
        unplaced=tuple(sorted(reasons.items())),
        notes=tuple(dict.fromkeys([*notes, *_once(attempt.notes)])),
        handwork=handwork(template_set, material, rates, points),
        offcuts=offcuts_of(attempt.sheets, material),
    )
    return with_ways(plan, given, material, rates)


def with_ways(
    plan: LayPlan,
    stocks: Sequence[Stock],
    material: Material,
    rates: Rates | None = None,
    others: Sequence[Other] = (),
) -> LayPlan:
    """The plan with the ways out of what it leaves over; `others` is what other plies can spare."""
    if not plan.unplaced:
        return plan
    templates = plan.template_set.templates
    done = {(place.template, place.mirrored) for place in plan.placements}
    left = [
        (i, k)
        for i, _ in plan.unplaced
        for k in range(templates[i].quantity)
        if (i, k % 2 == 1) not in done
    ]
    task = Task(templates=templates, material=material, effort=QUICK)
    ways = ways_out(task, left, stocks, others, rates)
    words = f"{WAYS}{'; '.join(way.words for way in ways)}" if ways else ""
    reasons = [(i, why.split(WAYS)[0]) for i, why in plan.unplaced]
    return replace(
        plan,
        ways=ways,
        unplaced=tuple((i, why + words if _has_area(templates[i]) else why) for i, why in reasons),
    )


def spared_by(
    ply: str, plan: LayPlan, stocks: Sequence[Stock], taken: Mapping[str, float]
) -> Other:
    """What a ply can spare for another: what its plan leaves, then more of its stock where there is."""
    gap, margin = stocks[0].gap_mm, stocks[0].margin_mm
    more = [less(stock, taken.get(stock.name, 0.0)) for stock in stocks]
    return Other(
        ply=ply,
        stocks=(*as_stocks(plan.offcuts, gap, margin), *(s for s in more if s is not None)),
    )


def _once(notes: Sequence[str]) -> list[str]:
    """How the search ended is said for the first stock alone."""
    ended = [note for note in notes if note.startswith(SEARCHED)]
    return [note for note in notes if note not in ended[1:]]


def _has_area(template: Template) -> bool:
    return len(template.cut) > 2 and Polygon(template.cut).area > 0.0


def _empty(stock: Stock) -> tuple[tuple[float, float], ...]:
    """The size of a sheet on which nothing lies, so that there is a drawing."""
    if stock.outline is not None:
        length, width = np.ptp(stock.outline, axis=0)
        return ((float(width), float(length)),)
    return ((stock.width_mm, max(stock.length_mm, 2.0 * stock.margin_mm)),)


def _usage(
    template_set: TemplateSet,
    templates: tuple[Template, ...],
    attempt: Attempt,
    stocks: Sequence[Stock],
    material: Material,
    points: Sequence[Fastening],
) -> Usage:
    """Sheets or length taken, the yield over the stock used, the length of all cuts, what to buy."""
    whole = template_set.templates
    # A half on the fold, and a pair cut through both layers, are two layers of what is drawn.
    copies = dict.fromkeys(range(len(whole)), 0)
    for sheet in attempt.sheets:
        for laid in sheet.laid:
            pair = sheet.layers > 1 and not templates[laid.piece[0]].fold
            copies[laid.piece[0]] += 2 if pair else 1
    net = sum(count * _net_area(whole[i]) for i, count in copies.items())
    cut = sum(count * cut_length(whole[i]) for i, count in copies.items())
    area = sum(sheet.area for sheet in attempt.sheets)
    takes = _takes(attempt, stocks, material)
    return Usage(
        sheets=sum(1 for sheet in attempt.sheets if sheet.stock.kind != "roll"),
        used_length_mm=sum(sheet.end for sheet in attempt.sheets),
        yield_pct=100.0 * net / area if area > 0.0 else 0.0,
        cut_mm=cut,
        cost=cost_of(takes),
        taken=tuple(used_of(attempt.sheets).items()),
        buy=buy_rows(template_set, material, takes, points),
    )


def _takes(attempt: Attempt, stocks: Sequence[Stock], material: Material) -> list[Take]:
    """What is taken of every stock, in the order given."""
    takes = []
    last = attempt.sheets[-1] if attempt.sheets else None
    for stock in stocks:
        sheets = [s for s in attempt.sheets if s.source == stock.name]
        if not sheets:
            continue
        laid = [it for sheet in sheets for it in sheet.laid]
        longest = max(extent(turned(it.shape.true, it.angle))[0] for it in laid)
        spare = False
        if last is not None and last.source == stock.name and stock.kind == "sheet":
            spare = _spare_fits(sheets[-1], stock, material)
        takes.append(
            Take(
                stock=stock,
                sheets=len(sheets),
                length_mm=sum(sheet.end for sheet in sheets),
                yield_pct=100.0
                * sum(sheet.layers * it.shape.true.area for sheet in sheets for it in sheet.laid)
                / sum(sheet.area for sheet in sheets),
                rest_holds_spare=spare,
                largest=longest,
            )
        )
    return takes


def _net_area(template: Template) -> float:
    """Area within the net line; within the cut line where a template has no net line."""
    points = [edge.points for edge in template.net]
    if sum(map(len, points)) < 4:
        return Polygon(template.cut).area
    return Polygon(np.vstack(points)).area


def _spare_fits(sheet: Sheet, stock: Stock, material: Material) -> bool:
    """True if the largest piece fits once more beyond what the sheet has used."""
    ground = ground_of(stock, material)
    if ground.free is not None or ground.endless:
        return False
    largest = max((it.shape for it in sheet.laid), key=lambda s: s.true.area)
    grown = [turned(it.shape.grown, it.angle).bounds[2] + it.at[0] for it in sheet.laid]
    rest = replace(ground, length=ground.length - (max(grown) - ground.corner[0]))
    return turn_that_fits(largest, rest, largest.angles, 0.0, 1.0) is not None
