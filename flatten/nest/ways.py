"""What does not fit, by how much, and the cheapest ways out that can be computed."""

from collections.abc import Callable

import numpy as np
from shapely.geometry import LineString

from flatten.nest.ground import Ground, rectangle, size_words
from flatten.nest.pieces import Shape, extent, turned
from flatten.records.material import Material, Stock
from flatten.records.template import Template

FREE_STEP_DEG = 1.0
OFF_STEP_DEG = 0.5


def turn_that_fits(
    shape: Shape, ground: Ground, near: tuple[float, ...], most: float, step: float
) -> float | None:
    """The least turn away from one of `near`, up to `most` degrees, at which the box fits."""
    for off in np.arange(0.0, most + 1e-9, step):
        for base in near:
            for angle in (base + off, base - off):
                w, h = extent(turned(shape.grown, float(angle)))
                if w <= ground.length + 1e-7 and h <= ground.width + 1e-7:
                    return float(angle)
    return None


def too_big(
    template: Template, shape: Shape, stock: Stock, material: Material, ground: Ground
) -> str:
    """Why a piece fits on no sheet by itself, by how much, and what would help."""
    clear = stock.gap_mm + material.kerf_mm
    room = np.array([ground.length, ground.width]) - clear
    sizes = np.array([extent(turned(shape.true, angle)) for angle in shape.angles])
    over = np.maximum(sizes - room, 0.0)
    best = int(np.argmin(over.max(axis=1)))
    size, excess = sizes[best], over[best]
    grain = "" if shape.any else " along and across the grain"
    offered = f"{room[0]:.0f} x" if np.isfinite(room[0]) else "any length x"
    words = f"{template.name} is {size[0]:.0f} x {size[1]:.0f} mm{grain}; {stock.name} offers"
    words += f" {offered} {room[1]:.0f} mm within its margins"
    if excess.max() > 0.0:
        parts = [
            f"{e:.1f} mm too {side}"
            for e, side in zip(excess, ("long", "wide"), strict=True)
            if e > 0.0
        ]
        words += f": {' and '.join(parts)}"
    ways = []
    if not shape.any:
        angle = turn_that_fits(shape, ground, shape.angles, 90.0, OFF_STEP_DEG)
        if angle is not None:
            off = min(abs((angle - a + 180.0) % 360.0 - 180.0) for a in shape.angles)
            ways.append(f"it fits turned {off:g}° off the grain")
    split = split_words(shape, material, size, room, shape.angles[best])
    if split:
        ways.append(split)
    ways.append(f"cut it from a stock of at least {size[0]:.0f} x {size[1]:.0f} mm and margins")
    return f"{words}. Ways out: {'; '.join(ways)}"


def split_words(
    shape: Shape, material: Material, size: np.ndarray, room: np.ndarray, angle: float
) -> str:
    """Splitting by straight cuts across the axis that is too long: into how many, what is added."""
    butt = material.family == "foam"
    added = material.allowance_mm.butt if butt else material.allowance_mm.seam
    # A hide may offer its box and still hold no such piece: halve the longer side then.
    axis = int(np.argmax(size - room)) if (size > room).any() else int(np.argmax(size))
    parts = 2
    while size[axis] / parts + 2.0 * added > room[axis]:
        parts += 1
        if parts > 20:
            return ""
    if size[1 - axis] > room[1 - axis]:
        return ""
    lying = turned(shape.true, angle)
    x0, y0, x1, y1 = lying.bounds
    length = 0.0
    for k in range(1, parts):
        at = (x0, y0)[axis] + size[axis] * k / parts
        line = [(at, y0), (at, y1)] if axis == 0 else [(x0, at), (x1, at)]
        length += float(lying.intersection(LineString(line)).length)
    across = "length" if axis == 0 else "width"
    width = f", {added:g} mm allowance on both sides" if added else ", butted"
    return f"split it across its {across} into {parts}, which adds {length:.0f} mm of seam{width}"


def no_room(template: Template, count: int, stock: Stock, ways: list[str]) -> str:
    """Why a piece that fits by itself found no place beside the others."""
    which = "is" if count == 1 else f"({count} of it) are"
    words = f"{template.name} {which} left over: no room beside the others on {have(stock)}"
    return f"{words}. Ways out: {'; '.join(ways)}" if ways else words


def have(stock: Stock) -> str:
    """The stock there is, in words."""
    if stock.kind == "roll":
        return f"{stock.name}, {size_words(stock)}"
    return f"{stock.count or 1} {stock.name} ({size_words(stock)})"


def more_stock(
    stock: Stock,
    bins: Callable[[], int | None],
    length: Callable[[], float],
) -> list[str]:
    """How many more sheets or hides, or how much more length, would hold everything."""
    if stock.kind == "roll":
        need = length()
        short = need - float(rectangle(stock)[0])
        return [f"{need:.0f} mm of length would hold everything, {short:.0f} mm more"]
    need = bins()
    if need is None or need <= stock.count:
        return []
    return [f"buy {need - stock.count} more {stock.name}"]
