"""The stock as ground to lay pieces on: margins, a hide's outline, its flaws."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

from flatten.errors import BadInput
from flatten.records.material import Material, Stock

ENDLESS_MM = 1e6


@dataclass(frozen=True, eq=False, kw_only=True)
class Ground:
    """Where pieces may lie on one sheet, hide or roll.

    width, length : mm along y and x that grown pieces may take up, beginning at `corner`
    free : the region for grown pieces, None for the whole rectangle; moved so that `corner` is 0
    inside : the region for the true outlines, in the stock's own coordinates
    endless : a roll whose length is what the pieces need
    bins : how many there are at most; 0 for as many as needed
    """

    width: float
    length: float
    corner: tuple[float, float]
    free: BaseGeometry | None
    inside: BaseGeometry
    endless: bool
    bins: int


def ground_of(stock: Stock, material: Material) -> Ground:
    """The ground of a stock; kerfs are cut within the margin.

    Flaws are kept clear of by the gap.

    Raises
    ------
    BadInput : the stock has no size, or nothing is left within its margins
    """
    half = 0.5 * (stock.gap_mm + material.kerf_mm)
    margin = stock.margin_mm + stock.teeth_mm + 0.5 * material.kerf_mm
    flaws = [shapely.make_valid(Polygon(hole)) for hole in stock.holes if len(hole) > 2]
    flaw: BaseGeometry = shapely.union_all(flaws) if flaws else Polygon()
    endless = False
    if stock.outline is not None:
        hide = shapely.make_valid(Polygon(stock.outline)) if len(stock.outline) > 2 else Polygon()
        inside, free = hide.buffer(-margin), hide.buffer(half - margin)
    else:
        endless = stock.kind == "roll" and stock.length_mm <= 0
        long = ENDLESS_MM if endless else stock.length_mm
        x, y = long - margin, stock.width_mm - margin
        if x <= margin or y <= margin:
            inside = free = Polygon()
        else:
            inside = box(margin, margin, x, y)
            free = box(margin - half, margin - half, x + half, y + half)
    if inside.is_empty or free.is_empty:
        raise BadInput(
            f"nothing is left within margins of {stock.margin_mm:g} mm",
            f"stock '{stock.name}'",
            "give its width and length, or its outline, in mm",
        )
    x0, y0, x1, y1 = free.bounds
    ragged = stock.outline is not None or not flaw.is_empty
    if ragged:
        inside = inside.difference(flaw.buffer(2.0 * half))
        free = shapely.transform(free.difference(flaw.buffer(half)), lambda P: P - (x0, y0))
    bins = 1 if stock.kind == "roll" else stock.count
    return Ground(
        width=y1 - y0,
        length=np.inf if endless else x1 - x0,
        corner=(x0, y0),
        free=free if ragged else None,
        inside=inside,
        endless=endless,
        bins=max(bins, 0),
    )


def blocked(ground: Ground, length: float) -> BaseGeometry | None:
    """What of the ground's rectangle may not be used; None where all may."""
    if ground.free is None:
        return None
    return box(0.0, 0.0, length, ground.width).difference(ground.free)


def size_words(stock: Stock) -> str:
    """A stock's size in words."""
    if stock.outline is not None:
        w, h = np.ptp(stock.outline, axis=0)
        return f"a hide of {w:.0f} x {h:.0f} mm"
    if stock.length_mm <= 0:
        return f"{stock.width_mm:.0f} mm wide"
    return f"{stock.length_mm:.0f} x {stock.width_mm:.0f} mm"


def rectangle(stock: Stock) -> NDArray[np.float64]:
    """(2,) length and width of one sheet or hide, 0 for the length of an endless roll."""
    if stock.outline is not None:
        return np.ptp(stock.outline, axis=0)
    return np.array([max(stock.length_mm, 0.0), stock.width_mm])
