"""Arcs: the stretches of cut lines and rims between nodes, on the refined mesh.

A node is a vertex where cuts meet, end or reach a rim, where a rim has a corner, or where one line
goes over into another. Between nodes an arc's two sides belong to the same two panels.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.editmesh import EditMesh
from flatten.geometry.triangles import corner_angles

# A rim's corner: within the surface it turns by more than this over CORNER_REACH_MM, or over a
# sixteenth of the rim where that is less (a round hole turns by 22.5 degrees there).
CORNER_DEG = 50.0
CORNER_REACH_MM = 15.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Arc:
    """One stretch.

    line : index of its line, -1 for a rim
    rim : index of its rim's name, -1 for a cut
    vertices : (k,) in the line's direction, or with the surface on the left for a rim; a closed
        arc repeats its first vertex at the end
    """

    line: int
    rim: int
    vertices: NDArray[np.int64]

    @property
    def ends(self) -> tuple[int, int]:
        return int(self.vertices[0]), int(self.vertices[-1])


def border_edges(mesh: EditMesh) -> NDArray[np.int64]:
    """(b, 2) directed border edges, the surface on their left."""
    m = int(mesh.used[1])
    F, A = mesh.F[:m], mesh.A[:m]
    f, i = np.nonzero((A < 0) & (F[:, :1] >= 0))
    return np.column_stack([F[f, i], F[f, (i + 1) % 3]]).astype(np.int64)


def line_edges(mesh: EditMesh) -> NDArray[np.int64]:
    """(e, 3) inner labelled edges in their line's direction, and their line."""
    m = int(mesh.used[1])
    F, A, C = mesh.F[:m], mesh.A[:m], mesh.C[:m]
    f, i = np.nonzero((C >= 0) & (C % 2 == 0) & (A >= 0) & (F[:, :1] >= 0))
    rows = np.column_stack([F[f, i], F[f, (i + 1) % 3], C[f, i] // 2])
    return rows.astype(np.int64)


def rim_corners(mesh: EditMesh, edges: NDArray[np.int64]) -> list[int]:
    """Border vertices where a rim has a corner: it turns sharply within the surface.

    The turn at a border vertex is 180 degrees less the angles of its faces; summed over some
    millimetres, so that the rags of a rim cancel.
    """
    if len(edges) == 0:
        return []
    turn = np.zeros(len(mesh.V))
    turn[edges[:, 0]] = np.pi
    F = mesh.F[: mesh.used[1]]
    F = F[(F[:, 0] >= 0) & (turn[F] > 0).any(axis=1)]
    turn -= np.bincount(F.ravel(), corner_angles(mesh.V, F).ravel(), minlength=len(turn))
    found: list[int] = []
    for loop in loops_of(edges):
        P = mesh.V[loop]
        step = np.linalg.norm(np.roll(P, -1, axis=0) - P, axis=1)
        total = float(step.sum())
        reach = min(CORNER_REACH_MM, total / 16)
        # Thrice round, so that windows may run over the start.
        s = np.concatenate([[0.0], np.cumsum(np.tile(step, 3))])[:-1]
        before = np.concatenate([[0.0], np.cumsum(np.tile(turn[loop], 3))])
        middle = s[len(loop) : 2 * len(loop)]
        low = np.searchsorted(s, middle - reach / 2)
        high = np.searchsorted(s, middle + reach / 2, side="right")
        over = np.abs(before[high] - before[low])
        corner: list[float] = []
        sharpest = np.lexsort((-np.abs(turn[loop]), -np.round(over, 6)))
        for k in sharpest[np.degrees(over[sharpest]) > CORNER_DEG]:
            window = np.arange(int(low[k]), int(high[k])) % len(loop)
            v = window[np.abs(turn[loop[window]]).argmax()]
            gaps = [abs(middle[v] - c) for c in corner]
            if all(min(gap, total - gap) >= reach for gap in gaps):
                corner.append(float(middle[v]))
                found.append(int(loop[v]))
    return found


def loops_of(edges: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Closed walks through directed edges of which one leaves every vertex; lowest vertex first."""
    after = dict(zip(edges[:, 0].tolist(), edges[:, 1].tolist(), strict=True))
    loops = []
    for start in sorted(after):
        if start not in after:
            continue
        loop, v = [start], after.pop(start)
        while v != start:
            loop.append(v)
            v = after.pop(v)
        loops.append(np.array(loop, dtype=np.int64))
    return loops


def trace_arcs(
    cuts: NDArray[np.int64],
    border: NDArray[np.int64],
    border_rim: NDArray[np.int64],
    corners: Sequence[int],
    first_vertex: Mapping[int, int],
) -> list[Arc]:
    """All arcs: of the cut edges (e, 3) by line and of the border edges (b, 2) by rim.

    `first_vertex` says where a line that closes without meeting anything begins.
    """
    start = np.concatenate([cuts[:, 0], border[:, 0]]).tolist()
    end = np.concatenate([cuts[:, 1], border[:, 1]]).tolist()
    key = np.concatenate([cuts[:, 2], -1 - border_rim]).tolist()
    leaving: dict[int, list[int]] = {}
    arriving: dict[int, list[int]] = {}
    for e, (u, v) in enumerate(zip(start, end, strict=True)):
        leaving.setdefault(u, []).append(e)
        arriving.setdefault(v, []).append(e)
    corner_set = set(corners)

    def is_node(v: int) -> bool:
        out, into = leaving.get(v, []), arriving.get(v, [])
        return v in corner_set or len(out) != 1 or len(into) != 1 or key[out[0]] != key[into[0]]

    arcs: list[Arc] = []
    done = [False] * len(start)

    def follow(e: int) -> None:
        k, chain = key[e], [start[e]]
        while not done[e]:
            done[e] = True
            v = end[e]
            chain.append(v)
            if is_node(v):
                break
            e = leaving[v][0]
        line, rim = (k, -1) if k >= 0 else (-1, -1 - k)
        arcs.append(Arc(line=line, rim=rim, vertices=np.array(chain, dtype=np.int64)))

    for v in sorted(leaving):
        if is_node(v):
            for e in leaving[v]:
                follow(e)
    begins = {v for v in first_vertex.values() if v in leaving}
    for v in [*sorted(begins), *sorted(leaving)]:
        for e in leaving[v]:
            if not done[e]:
                follow(e)
    return arcs
