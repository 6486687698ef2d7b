"""Lay plan to drawings: one true-size sheet each, a block per template, ink on named layers."""

import re
import textwrap
import unicodedata
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import rotate, translate
from shapely.geometry import MultiPolygon, Polygon, box
from shapely.geometry.base import BaseGeometry

from flatten.drawing.stock_edge import stock_edge
from flatten.geometry.lettering import text_width
from flatten.geometry.placing import bounds, mirrored, moved
from flatten.records.drawing import Block, Circle, Drawing, Ink, Insert, Layer, Polyline, Text
from flatten.records.material import Stock
from flatten.records.template import LayPlan, Template

Array = NDArray[np.float64]

TEST_MM = 100.0
_TEST_CLEAR = 20.0  # between the check square and the stock's edge
_TEST_LETTERS = 4.0
_WORKED: tuple[Layer, ...] = ("CUT", "SNIP", "HOLE", "SCORE")
_REMARK_LETTERS = 8.0
# A corner sharper than this many half kerfs is cut off short of its point.
_MITRE_LIMIT = 4.0


def compose(
    plan: LayPlan,
    stock: Stock | None = None,
    title: str = "",
    remark: str = "",
    *,
    unmarked: bool = False,
) -> tuple[Drawing, ...]:
    """One drawing for each sheet of the plan, y up, x along the stock's length and the grain.

    CUT holds each template's outer line moved out, and its inner lines moved in, by half of the
    material's kerf; all else is as on the template. STOCK is the edge of what the sheet is of (as
    the plan says, else `stock`), with flaws and zones. TEST is a labelled 100 mm square below the
    stock, outside it. A template that is laid mirrored gets a block of its own whose lettering
    still reads. Words that stand beside a small template are left out where they would come to lie
    on another.
    remark : what must be known before the sheet is cut, beside the check square
    unmarked : only what is cut, punched and scored, for pieces whose marks are kept to paper
    """
    templates = plan.template_set.templates
    kerf = plan.template_set.flat_set.material.kerf_mm
    names = _block_names(templates)
    title = title or plan.template_set.flat_set.ply
    drawings = []
    for sheet, (width, length) in enumerate(plan.sheet_sizes):
        placed = [p for p in plan.placements if p.sheet == sheet]
        blocks: dict[str, Block] = {}
        inserts = []
        for place in placed:
            name = names[place.template] + ("-M" if place.mirrored else "")
            if name not in blocks:
                ink = template_ink(templates[place.template], kerf, place.mirrored)
                if unmarked:
                    ink = tuple(item for item in ink if item.layer in _WORKED)
                blocks[name] = Block(name=name, ink=ink)
            inserts.append(Insert(block=name, at=place.at, angle_deg=place.angle_deg))
        count = len(plan.sheet_sizes)
        drawings.append(
            Drawing(
                title=title + (f", sheet {sheet + 1} of {count}" if count > 1 else ""),
                width_mm=length,
                height_mm=width,
                blocks=_words_in_place(blocks, inserts),
                inserts=tuple(inserts),
                ink=(
                    *stock_edge(
                        plan.sheet_stocks[sheet] if plan.sheet_stocks else stock, width, length
                    ),
                    *check_square(),
                    *_said_beside_square(remark),
                ),
            )
        )
    return tuple(drawings)


def _words_in_place(blocks: dict[str, Block], inserts: list[Insert]) -> tuple[Block, ...]:
    """The blocks without words beside their piece that would lie on another piece or its words."""
    pieces = {
        name: shapely.union_all(
            [
                shapely.make_valid(Polygon(i.points))
                for i in block.ink
                if isinstance(i, Polyline) and i.layer == "CUT" and i.closed and len(i.points) > 2
            ]
        )
        for name, block in blocks.items()
    }
    lone = {
        name: [
            i
            for i in block.ink
            if isinstance(i, Text) and not shapely.intersects_xy(pieces[name], *i.at)
        ]
        for name, block in blocks.items()
    }
    kept = dict(blocks)
    for insert in inserts:
        spots = [box(*bounds([moved(text, insert)])) for text in lone[insert.block]]
        if not spots:
            continue
        others = [_laid(pieces[other.block], other) for other in inserts if other is not insert] + [
            box(*bounds([moved(text, other)]))
            for other in inserts
            if other is not insert
            for text in lone[other.block]
        ]
        if any(shapely.intersects(spot, other) for spot in spots for other in others):
            block = blocks[insert.block]
            ink = tuple(i for i in block.ink if not any(i is t for t in lone[insert.block]))
            kept[insert.block] = Block(name=block.name, ink=ink)
    return tuple(kept.values())


