"""Cloth folded along its length: symmetric pieces as halves on the fold, pairs through both layers."""

from dataclasses import replace
from typing import TypeGuard

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import rotate, scale, translate
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

from flatten.geometry.freespace import FreeSpace, shape_of
from flatten.geometry.lettering import text_width
from flatten.geometry.polygons import stretches_in
from flatten.nest.attempt import Attempt, Laid, Piece, Sheet, Task, clear_end, lay_plain, sheets_of
from flatten.nest.columns import slide
from flatten.nest.fits import turn_that_fits
from flatten.nest.ground import ENDLESS_MM, ground_of
from flatten.nest.pieces import Shape, moved, rings_of, turned
from flatten.nest.plan import best_plan
from flatten.records.drawing import Circle, Ink, Polyline, Text
from flatten.records.material import Stock
from flatten.records.template import Template

Array = NDArray[np.float64]
Lettering = Text | Polyline

SYMMETRIC_MM = 2.0  # how far a piece may differ from its mirror image to be cut on the fold
OPEN = "opened out"
_LETTERS_MM = 6.0
_SIZES = (1.0, 0.85, 0.7, 0.6, 0.5, 0.4, 0.3)  # of lettering that has no room as it stands
_FAR = 1e5


def fold_line(template: Template) -> tuple[Array, Array] | None:
    """A point and unit direction of the axis along the grain about which a piece is symmetric."""
    cut = shapely.make_valid(Polygon(template.cut))
    flat = rotate(cut, -template.grain_deg, origin=(0, 0))
    if flat.is_empty:
        return None
    y = 0.5 * (flat.bounds[1] + flat.bounds[3])
    image = translate(scale(flat, 1.0, -1.0, origin=(0.0, 0.0)), 0.0, 2.0 * y)
    away = shapely.hausdorff_distance(flat.boundary, image.boundary, densify=0.02)
    if away > SYMMETRIC_MM:
        return None
    a = np.radians(template.grain_deg)
    along, across = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
    return y * across, along


def halved(template: Template, point: Array, along: Array) -> Template:
    """The half of a symmetric piece on the left of its axis, to be laid with the axis on the fold."""
    across = np.array([-along[1], along[0]])
    half = Polygon(
        [
            point - _FAR * along,
            point + _FAR * along,
            point + _FAR * along + _FAR * across,
            point - _FAR * along + _FAR * across,
        ]
    )
    cut = shapely.make_valid(Polygon(template.cut)).intersection(half)
    cut = max(shapely.get_parts(cut), key=lambda part: part.area)
    ring = np.array(cut.exterior.coords)[:-1]
    # The ring begins where the fold ends, so that the cut is drawn as one open line.
    after = np.roll(ring, -1, axis=0)
    on_axis = np.abs(np.stack([ring - point, after - point]) @ across).max(axis=0) < 1e-6
    longest = np.where(on_axis, np.linalg.norm(after - ring, axis=1), -1.0)
    ring = np.roll(ring, -(int(np.argmax(longest)) + 1), axis=0)
    fold = np.array([ring[-1], ring[0]])
    inner = [Polygon(hole).intersection(half) for hole in template.inner]
    ink: list[Ink] = [part for item in template.ink for part in _clipped(item, half)]
    middle = fold.mean(axis=0) + 0.5 * _LETTERS_MM * across
    words = "place on the fold"
    turn = float(np.degrees(np.arctan2(along[1], along[0])))
    start = middle - 0.5 * text_width(words, _LETTERS_MM) * along
    told: list[Ink] = [
        Polyline(layer="DETAIL", points=fold),
        Text(text=words, at=(float(start[0]), float(start[1])), height=_LETTERS_MM, angle_deg=turn),
    ]
    space = FreeSpace(Polygon(ring), [shape_of(item) for item in (*ink, *told)])
    ink += _lettering([i for i in template.ink if _is_lettering(i)], point, across, space)
    ink += told
    return replace(
        template,
        cut=ring,
        net=(),
        inner=tuple(
            np.array(part.exterior.coords)[:-1]
            for hole in inner
            for part in shapely.get_parts(hole)
            if isinstance(part, Polygon) and part.area > 0.0
        ),
        ink=tuple(ink),
        fold=True,
    )


def _is_lettering(item: Ink) -> TypeGuard[Lettering]:
    """Words, and the arrow that stands with them."""
    return isinstance(item, Text) or (isinstance(item, Polyline) and item.layer == "LABEL")


