"""Search by the clock on rectangular ground: a strip packer that resolves collisions step by step."""

import threading
from collections.abc import Callable

import spyrrow

from flatten.nest.ground import Ground
from flatten.nest.pieces import Shape
from flatten.nest.search import Lie

# The packer counts in single precision; pieces are grown by more than it may lose.
SINGLE_MM = 0.004
POLL_S = 0.2


def pack_strip(
    shapes: list[Shape],
    ground: Ground,
    seconds: int,
    seed: int,
    progress: Callable[[float], None],
) -> list[Lie | None]:
    """Places on one strip as wide as the ground, as short as `seconds` allow.

    The strip may come out longer than the ground. `progress` is told the share of the time gone;
    what it raises ends the wait.
    """
    items = []
    for i, shape in enumerate(shapes):
        ring = shape.grown.buffer(SINGLE_MM, join_style="mitre").exterior
        outline = [(float(x), float(y)) for x, y in ring.coords[:-1]]
        angles = None if shape.any else [float(a) for a in shape.angles]
        items.append(spyrrow.Item(str(i), outline, 1, angles))
    instance = spyrrow.StripPackingInstance("strip", float(ground.width), items)
    exploring = max(1, round(0.8 * seconds))
    config = spyrrow.StripPackingConfig(
        exploration_time=exploring,
        compression_time=max(1, seconds - exploring),
        total_computation_time=None,
        early_termination=False,
        seed=seed,
    )
    result: list[spyrrow.StripPackingSolution] = []
    worker = threading.Thread(target=lambda: result.append(instance.solve(config)), daemon=True)
    worker.start()
    waited = 0.0
    while worker.is_alive():
        worker.join(POLL_S)
        waited += POLL_S
        progress(min(waited / seconds, 1.0))
    lies: list[Lie | None] = [None] * len(shapes)
    for item in result[0].placed_items if result else ():
        x, y = item.translation
        lies[int(item.id)] = Lie(bin=0, angle=float(item.rotation), x=float(x), y=float(y))
    return lies
