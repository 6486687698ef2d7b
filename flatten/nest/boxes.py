"""A plan by bounding boxes against a skyline: exact to the last digit, so that rectangles fit tight.

The bottom-left rule over a skyline (Baker, Coffman & Rivest, Orthogonal packings in two dimensions,
SIAM J. Comput. 9(4), 1980, give the rule and its bound), in several orders.
"""

import numpy as np

from flatten.nest.ground import Ground
from flatten.nest.pieces import Shape, turned
from flatten.nest.search import Lie

TOUCH = 1e-9
Box = tuple[float, tuple[float, float, float, float]]  # a turn and the bounds it gives


def lay_boxes(shapes: list[Shape], ground: Ground) -> list[Lie | None]:
    """Places for the shapes by their boxes, the best of several orders; only on rectangular ground."""
    boxes = [
        [(angle, turned(shape.grown, angle).bounds) for angle in shape.angles] for shape in shapes
    ]
    sides = np.array([_size(own[0]) for own in boxes])
    keys = (sides[:, 0], sides[:, 1], sides.prod(axis=1), sides.max(axis=1))
    # All lying along, all standing across, and each as it comes: rows of alike pieces need one turn.
    along = [[min(own, key=lambda o: _size(o)[1])] for own in boxes]
    across = [[min(own, key=lambda o: _size(o)[0])] for own in boxes]
    along = [own if _fits(own[0], ground) else all_ for own, all_ in zip(along, boxes, strict=True)]
    across = [own if _fits(own[0], ground) else a for own, a in zip(across, along, strict=True)]
    best: tuple[tuple[float, int, float], list[Lie | None]] | None = None
    for key in keys:
        order = [int(i) for i in np.lexsort((np.arange(len(shapes)), -key))]
        for turns in (boxes, along, across):
            lies, score = _skyline(shapes, turns, order, ground)
            if best is None or score < best[0]:
                best = (score, lies)
    return best[1] if best else []


def _size(box: Box) -> tuple[float, float]:
    _, (x0, y0, x1, y1) = box
    return x1 - x0, y1 - y0


def _fits(box: Box, ground: Ground) -> bool:
    w, h = _size(box)
    return w <= ground.length + TOUCH and h <= ground.width + TOUCH


def _skyline(shapes: list[Shape], boxes, order: list[int], ground: Ground):
    lies: list[Lie | None] = [None] * len(shapes)
    lines: list[list[tuple[float, float, float]]] = []  # (y from, y to, x reached) of each sheet
    out = 0.0
    most = ground.bins or len(shapes)
    for i in order:
        placed = None
        for b in range(min(len(lines) + 1, most)):
            line = lines[b] if b < len(lines) else [(0.0, ground.width, 0.0)]
            for angle, (x0, y0, x1, y1) in boxes[i]:
                spot = _spot(line, x1 - x0, y1 - y0, ground)
                if spot is not None:
                    rank = (round(spot[0] + x1 - x0, 6), round(spot[1], 6))
                    if placed is None or rank < placed[0]:
                        placed = (rank, angle, spot, (x0, y0, x1, y1))
            if placed is not None:
                _, angle, (x, y), (x0, y0, x1, y1) = placed
                if b == len(lines):
                    lines.append(line)
                lines[b] = _raised(line, y, y + y1 - y0, x + x1 - x0)
                lies[i] = Lie(bin=b, angle=angle, x=x - x0, y=y - y0)
                break
        else:
            out += shapes[i].true.area
    end = max((x for _, _, x in lines[-1]), default=0.0) if lines else 0.0
    return lies, (round(out, 6), len(lines), round(end, 6))


def _spot(line, w: float, h: float, ground: Ground) -> tuple[float, float] | None:
    best = None
    for y in sorted({low for low, _, _ in line} | {max(high - h, 0.0) for _, high, _ in line}):
        if y + h > ground.width + TOUCH:
            continue
        x = max(reach for low, high, reach in line if low < y + h - TOUCH and high > y + TOUCH)
        if x + w <= ground.length + TOUCH and (best is None or x < best[0] - TOUCH):
            best = (x, y)
    return best


def _raised(line, low: float, high: float, reach: float):
    out = []
    for a, b, x in line:
        if b <= low + TOUCH or a >= high - TOUCH:
            out.append((a, b, x))
            continue
        if a < low - TOUCH:
            out.append((a, low, x))
        if b > high + TOUCH:
            out.append((high, b, x))
    return sorted([*out, (low, high, reach)])