def _clipped(item: Ink, half: Polygon) -> list[Ink]:
    """What of an ink lies on the half, lettering apart."""
    if isinstance(item, Text) or _is_lettering(item):
        return []
    if isinstance(item, Circle):
        return [item] if half.contains(shapely.Point(item.centre)) else []
    if len(item.points) < 2:
        return [item] if half.contains(shapely.Point(item.points[0])) else []
    return [
        replace(item, points=points, closed=item.closed and whole)
        for points, whole in stretches_in(item.points, item.closed, half, 1e-6)
    ]


def _lettering(items: list[Lettering], point: Array, across: Array, space: FreeSpace) -> list[Ink]:
    """Lettering of the half: what stands together stays so, and moves where it would be cut.

    What stands wholly on the other half is left out, but for the label, which is the words with most
    lines, and its arrow.
    """
    if not items:
        return []
    shapes = [shape_of(item) for item in items]
    tall = max((item.height for item in items if isinstance(item, Text)), default=0.0)
    reach = [0.75 * (item.height if isinstance(item, Text) else tall) for item in items]
    parts = shapely.get_parts(shapely.union_all(shapely.buffer(shapes, reach)))
    owner = [int(np.argmax(shapely.intersects(parts, shape))) for shape in shapes]
    label = max(set(owner), key=lambda k: (owner.count(k), -k))
    kept: list[Ink] = []
    for k in sorted(set(owner), key=lambda k: (k != label, k)):
        own = [i for i, part in enumerate(owner) if part == k]
        away = (np.concatenate([shapely.get_coordinates(shapes[i]) for i in own]) - point) @ across
        block = [items[i] for i in own]
        arrow = any(isinstance(item, Polyline) for item in block)
        if away.max() < 0.0 and k != label and not arrow:
            continue
        up = max(2.5 * _LETTERS_MM - float(away.min()), 0.0) if away.min() < 0.0 else 0.0
        near = [(up + step) * across for step in (0.0, 5.0, 10.0, 20.0)]
        made = _first_free(space, [_shifted(block, by) for by in near]) or _anew(space, block)
        kept += [space.take(item) for item in made]
    return kept


def _first_free(space: FreeSpace, tries: list[list[Lettering]]) -> list[Lettering]:
    for block in tries:
        if all(space.free(shape_of(item)) for item in block):
            return block
    return []


def _anew(space: FreeSpace, block: list[Lettering]) -> list[Lettering]:
    """A block where there is room for it, smaller where it must be; at last its first words alone."""
    words = [item for item in block if isinstance(item, Text)]
    if not words:
        return []
    search = space.search(1.0)
    for part, least in ((block, 2.0), (words[:1], 1.2)):
        low = min(item.height for item in words if item in part)
        lean = words[0].angle_deg
        whole = shapely.union_all([shape_of(item) for item in part])
        x0, y0, x1, y1 = rotate(whole, -lean, origin=(0, 0)).bounds
        corner = shapely.get_coordinates(rotate(shapely.Point(x0, y0), lean, origin=(0, 0)))[0]
        for size in (s for s in _SIZES if s * low >= least or s == 1.0):
            for turn in (0.0, 90.0 if lean <= 0.0 else -90.0):
                found = search.find(size * (x1 - x0), size * (y1 - y0), lean + turn)
                if found is not None:
                    return [_set_anew(item, corner, found, size, turn) for item in part]
    return []


def _set_anew(item: Lettering, origin: Array, to: Array, size: float, turn: float) -> Lettering:
    a = np.radians(turn)
    R = size * np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    if isinstance(item, Polyline):
        return replace(item, points=(item.points - origin) @ R + to)
    x, y = ((np.array(item.at) - origin) @ R + to).tolist()
    return replace(item, at=(x, y), height=size * item.height, angle_deg=item.angle_deg + turn)


def _shifted(block: list[Lettering], by: Array) -> list[Lettering]:
    return [_set_anew(item, np.zeros(2), by, 1.0, 0.0) for item in block]


def with_halves(templates: tuple[Template, ...], stock: Stock) -> tuple[Template, ...]:
    """The templates, symmetric ones whose half fits beside the fold as halves."""
    most = 0.5 * stock.width_mm - stock.margin_mm
    made = []
    for template in templates:
        line = fold_line(template) if template.quantity == 1 and not template.fold else None
        if line is not None:
            half = halved(template, *line)
            deep = (half.cut - line[0]) @ np.array([-line[1][1], line[1][0]])
            template = half if deep.max() <= most + 1e-9 else template
        made.append(template)
    return tuple(made)


