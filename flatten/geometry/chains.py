"""Joins loose segments end to end into the longest runs that are clear."""

from collections import defaultdict
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray


def chain_segments(segments: Iterable[tuple[int, int]]) -> list[tuple[list[int], bool]]:
    """Runs of vertices, each with whether it closes, that together hold every segment once.

    A run ends where other than two segments meet; a ring is cut open nowhere and does not repeat
    its first vertex. Double segments and points are left out. Open runs come first, each in the
    direction of its first segment in the input.
    """
    unique = list(dict.fromkeys((a, b) for a, b in segments if a != b))
    kept: dict[frozenset[int], tuple[int, int]] = {}
    for a, b in unique:
        kept.setdefault(frozenset((a, b)), (a, b))
    around: dict[int, list[int]] = defaultdict(list)
    for a, b in kept.values():
        around[a].append(b)
        around[b].append(a)
    left = set(kept)
    runs: list[tuple[list[int], bool]] = []

    def walk(a: int, b: int) -> list[int]:
        run = [a, b]
        left.discard(frozenset((a, b)))
        while len(around[run[-1]]) == 2:
            x, y = around[run[-1]]
            after = y if x == run[-2] else x
            step = frozenset((run[-1], after))
            if step not in left:
                break
            left.discard(step)
            run.append(after)
        return run

    for a, b in kept.values():
        if frozenset((a, b)) in left and len(around[a]) != 2:
            runs.append((walk(a, b), False))
    for a, b in kept.values():
        # Drawn towards its end only: found from there, turned back to the way it was drawn.
        if frozenset((a, b)) in left and len(around[b]) != 2:
            runs.append((walk(b, a)[::-1], False))
    for a, b in kept.values():
        if frozenset((a, b)) in left:
            runs.append((walk(a, b)[:-1], True))
    return runs


def weld_points(points: NDArray[np.float64], tolerance: float) -> NDArray[np.int64]:
    """(k,) a number for each point, the same where points fall in one cell of a grid."""
    if not len(points):
        return np.empty(0, dtype=np.int64)
    cell = np.round(points / tolerance) if tolerance > 0 else points
    return np.unique(cell, axis=0, return_inverse=True)[1].ravel()
