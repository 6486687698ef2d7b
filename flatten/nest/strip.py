"""Pieces on one strip as short as it gets: a packer that resolves collisions, then the press.

The packer works in a process of its own on coarse outlines and tells of every arrangement it comes
to. Its arrangements follow from the seed alone, so that a search that ends with a number of them
gives the same plan every time. The press then takes the last ones and closes them up by the true
outlines, turning pieces by less than the packer can.
"""

import contextlib
import json
import os
import queue
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Generator
from dataclasses import dataclass

import numpy as np
from shapely.geometry import Polygon

from flatten.nest.ground import Ground
from flatten.nest.pieces import Shape
from flatten.nest.press import press
from flatten.nest.search import Lie, Progress, ends_of
from flatten.records.effort import Effort

Plan = list[Lie | None]

COARSE_MM = 0.8  # how coarse outlines may be for the packer, on pieces 200 mm wide and more
COARSE_SHARE = 0.004
OUTWARD = 0.4  # share of it by which they are grown
# Part of what decides the arrangements, so not the number of cores. Measured on pieces of body casts:
# four keep two cores busier than two do, six leave each too little time.
THREADS = 4
KEPT = 8  # arrangements that are pressed
PRESS_S = 0.05  # seconds by piece that they take, all together
# Where iterations are not given the packer has come down to the slow part of its search after about
# so many arrangements, or when the strip is so full, as measured on pieces of body casts.
USUAL, MOST, BY_PIECE, FULL = 450, 750, 30, 0.8
LEAST_STREAK, MOST_STREAK = 4, 16  # with collisions, in a row
STALLED_S = 60.0  # a packer that takes so much longer than usual is given up
POLL_S = 0.1
LONGEST_S = 86400


@dataclass(frozen=True, kw_only=True)
class Packed:
    """Plans on one strip, how many arrangements were seen, and whether the clock ended the search."""

    plans: list[Plan]
    seen: int
    by_clock: bool


def pack_strip(
    shapes: list[Shape],
    ground: Ground,
    gap: float,
    effort: Effort,
    progress: Progress,
) -> Packed:
    """Plans of all shapes on one strip as wide as the ground; one may be longer than the ground.

    The iterations of the effort are arrangements that the packer comes to.
    """
    enough = _Enough(shapes, ground, effort)
    began = time.perf_counter()
    ends: deque[Plan] = deque(maxlen=KEPT)
    last: Plan | None = None
    seen = streak = 0
    by_clock = False
    # A share of the time is kept for the press; how long it takes grows with the pieces.
    spare = 0.0 if effort.seconds is None else _press_s(shapes, effort.seconds)
    limit = None if effort.seconds is None else effort.seconds - spare
    with contextlib.closing(_arrangements(shapes, ground, gap, effort.seed)) as arrangements:
        for arrangement in arrangements:
            waited = time.perf_counter() - began
            if arrangement is not None:
                clear, plan = arrangement
                seen += 1
                if last is not None and streak == 0 and not clear:
                    ends.append(last)
                last, streak = plan, 0 if clear else streak + 1
            if limit is not None:
                progress(min(waited / limit, 1.0))
                if waited >= limit:
                    by_clock = True
                    break
                continue
            progress(min(seen / enough.most, 1.0))
            if arrangement is not None and enough(seen, streak, arrangement[1]):
                break
            if arrangement is None and waited > STALLED_S:
                by_clock = True
                break
    # One that still has collisions takes long to part, and came out no shorter in any trial.
    if last is not None and (streak == 0 or not ends):
        ends.append(last)
    plans: list[Plan] = []
    slowest = 0.0
    for plan in reversed(ends):  # the shortest first
        begun = time.perf_counter()
        # None is begun that may not end in time.
        if plans and limit is not None and begun - began + slowest > limit + spare:
            break
        progress(1.0)
        plans.append(press(shapes, plan, ground, gap))
        slowest = max(slowest, time.perf_counter() - begun)
    return Packed(plans=plans, seen=seen, by_clock=by_clock)


class _Enough:
    """Whether the packer has come to enough arrangements; the clock has no part in it."""

    def __init__(self, shapes: list[Shape], ground: Ground, effort: Effort) -> None:
        n = len(shapes)
        self.given = effort.iterations is not None
        usual = max(min(USUAL, 60000 // n), 20)
        self.most = effort.iterations or usual * MOST // USUAL
        self.usual = usual
        self.settled = min(usual, BY_PIECE * n)
        self.patience = int(np.clip(n // 2, LEAST_STREAK, MOST_STREAK))
        self.shapes = shapes
        self.full = sum(s.grown.area for s in shapes) / (FULL * ground.width)

    def __call__(self, seen: int, streak: int, plan: Plan) -> bool:
        if seen >= self.most or (self.given and streak >= 2 * MOST_STREAK):
            return True
        if self.given or seen < self.settled:
            return False
        full = seen >= self.usual and ends_of(self.shapes, plan)[0] <= self.full
        return full or streak >= self.patience


def _press_s(shapes: list[Shape], seconds: float) -> float:
    """Seconds kept for the press, at most a quarter."""
    return min(0.25 * seconds, PRESS_S * len(shapes))


def _arrangements(
    shapes: list[Shape], ground: Ground, gap: float, seed: int
) -> Generator[tuple[bool, Plan] | None]:
    """Whether it is clear of collisions, and the plan, as the packer finds them; None to wait."""
    items = [[_coarse(s, gap), None if s.any else [float(a) for a in s.angles]] for s in shapes]
    asked = {
        "height": float(ground.width), "items": items, "seed": seed, "threads": THREADS,
        "seconds": LONGEST_S,
    }  # fmt: skip
    try:
        worker = subprocess.Popen(
            [sys.executable, "-P", "-m", "flatten.nest.strip_worker"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
        )
    except OSError:
        return
    assert worker.stdin is not None
    assert worker.stdout is not None
    said: queue.Queue[str | None] = queue.Queue()
    out = worker.stdout
    reader = threading.Thread(target=lambda: [said.put(line) for line in out] + [said.put(None)])
    reader.start()
    try:
        worker.stdin.write(json.dumps(asked) + "\n")
        worker.stdin.flush()
        while True:
            try:
                line = said.get(timeout=POLL_S)
            except queue.Empty:
                yield None
                continue
            if line is None:
                return
            clear, lies = json.loads(line)
            yield clear, [Lie(bin=0, angle=a, x=x, y=y) for a, x, y in lies]
    except OSError:
        return
    finally:
        worker.kill()
        worker.wait()
        reader.join()
        worker.stdin.close()
        out.close()


def _coarse(shape: Shape, gap: float) -> list[tuple[float, float]]:
    """The border grown by half the gap, with few points; the press mends what they cut off."""
    size = float(np.sqrt(shape.true.area))
    slack = min(COARSE_MM, COARSE_SHARE * size)
    outline = shape.grown.buffer(OUTWARD * slack, join_style="mitre", mitre_limit=1.5)
    outline = outline.simplify(slack)
    if not isinstance(outline, Polygon) or outline.is_empty:
        outline = shape.grown
    return [(float(x), float(y)) for x, y in outline.exterior.coords[:-1]]
