"""The exact check of a plan: inside the stock, clear of flaws, the gap kept, by the true outlines."""

import shapely
from shapely.geometry.base import BaseGeometry

EXACT_MM = 1e-4


def at_fault(outlines: list[BaseGeometry], inside: BaseGeometry, gap: float) -> list[int]:
    """Indices of outlines on one sheet that leave it or come too near to an earlier sound one."""
    wide = inside.buffer(EXACT_MM)
    faults = [i for i, shape in enumerate(outlines) if not wide.covers(shape)]
    if len(outlines) < 2:
        return faults
    tree = shapely.STRtree(outlines)
    pairs = tree.query(outlines, predicate="dwithin", distance=max(gap - EXACT_MM, 0.0))
    bad = set(faults)
    for i, j in sorted(zip(pairs[0].tolist(), pairs[1].tolist(), strict=True)):
        if j < i and j not in bad and i not in bad:
            a, b = outlines[i], outlines[j]
            near = a.distance(b)
            if near < gap - EXACT_MM or (near == 0.0 and a.intersection(b).area > EXACT_MM):
                bad.add(i)
    return sorted(bad)
