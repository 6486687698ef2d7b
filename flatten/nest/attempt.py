"""Pieces laid on a stock, sheet by sheet: what came to lie where, and what was left over."""

from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import Polygon

from flatten.nest.fits import FREE_STEP_DEG, too_big, turn_that_fits
from flatten.nest.ground import Ground, ground_of, rectangle
from flatten.nest.pieces import Shape, shapes_of
from flatten.nest.plan import QUICK, best_plan, unwatched
from flatten.nest.search import Lie, Progress, on_ground, search
from flatten.records.effort import Effort
from flatten.records.material import Material, Stock
from flatten.records.template import Template

Piece = tuple[int, int]  # a template's index and which of its copies; the second is mirrored


@dataclass(frozen=True, eq=False, kw_only=True)
class Task:
    """What is to be laid and how: the same whatever stock is tried.

    loose_deg : more turns than the grain allows, this many degrees either way; 0 for none
    explain : whether the reasons are wanted why pieces fit on no sheet of ragged outline
    """

    templates: tuple[Template, ...]
    material: Material
    effort: Effort
    progress: Progress = unwatched
    loose_deg: float = 0.0
    explain: bool = True

    @property
    def pieces(self) -> list[Piece]:
        return [(i, k) for i, t in enumerate(self.templates) for k in range(t.quantity)]

    def shapes(self, pieces: list[Piece], stock: Stock) -> list[Shape]:
        """The shape of every piece, grown by this stock's gap."""
        whole = {
            i: shapes_of(self.templates[i], i, stock, self.material, self.loose_deg)
            for i in {i for i, _ in pieces}
        }
        return [whole[i][k] for i, k in pieces]


