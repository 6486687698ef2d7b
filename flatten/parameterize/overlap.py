"""Where a flat lies over itself, and the cut that would part it."""

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from flatten.geometry.geodesics import trace
from flatten.geometry.surface_points import surface_of
from flatten.geometry.topology import border_loops, unique_edges
from flatten.records.cast import Cast
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


def over_itself(panel: Panel, U: Array) -> bool:
    """Whether a flat U (n, 2) without flipped faces lies over itself: its border crosses itself."""
    return len(crossings(U[border_loops(panel.F)[0]])[0]) > 0


def overlap_note(panel: Panel, U: Array, cast: Cast, offset_mm: float) -> str | None:
    """What to say of a flat that lies over itself; None where it does not.

    offset_mm : how far the panel lies outside the cast, so that places can be told as the scan
        file has them
    """
    loop = border_loops(panel.F)[0]
    one, other = crossings(U[loop])
    if len(one) == 0:
        return None
    begin, end, length, whole = parting_cut(panel, loop, one, other)
    inward = np.linalg.inv(cast.to_cast)
    P = panel.V[[begin, end]] - (offset_mm + cast.offset_mm) * panel.N[[begin, end]]
    places = " to ".join(
        f"({x:.5g}, {y:.5g}, {z:.5g})" for x, y, z in P @ inward[:3, :3].T + inward[:3, 3]
    )
    return (
        f"lies over itself; a cut of about {length:.0f} mm across it, from "
        f"{_on_border(panel, begin)} to {_on_border(panel, end)}, on the scan from {places}, "
        + ("would part it" if whole else "would part the most of it")
    )


def parting_cut(panel: Panel, loop: Ints, one: Ints, other: Ints) -> tuple[int, int, float, bool]:
    """The shortest way over a panel that parts the border sides that cross each other.

    loop (k,) the border's vertices; its sides one[c] and other[c] cross

    Returns
    -------
    the vertices where it begins and ends, its length in mm, and whether it parts all crossings
    """
    k = len(loop)
    # A way from place p to place q parts a crossing that has one of its sides between them. With
    # a random number for each crossing, added up by exclusive or over the sides passed, the way
    # parts all crossings where the sums at p and q differ by all the numbers.
    keys = np.random.default_rng(0).integers(1, 2**62, len(one))
    passed = np.zeros(k, dtype=np.int64)
    np.bitwise_xor.at(passed, one, keys)
    np.bitwise_xor.at(passed, other, keys)
    passed = np.concatenate([[0], np.bitwise_xor.accumulate(passed)[:-1]])
    best = _between_groups(panel, loop, passed, int(np.bitwise_xor.reduce(keys)))
    whole = best is not None
    if best is None:
        # The crossing that takes the longest loop of border: parting it parts the smaller ones too.
        worst = int(np.argmax(np.minimum(other - one, k - (other - one))))
        between = (np.arange(k) > one[worst]) & (np.arange(k) <= other[worst])
        best = _between_groups(panel, loop, between.astype(np.int64), 1)
        assert best is not None
    begin, end = best
    surface = surface_of(panel.V, panel.F)
    ends = np.array([begin, end])
    face = surface.vertex_face[ends]
    path = trace(surface, face, (surface.F[face] == ends[:, None]).astype(np.float64))
    return begin, end, float(path.length[0]), whole


def _between_groups(panel: Panel, loop: Ints, label: Ints, apart: int) -> tuple[int, int] | None:
    """The vertices of the shortest way between border places whose labels differ by `apart`.

    Places near where a label changes are left out, so that the cut does not just take off a tip.
    """
    edges, _, _ = unique_edges(panel.F)
    i, j = edges[:, 0], edges[:, 1]
    length = np.linalg.norm(panel.V[i] - panel.V[j], axis=1)
    n = len(panel.V)
    both = np.concatenate([i, j]), np.concatenate([j, i])
    graph = coo_array((np.concatenate([length, length]), both), shape=(n, n)).tocsr()
    best: tuple[float, int, int] | None = None
    for value in np.unique(label):
        there = np.flatnonzero(label == value ^ apart)
        if value > value ^ apart or len(there) == 0:
            continue
        here = _inner(np.flatnonzero(label == value), len(loop))
        away, before, _ = dijkstra(
            graph, indices=loop[here], return_predecessors=True, min_only=True
        )
        end = int(loop[there][away[loop[there]].argmin()])
        at = end
        while before[at] >= 0:
            at = int(before[at])
        if best is None or away[end] < best[0]:
            best = (float(away[end]), at, end)
    return None if best is None else best[1:]


def _inner(places: Ints, k: int) -> Ints:
    """The middle half of each stretch of neighbouring places round a loop of k."""
    breaks = np.flatnonzero(np.diff(places) > 1) + 1
    runs = np.split(places, breaks)
    if len(runs) > 1 and places[0] == 0 and places[-1] == k - 1:
        runs = [np.concatenate([runs[-1], runs[0]]), *runs[1:-1]]
    return np.concatenate([run[len(run) // 4 : len(run) - len(run) // 4] for run in runs])


def _on_border(panel: Panel, vertex: int) -> str:
    """Where a vertex lies on the border, for a maker to find."""
    for place, run in enumerate(panel.border):
        at = np.flatnonzero(run.vertices == vertex)
        if len(at) == 0:
            continue
        steps = np.linalg.norm(np.diff(panel.V[run.vertices], axis=0), axis=1)
        before, after = float(steps[: at[0]].sum()), float(steps[at[0] :].sum())
        if len(panel.border) == 1:
            return f"'{run.name}' ({before:.0f} mm along)"
        step, way = (-1, before) if before <= after else (1, after)
        neighbour = panel.border[(place + step) % len(panel.border)].name
        return f"'{run.name}' ({way:.0f} mm from where it meets '{neighbour}')"
    return "its edge"
