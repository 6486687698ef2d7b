"""What a lay plan shows of the stock itself: edge, flaws, zones, a hide's backbone, a mat's teeth."""

from collections.abc import Iterable

import numpy as np

from flatten.records.drawing import Ink, Polyline, Text
from flatten.records.material import Stock

_LETTERS_MM = 20.0


def stock_edge(stock: Stock | None, width: float, length: float) -> Iterable[Ink]:
    """The ink of the STOCK layer for a sheet of that width and length, or for a hide's outline."""
    corners = np.array([[0.0, 0.0], [length, 0.0], [length, width], [0.0, width]])
    edge = corners if stock is None or stock.outline is None else stock.outline
    yield Polyline(layer="STOCK", points=edge, closed=True)
    if stock is None:
        return
    for ring in stock.holes:
        yield Polyline(layer="STOCK", points=ring, closed=True)
    for zone in stock.zones:
        yield Polyline(layer="STOCK", points=zone.outline, closed=True)
        x, y = zone.outline.mean(axis=0).tolist()
        yield Text(text=f"zone {zone.name}", at=(x, y), height=_LETTERS_MM, layer="STOCK")
    if stock.teeth_mm > 0.0:
        t = stock.teeth_mm
        root = np.array([[t, t], [length - t, t], [length - t, width - t], [t, width - t]])
        yield Polyline(layer="STOCK", points=root, closed=True)
    if stock.backbone_deg is not None:
        a = np.radians(stock.backbone_deg)
        way, middle = np.array([np.cos(a), np.sin(a)]), edge.mean(axis=0)
        along = (edge - middle) @ way
        ends = np.array([middle + along.min() * way, middle + along.max() * way])
        yield Polyline(layer="STOCK", points=ends)
