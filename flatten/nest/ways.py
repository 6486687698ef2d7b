"""What does not fit, and the cheapest ways out: each is planned before it is offered.

Ways: turn pieces off the grain, split a template at a line, cut the pieces from what another ply's
stock has left, buy more. A way is offered for everything that is left over, and for one template
alone where none holds for all.
"""

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.affinity import rotate
from shapely.geometry import LineString, Polygon, box

from flatten.geometry.polygons import largest
from flatten.nest.attempt import Attempt, Piece, Task, area_of, price_of, used_of
from flatten.nest.fits import have
from flatten.nest.ground import rectangle
from flatten.nest.plan import QUICK, unwatched
from flatten.nest.several import is_counted, lay_over
from flatten.records.effort import Rates
from flatten.records.material import Material, Stock
from flatten.records.template import Template, WayOut

# Degrees tried off the grain; between the last that fails and the first that holds by halves.
OFF_DEG = (0.0, 5.0, 10.0, 15.0, 30.0, 45.0, 90.0)
OFF_STEP_DEG = 0.5
SHARES = (1 / 2, 2 / 5, 3 / 5, 1 / 3, 2 / 3)  # where a template is split in two
MOST_PARTS = 6
MOST_LAID = 1000  # pieces, in all plans made for turns and splits: a large job looks for fewer
MOST_ALONE = 4  # templates for which ways are looked for one by one


@dataclass(frozen=True, kw_only=True)
class Other:
    """What another ply can spare: its name, and the stock that is left of it."""

    ply: str
    stocks: tuple[Stock, ...]


def reasons_of(task: Task, attempt: Attempt, stocks: Sequence[Stock]) -> dict[int, str]:
    """Why every template that is left over is, and by how much."""
    counts: dict[int, int] = {}
    for i, _ in attempt.left:
        counts[i] = counts.get(i, 0) + 1
    words = dict(attempt.reasons)
    there = " and ".join(have(s) for s in stocks)
    for i, count in counts.items():
        if i not in words:
            area = area_of(task, [(i, 0)]) / 100.0
            which = "is" if count == 1 else f"({count} of it) are"
            words[i] = (
                f"{task.templates[i].name} ({area:.0f} cm²) {which} left over: no room beside the"
                f" others on {there}"
            )
    return words


def ways_out(
    task: Task,
    left: Sequence[Piece],
    stocks: Sequence[Stock],
    others: Sequence[Other] = (),
    rates: Rates | None = None,
) -> tuple[WayOut, ...]:
    """Ways that hold, the cheapest first: by money, then by minutes of handwork."""
    quick = replace(task, effort=QUICK, progress=unwatched, explain=False)
    missing = set(left)
    area = {i: Polygon(task.templates[i].cut).area for i, _ in left}
    # What has no area is a fault of the template, not of the stock.
    left = [p for p in left if area[p[0]] > 0.0]
    if not left:
        return ()
    search = _Search(quick, list(stocks), tuple(others), rates or Rates())
    found = search.ways([p for p in task.pieces if area.get(p[0], 1.0) > 0.0], left, "")
    names = list(dict.fromkeys(i for i, _ in left))
    kinds = {way.kind for way in found}
    if len(names) > 1 and len(kinds) < 4:
        placed = [p for p in task.pieces if p not in missing]
        for i in names[:MOST_ALONE]:
            own = [p for p in left if p[0] == i]
            alone = search.ways([*placed, *own], own, f"{task.templates[i].name}: ")
            found += [way for way in alone if way.kind not in kinds]

    def rank(way: WayOut) -> tuple[float, float]:
        money = way.cost
        if money is None:
            money = np.inf if way.kind == "buy" else 0.0
        return money, way.minutes

    return tuple(sorted(found, key=rank))