def lay_folded(task: Task, pieces: list[Piece], stock: Stock) -> Attempt:
    """Halves in a row on the fold, pairs through both layers beside them, all else opened out.

    The fold is the lower edge of the folded cloth as it is drawn.
    """
    copies: dict[int, int] = {}
    for i, _ in pieces:
        copies[i] = copies.get(i, 0) + 1
    double = replace(stock, width_mm=stock.width_mm / 2.0, fold=False)
    rows: list[tuple[Piece, Shape]] = []
    for i, count in copies.items():
        if count == 1 and task.templates[i].fold:
            rows.append(((i, 0), task.shapes([(i, 0)], double)[0]))
    pairs = [(i, 0) for i, count in copies.items() if count == 2]
    ground = ground_of(double, task.material)
    sheets: list[Sheet] = []
    notes: list[str] = []
    done: set[Piece] = set()
    on_fold, taken = _row_on_fold(task, rows, double)
    free = _region(double, task).difference(shapely.union_all(taken)) if taken else None
    if free is not None:
        corner = ground.corner
        ground = replace(ground, free=shapely.transform(free, lambda P: P - corner))
    shapes = task.shapes(pairs, double)
    fit = [
        k
        for k, shape in enumerate(shapes)
        if turn_that_fits(shape, ground, shape.angles, 0.0, 1.0) is not None
    ]
    pairs, shapes = [pairs[k] for k in fit], [shapes[k] for k in fit]
    lies = []
    if shapes:
        lies, notes = best_plan(shapes, double, task.material, ground, task.effort, task.progress)
    beside = sheets_of(task, pairs, shapes, lies, double, ground)
    laid = [*on_fold, *(it for sheet in beside for it in sheet.laid)]
    if laid:
        end = max(it.outline.bounds[2] for it in laid) + clear_end(double)
        length = stock.length_mm if stock.length_mm > 0 else end
        sheets.append(
            Sheet(
                stock=replace(double, name=f"{stock.name}, folded, the fold below"),
                source=stock.name,
                size=(double.width_mm, length),
                end=end,
                area=stock.width_mm * end,
                layers=2,
                laid=tuple(laid),
            )
        )
        done = {it.piece for it in laid}
        done |= {(i, 1) for i, _ in done if copies[i] == 2}
        notes = [*notes, f"{stock.name} is folded along its length, the good sides facing"]
    left = [p for p in pieces if p not in done]
    # A half is of no use on a single layer.
    halves = [p for p in left if task.templates[p[0]].fold]
    rest = [p for p in left if p not in halves]
    reasons: dict[int, str] = {}
    if rest:
        used = sheets[0].end if sheets else 0.0
        single = replace(stock, fold=False)
        if stock.length_mm > 0:
            single = replace(single, length_mm=stock.length_mm - used)
        if stock.length_mm <= 0 or single.length_mm > 2.0 * stock.margin_mm:
            more = lay_plain(task, rest, single)
            reasons, rest = more.reasons, list(more.left)
            sheets += [
                replace(s, stock=replace(s.stock, name=f"{stock.name}, {OPEN}"))
                for s in more.sheets
            ]
            notes += more.notes
    return Attempt(sheets=tuple(sheets), left=(*halves, *rest), reasons=reasons, notes=tuple(notes))


def _region(stock: Stock, task: Task) -> BaseGeometry:
    """Where grown pieces that do not lie on the fold may be."""
    half = 0.5 * (stock.gap_mm + task.material.kerf_mm)
    margin = stock.margin_mm - half
    long = stock.length_mm if stock.length_mm > 0 else ENDLESS_MM
    return box(margin, margin, long - margin, stock.width_mm - margin)


def _row_on_fold(
    task: Task, rows: list[tuple[Piece, Shape]], stock: Stock
) -> tuple[list[Laid], list[BaseGeometry]]:
    """Halves pushed together along the fold, the widest first; what does not fit is left out."""
    laid: list[Laid] = []
    grown: list[BaseGeometry] = []
    most = stock.width_mm - stock.margin_mm
    long = stock.length_mm if stock.length_mm > 0 else ENDLESS_MM
    for piece, shape in sorted(rows, key=lambda row: (-row[1].true.area, row[0])):
        angle = -task.templates[piece[0]].grain_deg % 360.0
        lying, wide = turned(shape.true, angle), turned(shape.grown, angle)
        y = -lying.bounds[1]
        if lying.bounds[3] + y > most + 1e-9:
            continue
        reach = max((g.bounds[2] for g in grown), default=0.0)
        begin = reach + 10.0 - wide.bounds[0]
        far = moved(wide, begin, y)
        room = begin + lying.bounds[0] - stock.margin_mm
        for other in grown:
            room = min(room, slide(*rings_of(far), *rings_of(other), 0))
        x = begin - room + 1e-3
        if moved(lying, x, y).bounds[2] > long - stock.margin_mm:
            continue
        laid.append(Laid(piece=piece, shape=shape, at=(x, y), angle=angle))
        grown.append(moved(wide, x, y))
    return laid, grown
