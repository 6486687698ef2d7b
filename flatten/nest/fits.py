"""Whether a piece fits on an empty sheet at all, and by how much it does not."""

import numpy as np

from flatten.nest.ground import Ground, size_words
from flatten.nest.pieces import Shape, extent, turned
from flatten.records.material import Material, Stock
from flatten.records.template import Template

FREE_STEP_DEG = 1.0


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
    """Why a piece fits on no sheet by itself, and by how much."""
    clear = stock.gap_mm + material.kerf_mm
    room = np.array([ground.length, ground.width]) - clear
    size, excess = excess_of(shape, room)
    grain = "" if shape.any else " along and across the grain"
    offered = f"{room[0]:.0f} x" if np.isfinite(room[0]) else "any length x"
    words = f"{template.name} is {size[0]:.0f} x {size[1]:.0f} mm{grain}; {stock.name} offers"
    words += f" {offered} {room[1]:.0f} mm within its margins"
    if excess.max() <= 0.0:
        return f"{words}, but not in that shape"
    parts = [
        f"{e:.1f} mm too {side}"
        for e, side in zip(excess, ("long", "wide"), strict=True)
        if e > 0.0
    ]
    return f"{words}: {' and '.join(parts)}"


def excess_of(shape: Shape, room: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(2,) size along and across in the turn that suits best, and by how much it is too large."""
    sizes = np.array([extent(turned(shape.true, angle)) for angle in shape.angles])
    over = np.maximum(sizes - room, 0.0)
    best = int(np.argmin(over.max(axis=1)))
    return sizes[best], over[best]


def have(stock: Stock) -> str:
    """The stock there is, in words."""
    if stock.kind in ("roll", "offcut"):
        return f"{stock.name}, {size_words(stock)}"
    return f"{stock.count or 1} {stock.name} ({size_words(stock)})"