class _Search:
    """Looks for ways; every one of them is a plan that was made and left nothing over."""

    def __init__(
        self, task: Task, stocks: list[Stock], others: tuple[Other, ...], rates: Rates
    ) -> None:
        self.task, self.stocks, self.others, self.rates = task, stocks, others, rates
        self.laid = 0  # pieces so far, in all plans for turns and splits

    def _holds(self, task: Task, pieces: list[Piece]) -> bool:
        """True if a plan leaves nothing over; False too once MOST_LAID pieces have been laid."""
        self.laid += len(pieces)
        return self.laid <= MOST_LAID and not lay_over(task, pieces, self.stocks).left

    def ways(self, pieces: list[Piece], left: list[Piece], whom: str) -> list[WayOut]:
        found = [self._other(left, whom), self._buy(pieces, left, whom)]
        # No turn and no cut makes room for more than there is.
        if area_of(self.task, pieces) <= room_of(self.stocks):
            found += [self._turn(pieces, whom)]
            if len({i for i, _ in left}) <= MOST_ALONE:
                found += [self._split(pieces, left)]
        return [way for way in found if way is not None]

    def _turn(self, pieces: list[Piece], whom: str) -> WayOut | None:
        shapes = self.task.shapes(pieces[:1], self.stocks[0])
        if not shapes or shapes[0].any:
            return None
        whole = "it fits" if len({i for i, _ in pieces}) == 1 or whom else "all pieces fit"

        def holds(off: float) -> bool:
            return self._holds(replace(self.task, loose_deg=off), pieces)

        for low, high in itertools.pairwise(OFF_DEG):
            if not holds(high):
                continue
            while high - low > OFF_STEP_DEG + 1e-9:
                middle = low + OFF_STEP_DEG * round(0.5 * (high - low) / OFF_STEP_DEG)
                low, high = (low, middle) if holds(middle) else (middle, high)
            turned = "turned" if len(pieces) == 1 or whom else "if some are turned"
            return WayOut(kind="turn", words=f"{whom}{whole} {turned} {high:g}° off the grain")
        return None

    def _other(self, left: list[Piece], whom: str) -> WayOut | None:
        for other in self.others:
            attempt = lay_over(self.task, left, list(other.stocks))
            if attempt.left:
                continue
            named = {s.name: s for s in other.stocks}
            cost = price_of(attempt.sheets, named)
            what = " and ".join(dict.fromkeys(named[s].name for s in used_of(attempt.sheets)))
            area = area_of(self.task, left)
            size = f"{area / 1e4:.0f} dm²" if area >= 1e4 else f"{area / 100:.0f} cm²"
            pieces = "the piece" if len(left) == 1 else f"the {len(left)} pieces"
            return WayOut(
                kind="other stock",
                words=f"{whom}cut {pieces} left over, {size}, from {what} of ply '{other.ply}'",
                cost=cost,
            )
        return None

    def _split(self, pieces: list[Piece], left: list[Piece]) -> WayOut | None:
        """One template split; where several are left over, each at its own line."""
        material = self.task.material
        tasks = self.task
        done: list[tuple[float, str, str]] = []
        for i in dict.fromkeys(i for i, _ in left):
            # The others that are left over wait until their turn comes.
            later = {j for j, _ in left if j > i}
            base = [p for p in pieces if p[0] not in later]
            made = self._split_one(tasks, base, i)
            if made is None:
                return None
            tasks, words, said, seam = made
            pieces = [p for p in tasks.pieces if p[0] not in later]
            pieces += [p for p in left if p[0] in later]
            done.append((seam, words, said))
        seam = sum(length for length, *_ in done)
        glued = material.split_joint[1] == "glue"
        per_minute = self.rates.glue_mm_per_min if glued else self.rates.sew_mm_per_min
        if material.family == "leather":
            per_minute = 60.0 * 4.0 / max(self.rates.stitch_s, 1e-6)
        words = "; ".join(w for _, w, _ in done)
        said = ", ".join(dict.fromkeys(key for *_, key in done))
        words += f"; drawn so with split = {{ {said} }} in the ply"
        return WayOut(kind="split", words=words, minutes=seam / per_minute)

    def _split_one(
        self, task: Task, pieces: list[Piece], index: int
    ) -> tuple[Task, str, str, float] | None:
        for parts, words, said, seam in splits(task.templates[index], task.material):
            templates = list(task.templates)
            templates[index] = parts[0]
            tried = replace(task, templates=(*templates, *parts[1:]))
            more = [(len(templates) + k, 0) for k in range(len(parts) - 1)]
            copies = task.templates[index].quantity
            more = [(i, k) for i, _ in more for k in range(copies)]
            if self._holds(tried, [*pieces, *more]):
                return tried, words, said, seam
        return None

    def _buy(self, pieces: list[Piece], left: list[Piece], whom: str) -> WayOut | None:
        best: WayOut | None = None
        for k, stock in enumerate(self.stocks):
            if not is_counted(stock) or stock.kind == "offcut":
                continue
            more = self._more(pieces, left, k)
            if more <= 0.0 or np.isinf(more):
                continue
            if stock.kind == "roll":
                need = stock.length_mm + more
                words = f"{need:.0f} mm of length would hold everything, {more:.0f} mm more"
                cost = stock.price * np.ceil(round(more / 100.0, 6)) / 10.0
            else:
                words = f"buy {more:.0f} more {stock.name}"
                cost = stock.price * more
            if stock.price > 0.0:
                words += f", {cost:.2f}"
            way = WayOut(
                kind="buy", words=whom + words, cost=float(cost) if stock.price > 0.0 else None
            )
            if best is None or (way.cost or np.inf) < (best.cost or np.inf):
                best = way
        return best

    def _more(self, pieces: list[Piece], left: list[Piece], k: int) -> float:
        """How many more of a stock, or mm of a roll: all laid anew, or what is left over by itself.

        The plan in hand had a longer search than the quick one here and may use its sheets better.
        """
        stock = self.stocks[k]
        length = 0.0 if stock.kind == "roll" else stock.length_mm
        endless = replace(stock, count=0, length_mm=length)
        anew = lay_over(self.task, pieces, [*self.stocks[:k], endless, *self.stocks[k + 1 :]])
        alone = lay_over(self.task, left, [endless])
        there = stock.length_mm if stock.kind == "roll" else stock.count
        return min(
            np.inf if attempt.left else used_of(attempt.sheets).get(stock.name, 0.0) - kept
            for attempt, kept in ((anew, there), (alone, 0.0))
        )


