"""A plain lay plan: templates in rows by their bounding boxes, always valid, never the tightest."""

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from flatten.records.material import Material, Stock
from flatten.records.template import LayPlan, Placement, Template, TemplateSet, Usage


def turned(points: NDArray[np.float64], angle_deg: float) -> NDArray[np.float64]:
    """(k, 2) points turned about the origin."""
    a = np.radians(angle_deg)
    c, s = np.cos(a), np.sin(a)
    return points @ np.array([[c, s], [-s, c]])


def _angles(template: Template, material: Material) -> tuple[float, ...]:
    # The grain lies along the stock's length, which is x.
    along = -template.grain_deg
    if material.grain == "along":
        return (along,) if material.one_way else (along, along + 180.0)
    return tuple(along + step for step in range(0, 180, 15))


def _best_turn(template: Template, material: Material, width: float, length: float):
    """The allowed turn with the flattest box that fits, as (angle, low corner, size), or None."""
    found = None
    for angle in _angles(template, material):
        P = turned(template.cut, angle)
        low, size = P.min(axis=0), np.ptp(P, axis=0)
        fits = size[1] <= width + 1e-9 and (length <= 0 or size[0] <= length + 1e-9)
        if fits and (found is None or size[0] * size[1] < found[2][0] * found[2][1] - 1e-6):
            found = (angle, low, size)
    return found


def lay_in_rows(template_set: TemplateSet, stock: Stock, material: Material) -> LayPlan:
    """Templates on sheets or a roll; x runs along the stock's length, y across its width.

    Tallest first, each row as high as its first piece; gap and margins kept between boxes, hence
    between outlines too. What does not fit is listed in words in `unplaced`, never dropped.
    """
    width = stock.width_mm - 2 * stock.margin_mm
    length = 0.0 if stock.length_mm <= 0 else stock.length_mm - 2 * stock.margin_mm
    unplaced: list[tuple[int, str]] = []
    pieces = []
    for index, template in enumerate(template_set.templates):
        turn = _best_turn(template, material, width, length)
        if turn is None:
            size = np.ptp(turned(template.cut, -template.grain_deg), axis=0)
            unplaced.append(
                (
                    index,
                    f"{template.name} is {size[0]:.0f} x {size[1]:.0f} mm along and across the"
                    f" grain; {stock.name} offers {length or np.inf:.0f} x {width:.0f} mm",
                )
            )
        else:
            pieces += [(index, *turn)] * template.quantity
    # Columns across the stock: each as long as its longest piece, filled from y = 0 upwards.
    pieces.sort(key=lambda p: (-p[3][0], p[0]))
    placements: list[Placement] = []
    sheet, x, y, column = 0, 0.0, 0.0, 0.0
    ends = [0.0]
    for index, angle, low, size in pieces:
        if y > 0 and y + size[1] > width + 1e-9:
            x, y, column = x + column + stock.gap_mm, 0.0, 0.0
        if length > 0 and x > 0 and x + size[0] > length + 1e-9:
            if stock.kind != "sheet" or (stock.count and sheet + 1 >= stock.count):
                name = template_set.templates[index].name
                unplaced.append((index, f"{name}: no room left on {stock.name}"))
                continue
            sheet, x, y, column = sheet + 1, 0.0, 0.0, 0.0
            ends.append(0.0)
        at = (stock.margin_mm + x - low[0], stock.margin_mm + y - low[1])
        placements.append(Placement(template=index, sheet=sheet, at=at, angle_deg=angle))
        y += size[1] + stock.gap_mm
        column = max(column, size[0])
        ends[sheet] = max(ends[sheet], x + size[0])
    used = [end + 2 * stock.margin_mm for end in ends]
    sizes = tuple((stock.width_mm, stock.length_mm if stock.length_mm > 0 else u) for u in used)
    return LayPlan(
        template_set=template_set,
        stock=stock.name,
        sheet_sizes=sizes,
        placements=tuple(placements),
        usage=usage_of(template_set, placements, stock, used),
        unplaced=tuple(unplaced),
    )


def usage_of(
    template_set: TemplateSet, placements: list[Placement], stock: Stock, used: list[float]
) -> Usage:
    """Sheets or length taken, the yield over the stock used, and the length of all cuts."""
    net = cut = 0.0
    for placement in placements:
        template = template_set.templates[placement.template]
        outline = np.vstack([edge.points for edge in template.net])
        net += Polygon(outline).area
        for loop in (template.cut, *template.inner):
            cut += float(np.linalg.norm(np.diff(loop, axis=0, append=loop[:1]), axis=1).sum())
    total = sum(used)
    area = stock.width_mm * total
    sheets = len(used) if stock.kind == "sheet" and placements else 0
    if stock.kind == "sheet":
        bought = f"{sheets} of {stock.width_mm:.0f} x {stock.length_mm:.0f} mm"
    else:
        bought = f"{np.ceil(total / 100.0) / 10.0:.1f} m of {stock.width_mm:.0f} mm"
    return Usage(
        sheets=sheets,
        used_length_mm=total,
        yield_pct=100.0 * net / area if area > 0 else 0.0,
        cut_mm=cut,
        buy=((stock.name, bought),),
    )
