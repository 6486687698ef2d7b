"""Where a flat lies over itself, and the cut that would part it."""

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.topology import border_loops
from flatten.records.panels import Panel

Array = NDArray[np.float64]
Ints = NDArray[np.integer]


def crossings(points: Array) -> tuple[Ints, Ints]:
    """Pairs of sides i < j of a closed polygon (k, 2) that cross each other; side i leaves point i."""
    a, b = points, np.roll(points, -1, axis=0)
    low, high = np.minimum(a, b), np.maximum(a, b)
    order = np.argsort(low[:, 0], kind="stable")
    ends = np.searchsorted(low[order, 0], high[order, 0], side="right")
    first, second = [], []
    for place, end in enumerate(ends):
        i, others = order[place], order[place + 1 : end]
        touch = (low[others, 1] <= high[i, 1]) & (high[others, 1] >= low[i, 1])
        first.append(np.full(int(touch.sum()), i))
        second.append(others[touch])
    i, j = np.concatenate(first), np.concatenate(second)
    i, j = np.minimum(i, j), np.maximum(i, j)
    k = len(points)
    apart = (j - i > 1) & ~((i == 0) & (j == k - 1))
    i, j = i[apart], j[apart]

    def side(p: Array, q: Array, r: Array) -> Array:
        return (q[:, 0] - p[:, 0]) * (r[:, 1] - p[:, 1]) - (q[:, 1] - p[:, 1]) * (r[:, 0] - p[:, 0])

    cross = (side(a[i], b[i], a[j]) * side(a[i], b[i], b[j]) < 0) & (
        side(a[j], b[j], a[i]) * side(a[j], b[j], b[i]) < 0
    )
    order = np.lexsort((j[cross], i[cross]))
    return i[cross][order], j[cross][order]


def overlap_note(panel: Panel, U: Array) -> str | None:
    """What to say of a flat that lies over itself; None where it does not.

    The two sides that cross split the border in two; the shortest way over the panel between the
    two parts, away from the crossing, is where a cut keeps the pieces apart.
    """
    loop = border_loops(panel.F)[0]
    i, j = crossings(U[loop])
    if len(i) == 0:
        return None
    # The crossing whose loop is longest: cutting there parts the smaller ones too.
    k = len(loop)
    worst = int(np.argmax(np.minimum(j - i, k - (j - i))))
    one = loop[(np.arange(i[worst] + 1, j[worst] + 1)) % k]
    other = loop[(np.arange(j[worst] + 1, i[worst] + k + 1)) % k]
    keep = max(1, min(len(one), len(other)) // 4)
    inner, outer = one[keep:-keep] if len(one) > 2 * keep else one, other
    gap = np.linalg.norm(panel.V[inner][:, None] - panel.V[outer][None], axis=2)
    a, b = np.unravel_index(int(np.argmin(gap)), gap.shape)
    names = [_run_of(panel, int(v)) for v in (inner[a], outer[b])]
    return (
        f"lies over itself; a cut of about {gap[a, b]:.0f} mm from {names[0]} to {names[1]} "
        "would part it"
    )


def _run_of(panel: Panel, vertex: int) -> str:
    """The border run that a vertex lies on, and how far along it, for a maker to find."""
    for run in panel.border:
        at = np.flatnonzero(run.vertices == vertex)
        if len(at):
            steps = np.linalg.norm(np.diff(panel.V[run.vertices], axis=0), axis=1)
            return f"'{run.name}' ({steps[: at[0]].sum():.0f} mm along)"
    return "its edge"
