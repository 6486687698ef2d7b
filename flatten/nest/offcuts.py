"""What a plan leaves of its sheets and is worth keeping for the next job."""

import numpy as np
import shapely
from shapely.affinity import rotate
from shapely.geometry import Polygon, box

from flatten.nest.attempt import Sheet
from flatten.records.material import Material, Stock
from flatten.records.template import Offcut

NARROW_MM = 80.0  # what is narrower is waste
LEAST_MM2 = 40_000.0  # 200 x 200
SIMPLE_MM = 1.0


def offcuts_of(sheets: tuple[Sheet, ...], material: Material) -> tuple[Offcut, ...]:
    """Outlines of what is left, the largest first; on a folded roll nothing is kept.

    They are drawn within what is really there, by up to 2 mm.
    """
    found = []
    for sheet in sheets:
        stock = sheet.stock
        if sheet.layers > 1:
            continue
        gap = stock.gap_mm + material.kerf_mm
        whole = _whole(sheet)
        flaws = [shapely.make_valid(Polygon(hole)) for hole in stock.holes]
        taken = [it.outline.buffer(gap) for it in sheet.laid]
        rest = whole.difference(shapely.union_all([*taken, *flaws]))
        # Only what a disc of the least breadth can sweep over is kept.
        rest = rest.buffer(-0.5 * NARROW_MM).buffer(0.5 * NARROW_MM - SIMPLE_MM)
        for part in shapely.get_parts(rest.simplify(SIMPLE_MM)):
            if isinstance(part, Polygon) and part.area >= LEAST_MM2:
                found.append(_offcut(part, stock, material))
    return tuple(sorted(found, key=lambda offcut: -Polygon(offcut.outline).area))


def _whole(sheet: Sheet):
    stock = sheet.stock
    if stock.outline is not None:
        return shapely.make_valid(Polygon(stock.outline))
    width, length = sheet.size
    t = stock.teeth_mm
    return box(t, t, (sheet.end if stock.kind == "roll" else length) - t, width - t)


def _offcut(part: Polygon, stock: Stock, material: Material) -> Offcut:
    """In coordinates of its own, the grain (a hide's backbone) along x."""
    part = rotate(part, -(stock.backbone_deg or 0.0), origin=(0, 0))
    low = np.array(part.bounds[:2])
    return Offcut(
        stock=stock.name,
        material=material.name,
        thickness_mm=material.thickness_mm,
        outline=np.array(part.exterior.coords)[:-1] - low,
        holes=tuple(np.array(ring.coords)[:-1] - low for ring in part.interiors),
    )


def as_stocks(offcuts: tuple[Offcut, ...], gap_mm: float, margin_mm: float) -> tuple[Stock, ...]:
    """The offcuts as stock that pieces can be laid on."""
    stocks = []
    for number, offcut in enumerate(offcuts, start=1):
        size = np.ptp(offcut.outline, axis=0)
        stocks.append(
            Stock(
                name=f"what is left of {offcut.stock} ({number})",
                kind="offcut",
                width_mm=float(size[1]),
                length_mm=float(size[0]),
                count=1,
                gap_mm=gap_mm,
                margin_mm=margin_mm,
                outline=offcut.outline,
                holes=offcut.holes,
            )
        )
    return tuple(stocks)