def room_of(stocks: Sequence[Stock]) -> float:
    """Area of all the stock there is, mm²; infinite where more can be had."""
    total = 0.0
    for stock in stocks:
        if not is_counted(stock):
            return np.inf
        long, wide = rectangle(stock)
        area = long * wide if stock.outline is None else Polygon(stock.outline).area
        total += area * (1 if stock.kind == "roll" else stock.count)
    return float(total)


def splits(
    template: Template, material: Material
) -> Iterator[tuple[list[Template], str, str, float]]:
    """A template parted by straight cuts across or along its grain: parts, words, the same as a job
    says it, mm of seam added.

    Both sides of every cut get a seam's allowance; foam and card are butted.
    """
    added = material.split_joint[2]
    flat = shapely.make_valid(Polygon(template.cut))
    flat = rotate(flat, -template.grain_deg, origin=(0, 0))
    low = np.array(flat.bounds[:2])
    size = np.array(flat.bounds[2:]) - low
    ways = [(2, share) for share in SHARES] + [(n, 1.0 / n) for n in range(3, MOST_PARTS + 1)]
    for n, share in ways:
        # The longer side is parted first: that cut is the shorter one.
        for axis in np.argsort(-size).tolist():
            at = [
                float(low[axis]) + share * float(size[axis]) * (k if n > 2 else 1)
                for k in range(1, n)
            ]
            edges = [-np.inf, *at, np.inf]
            parts = []
            for k in range(n):
                a, b = edges[k] - added, edges[k + 1] + added
                a, b = max(a, low[axis] - 1.0), min(b, low[axis] + size[axis] + 1.0)
                other = (low[1 - axis] - 1.0, low[1 - axis] + size[1 - axis] + 1.0)
                slab = box(a, other[0], b, other[1]) if axis == 0 else box(other[0], a, other[1], b)
                parts.append(largest(flat.intersection(slab)))
            if any(part.is_empty for part in parts):
                continue
            seam = template.quantity * sum(
                float(flat.intersection(_line(value, axis)).length) for value in at
            )
            made = [
                replace(
                    template,
                    name=f"{template.name}, part {k}",
                    cut=np.array(rotate(part, template.grain_deg, origin=(0, 0)).exterior.coords)[
                        :-1
                    ],
                    inner=(),
                    net=(),
                )
                for k, part in enumerate(parts, start=1)
            ]
            width = f", {added:g} mm allowance on both sides" if added else ", butted"
            places = [f"{value - low[axis]:.0f}" for value in at]
            said = ", ".join(places)
            line = "across the grain" if axis == 0 else "along the grain"
            end = "where the grain begins" if axis == 0 else "on the grain's right"
            key = "across_mm" if axis == 0 else "along_mm"
            yield (
                made,
                f"split {template.name} {line} into {n}, {' and '.join(places)} mm from its end"
                f" {end}, which adds {seam:.0f} mm of seam{width}",
                f'"{template.piece}" = {{ {key} = [{said}] }}',
                seam,
            )


def _line(value: float, axis: int) -> LineString:
    far = 1e6
    return (
        LineString([(value, -far), (value, far)])
        if axis == 0
        else LineString([(-far, value), (far, value)])
    )
