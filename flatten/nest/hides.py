"""Hides with zones: the two of a pair come from one zone, so that they stretch alike."""

from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry import Polygon

from flatten.nest.attempt import (
    Attempt,
    Piece,
    Sheet,
    Task,
    area_of,
    sheets_of,
    that_fit,
    that_never_fit,
)
from flatten.nest.ground import Ground, ground_of
from flatten.nest.pieces import Shape, moved, turned
from flatten.nest.plan import best_plan
from flatten.nest.search import Lie
from flatten.records.material import Stock
from flatten.records.template import Template

ALIKE = 0.05  # share by which the areas of a left and a right piece may differ


def pairs_of(templates: tuple[Template, ...]) -> list[tuple[Piece, Piece]]:
    """Left and right: the two copies of one template, or two templates named so and as large."""
    pairs: list[tuple[Piece, Piece]] = [
        ((i, 0), (i, 1)) for i, t in enumerate(templates) if t.quantity == 2
    ]
    by_name = {t.name: i for i, t in enumerate(templates) if t.quantity == 1}
    for name, i in by_name.items():
        j = by_name.get(_other_side(name))
        if j is None or "left" not in name.lower():
            continue
        a, b = (Polygon(templates[k].cut).area for k in (i, j))
        if abs(a - b) <= ALIKE * max(a, b):
            pairs.append(((i, 0), (j, 0)))
    return pairs


def _other_side(name: str) -> str:
    for a, b in (("left", "right"), ("Left", "Right"), ("LEFT", "RIGHT")):
        name = name.replace(a, "\0").replace(b, a).replace("\0", b)
    return name


def lay_zoned(task: Task, pieces: list[Piece], stock: Stock) -> Attempt:
    """One hide after another: pairs zone by zone, the single pieces wherever there is room.

    Where pairs laid first leave something over, the single pieces are tried first. A pair for which
    no zone has room beside the others waits for the next hide; where there is no other, it is laid
    anywhere, and that is said.
    """
    first = _in_order(task, pieces, stock, pairs_first=True)
    if not first.left:
        return first
    second = _in_order(task, pieces, stock, pairs_first=False)
    return min((first, second), key=lambda attempt: area_of(task, attempt.left))


def _in_order(task: Task, pieces: list[Piece], stock: Stock, *, pairs_first: bool) -> Attempt:
    ground = ground_of(stock, task.material)
    fitting, shapes, reasons, notes = that_fit(task, pieces, stock, ground)
    shape_of = dict(zip(fitting, shapes, strict=True))
    pairs = [p for p in pairs_of(task.templates) if all(side in shape_of for side in p)]
    waiting = list(fitting)
    sheets: list[Sheet] = []
    while waiting and (stock.count == 0 or len(sheets) < stock.count):
        hide = _Hide(task, stock, ground)
        due = [p for p in pairs if all(side in waiting for side in p)]
        paired = {side for pair in due for side in pair}
        single = [p for p in waiting if p not in paired]
        if not pairs_first:
            hide.lay(single, shape_of)
        hide.lay_pairs(due, shape_of)
        hide.lay([p for p in single if p not in hide.lies], shape_of)
        is_last = stock.count > 0 and len(sheets) + 1 == stock.count
        if is_last or not hide.lies:
            late = [side for side in waiting if side in paired and side not in hide.lies]
            hide.lay(late, shape_of)
            apart = [p for p in due if any(side in late and side in hide.lies for side in p)]
            notes += [
                f"{task.templates[a[0]].name} is a pair that no one zone of {stock.name} had room"
                " for: its two sides may stretch differently"
                for a, _ in apart
            ]
        if not hide.lies:
            break
        notes += hide.notes
        done = list(hide.lies)
        lies: list[Lie | None] = [hide.lies[p] for p in done]
        sheets += sheets_of(task, done, [shape_of[p] for p in done], lies, stock, ground)
        waiting = [p for p in waiting if p not in hide.lies]
    laid = {it.piece for sheet in sheets for it in sheet.laid}
    return Attempt(
        sheets=tuple(sheets),
        left=tuple(p for p in pieces if p not in laid),
        reasons=reasons | that_never_fit(task, fitting, shapes, laid, stock, ground),
        notes=tuple(dict.fromkeys(notes)),
    )


class _Hide:
    """One hide while it fills."""

    def __init__(self, task: Task, stock: Stock, ground: Ground) -> None:
        assert ground.free is not None
        self.task, self.stock, self.ground = task, stock, ground
        self.free = ground.free
        self.shapes: dict[Piece, Shape] = {}
        self.lies: dict[Piece, Lie] = {}
        self.notes: list[str] = []

    def lay(self, pieces: list[Piece], shape_of: dict[Piece, Shape], within=None) -> None:
        """As many of the pieces as find room, within a region of the hide if one is given."""
        if not pieces:
            return
        self.shapes = shape_of
        free, inside = self.free, self.ground.inside
        if within is not None:
            half = 0.5 * (self.stock.gap_mm + self.task.material.kerf_mm)
            corner = np.array(self.ground.corner)
            free = free.intersection(shapely.transform(within.buffer(half), lambda P: P - corner))
            inside = inside.intersection(within)
        if free.is_empty or inside.is_empty:
            return
        here = replace(self.ground, bins=1, free=free, inside=inside)
        shapes = [shape_of[p] for p in pieces]
        task = self.task
        lies, said = best_plan(shapes, self.stock, task.material, here, task.effort, task.progress)
        self.notes += said
        for piece, lie in zip(pieces, lies, strict=True):
            if lie is not None:
                self.lies[piece] = replace(lie, bin=0)
        self._take()

    def _take(self) -> None:
        """What is laid is free no more; `lies` and `free` are both in the ground's coordinates."""
        assert self.ground.free is not None
        self.free = self.ground.free.difference(
            shapely.union_all(
                [
                    moved(turned(self.shapes[p].grown, lie.angle), lie.x, lie.y)
                    for p, lie in self.lies.items()
                ]
            )
        )

    def lay_pairs(self, pairs: list[tuple[Piece, Piece]], shape_of: dict[Piece, Shape]) -> None:
        """Pairs zone by zone, in the order the zones are given."""
        for zone in self.stock.zones:
            left = [p for p in pairs if p[0] not in self.lies]
            within = shapely.make_valid(Polygon(zone.outline))
            self.lay([side for pair in left for side in pair], shape_of, within)
            for a, b in left:
                # One side alone gives its place back; the pair waits for the next zone.
                if (a in self.lies) != (b in self.lies):
                    self.lies.pop(a, None)
                    self.lies.pop(b, None)
            self._take()