@dataclass(frozen=True, eq=False, kw_only=True)
class Laid:
    """A piece on a sheet: turned about its template's origin, then moved to `at`."""

    piece: Piece
    shape: Shape
    at: tuple[float, float]
    angle: float

    @property
    def outline(self) -> Polygon:
        """Its true outline in the stock's coordinates."""
        return affinity.translate(
            affinity.rotate(self.shape.true, self.angle, origin=(0, 0)), *self.at
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class Sheet:
    """One sheet, hide, offcut or length of a roll.

    stock : as it is drawn; source : the name of what it is taken from
    size : (width, length) drawn; end : length used, margins at both ends included
    area : of the stock that it takes, mm²; layers : 2 where cloth lies folded
    """

    stock: Stock
    source: str
    size: tuple[float, float]
    end: float
    area: float
    layers: int
    laid: tuple[Laid, ...]


@dataclass(frozen=True, eq=False, kw_only=True)
class Attempt:
    """Sheets begun, pieces left over, why some fit nowhere (by template), and what is to be said."""

    sheets: tuple[Sheet, ...]
    left: tuple[Piece, ...]
    reasons: dict[int, str]
    notes: tuple[str, ...] = ()


def lay_plain(task: Task, pieces: list[Piece], stock: Stock) -> Attempt:
    """The pieces on one stock, as many sheets as it has or as they need."""
    ground = ground_of(stock, task.material)
    fitting, shapes, reasons, notes = that_fit(task, pieces, stock, ground)
    if not shapes:
        return Attempt(sheets=(), left=tuple(pieces), reasons=reasons, notes=tuple(notes))
    lies, said = best_plan(shapes, stock, task.material, ground, task.effort, task.progress)
    sheets = sheets_of(task, fitting, shapes, lies, stock, ground)
    done = {laid.piece for sheet in sheets for laid in sheet.laid}
    return Attempt(
        sheets=tuple(sheets),
        left=tuple(p for p in pieces if p not in done),
        reasons=reasons | that_never_fit(task, fitting, shapes, done, stock, ground),
        notes=(*notes, *said),
    )


def that_never_fit(
    task: Task,
    pieces: list[Piece],
    shapes: list[Shape],
    done: set[Piece],
    stock: Stock,
    ground: Ground,
) -> dict[int, str]:
    """Why pieces found no place that would find none on an empty hide either, by template."""
    reasons: dict[int, str] = {}
    if ground.free is None or not task.explain:
        return reasons
    for piece, shape in zip(pieces, shapes, strict=True):
        if piece in done or piece[0] in reasons:
            continue
        alone, _ = search([shape], [0], replace(ground, bins=1), QUICK, unwatched)
        if alone[0] is None:
            template = task.templates[piece[0]]
            reasons[piece[0]] = too_big(template, shape, stock, task.material, ground)
    return reasons


def that_fit(
    task: Task, pieces: list[Piece], stock: Stock, ground: Ground
) -> tuple[list[Piece], list[Shape], dict[int, str], list[str]]:
    """Pieces whose box fits on an empty sheet, turned within the grain's tolerance if need be."""
    fitting: list[Piece] = []
    kept: list[Shape] = []
    reasons: dict[int, str] = {}
    notes: list[str] = []
    material = task.material
    for piece, shape in zip(pieces, task.shapes(pieces, stock), strict=True):
        template = task.templates[piece[0]]
        if shape.true.area <= 0.0:
            reasons.setdefault(piece[0], f"{template.name} has no area to cut")
            continue
        most, step = (material.grain_tol_deg, 0.25) if not shape.any else (45.0, FREE_STEP_DEG)
        angle = turn_that_fits(shape, ground, shape.angles, most, step)
        if angle is None:
            reasons.setdefault(piece[0], too_big(template, shape, stock, material, ground))
            continue
        if angle not in shape.angles:
            shape = replace(shape, angles=(angle, *shape.angles))
            if not shape.any:
                off = min(abs((angle - a + 180.0) % 360.0 - 180.0) for a in shape.angles[1:])
                notes.append(
                    f"{template.name} lies {off:g}° off the grain, within the material's tolerance,"
                    " since it does not fit straight"
                )
        fitting.append(piece)
        kept.append(shape)
    return fitting, kept, reasons, list(dict.fromkeys(notes))


def sheets_of(
    task: Task,
    pieces: list[Piece],
    shapes: list[Shape],
    lies: list[Lie | None],
    stock: Stock,
    ground: Ground,
) -> list[Sheet]:
    """The sheets that a plan has begun, counted from 0 without gaps."""
    kerf = 0.5 * task.material.kerf_mm
    long, wide = rectangle(stock)
    by_bin: dict[int, list[Laid]] = {}
    ends: dict[int, float] = {}
    for piece, shape, lie in zip(pieces, shapes, lies, strict=True):
        if lie is None:
            continue
        at = (lie.x + ground.corner[0], lie.y + ground.corner[1])
        laid = Laid(piece=piece, shape=shape, at=at, angle=lie.angle % 360.0)
        by_bin.setdefault(lie.bin, []).append(laid)
        reach = on_ground(shape, lie, ground).bounds[2] + clear_end(stock) + kerf
        ends[lie.bin] = max(ends.get(lie.bin, 0.0), reach)
    sheets = []
    for number in sorted(by_bin):
        end = ends[number] if stock.outline is None else float(long)
        area = wide * end
        if stock.outline is not None:
            area = shapely.make_valid(Polygon(stock.outline)).area
        sheets.append(
            Sheet(
                stock=stock,
                source=stock.name,
                size=(float(wide), float(long if long > 0 else end)),
                end=end,
                area=float(area),
                layers=1,
                laid=tuple(sorted(by_bin[number], key=lambda laid: laid.piece)),
            )
        )
    return sheets


def clear_end(stock: Stock) -> float:
    """Margin at the far end; the teeth of a mat lie beyond it."""
    return stock.margin_mm + stock.teeth_mm


def used_of(sheets: tuple[Sheet, ...]) -> dict[str, float]:
    """What a plan takes of every stock: sheets, or mm of a roll."""
    used: dict[str, float] = {}
    for sheet in sheets:
        much = sheet.end if sheet.stock.kind == "roll" else 1.0
        used[sheet.source] = used.get(sheet.source, 0.0) + much
    return used


def less(stock: Stock, taken: float) -> Stock | None:
    """What is left of a stock when others have taken so much of it; None where nothing is."""
    if stock.kind == "roll":
        if stock.length_mm <= 0.0:
            return stock
        rest = stock.length_mm - taken
        return replace(stock, length_mm=rest) if rest > 2.0 * clear_end(stock) + 1.0 else None
    if stock.count == 0:
        return stock
    rest = stock.count - round(taken)
    return replace(stock, count=rest) if rest > 0 else None


def area_of(task: Task, pieces: tuple[Piece, ...] | list[Piece]) -> float:
    """Area within the cut lines of the pieces, mm²."""
    return float(sum(Polygon(task.templates[i].cut).area for i, _ in pieces))


def price_of(sheets: tuple[Sheet, ...], stocks: dict[str, Stock]) -> float | None:
    """Price of the stock begun, None where one has none; rolls by the metre to the next 0.1 m."""
    total = 0.0
    for name, much in used_of(sheets).items():
        stock = stocks[name]
        if stock.kind == "offcut" and stock.price <= 0.0:
            continue  # paid for already
        if stock.price <= 0.0:
            return None
        metres = np.ceil(round(much / 100.0, 6)) / 10.0
        total += stock.price * (metres if stock.kind == "roll" else much)
    return float(total)