def _laid(piece: BaseGeometry, insert: Insert) -> BaseGeometry:
    return translate(rotate(piece, insert.angle_deg, origin=(0.0, 0.0)), *insert.at)


def _said_beside_square(remark: str) -> Iterable[Text]:
    """A remark in lines that can be read across the table, right of the check square."""
    for i, line in enumerate(textwrap.wrap(remark, 60)):
        at = (TEST_MM + _TEST_CLEAR, -_TEST_CLEAR - 2.0 * _REMARK_LETTERS * (i + 1))
        yield Text(text=line, at=at, height=_REMARK_LETTERS, layer="TEST")


def template_blocks(templates: tuple[Template, ...]) -> tuple[Block, ...]:
    """A block for each template as it is, without kerf: what paper shows."""
    return tuple(
        Block(name=name, ink=template_ink(template))
        for name, template in zip(_block_names(templates), templates, strict=True)
    )


def template_ink(template: Template, kerf_mm: float = 0.0, mirror: bool = False) -> tuple[Ink, ...]:
    """All ink of a template in its own coordinates, or their mirror image, the cut lines first.

    The second of a pair has words of its own where the template has them.
    """
    outer = _offset(template.cut, kerf_mm / 2)
    if template.fold:  # what lies on the fold is not cut
        outline = Polyline(layer="CUT", points=template.cut)
        holes = [Polyline(layer="CUT", points=hole, closed=True) for hole in template.inner]
        return (outline, *holes, *template.ink)
    inner = [ring for hole in template.inner for ring in _offset(hole, -kerf_mm / 2)]
    cut = [Polyline(layer="CUT", points=ring, closed=True) for ring in (*outer, *inner)]
    rest = template.ink
    if mirror:
        cut = [mirrored(line) for line in cut]
        rest = template.mirror_ink or tuple(mirrored(item) for item in template.ink)
    return (*cut, *(_narrowed(item, kerf_mm / 2) for item in rest))


def _narrowed(item: Ink, by: float) -> Ink:
    """A round hole made smaller all round, so that it has its size once cut; other ink as it is."""
    if isinstance(item, Circle) and item.layer == "HOLE" and item.radius > by:
        return replace(item, radius=item.radius - by)
    return item


def _offset(ring: Array, distance: float) -> list[Array]:
    """A closed line moved out (in where negative); itself where nothing of it would be left."""
    if distance == 0.0 or len(ring) < 3:
        return [ring]
    polygon = shapely.make_valid(Polygon(ring))
    grown = polygon.buffer(distance, join_style="mitre", mitre_limit=_MITRE_LIMIT)
    parts = list(grown.geoms) if isinstance(grown, MultiPolygon) else [grown]
    rings = [
        np.array(line.coords)[:-1]
        for part in parts
        if isinstance(part, Polygon) and not part.is_empty
        for line in (part.exterior, *part.interiors)
    ]
    return rings or [ring]


def check_square(at: tuple[float, float] = (0.0, -TEST_MM - _TEST_CLEAR)) -> tuple[Ink, ...]:
    """A square of 100 mm, and the words that say so, with its lower left corner `at`."""
    x, y = at
    layer: Layer = "TEST"
    corners = np.array([[x, y], [x + TEST_MM, y], [x + TEST_MM, y + TEST_MM], [x, y + TEST_MM]])
    words = ("100 x 100 mm", "measure before cutting")
    lines = []
    for i, text in enumerate(words):
        start = x + (TEST_MM - text_width(text, _TEST_LETTERS)) / 2
        row = y + TEST_MM / 2 + _TEST_LETTERS * (0.5 - 2.0 * i)
        lines.append(Text(text=text, at=(start, row), height=_TEST_LETTERS, layer=layer))
    return (Polyline(layer=layer, points=corners, closed=True), *lines)


def _block_names(templates: tuple[Template, ...]) -> list[str]:
    """Block names that every reader takes, R12 too: capitals, figures and hyphens, each once."""
    names: list[str] = []
    for template in templates:
        plain = unicodedata.normalize("NFKD", template.name).encode("ascii", "ignore").decode()
        base = re.sub(r"[^A-Z0-9]+", "-", plain.upper()).strip("-")[:20] or "PIECE"
        name, number = base, 1
        while name in names:
            number += 1
            name = f"{base}-{number}"
        names.append(name)
    return names
