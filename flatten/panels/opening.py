"""Opens the carved cast along its arcs: panels, their own vertices, and their borders."""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.panels.carve import CarvedCast
from flatten.panels.trim import parts_of
from flatten.records.panels import BorderRun, Panel, PanelMark


@dataclass(frozen=True, eq=False, kw_only=True)
class Stretch:
    """A run of border half edges along one arc's side.

    vertices : (k,) piece vertices in the border's direction, the piece on the left
    """

    arc: int
    side: int
    vertices: NDArray[np.int64]


@dataclass(frozen=True, eq=False, kw_only=True)
class Piece:
    """What hangs together once all arcs are open; a panel if it is a disk.

    F : (m, 3) piece vertices; cast_vertex : (n,) the carved cast's vertex of each
    faces : (m,) the carved cast's face of each
    loops : its borders, each as stretches in order
    """

    F: NDArray[np.int64]
    cast_vertex: NDArray[np.int64]
    faces: NDArray[np.int64]
    loops: tuple[tuple[Stretch, ...], ...]


def panel_of(
    carved: CarvedCast,
    piece: Piece,
    name: str,
    border: tuple[BorderRun, ...],
    marks: tuple[PanelMark, ...],
    detail: str = "",
) -> Panel:
    """The panel that a piece is, on the carved cast's surface."""
    return Panel(
        name=name,
        V=carved.V[piece.cast_vertex],
        F=piece.F.astype(np.int32),
        N=carved.N[piece.cast_vertex],
        cast_vertex=piece.cast_vertex.astype(np.int32),
        border=border,
        marks=marks,
        detail=detail,
    )


@njit(cache=True)
def _open(F, A, C, order):
    """Gives every fan of corners between labelled edges a vertex of its own, in face order."""
    corner_vertex = np.full((len(F), 3), -1, np.int64)
    source = np.empty(3 * len(F), np.int64)
    count = 0
    for x in range(len(order)):
        for i in range(3):
            f = order[x]
            if corner_vertex[f, i] >= 0:
                continue
            v = F[f, i]
            source[count] = v
            for way in range(2):
                g, j = f, i
                while True:
                    corner_vertex[g, j] = count
                    e = (j + 2) % 3 if way == 0 else j
                    if C[g, e] >= 0 or A[g, e] < 0:
                        break
                    g = A[g, e]
                    j = 0
                    while F[g, j] != v:
                        j += 1
                    if corner_vertex[g, j] >= 0:
                        break
            count += 1
    return corner_vertex, source[:count]


def open_pieces(carved: CarvedCast) -> list[Piece]:
    """All pieces, in the order of their first face."""
    part = parts_of(carved.F, carved.A, carved.C >= 0)
    order = np.argsort(part, kind="stable")
    opened, source = _open(carved.F, carved.A, carved.C, order)
    counts = np.bincount(part)
    pieces = []
    begin, base = 0, 0
    for size in counts.tolist():
        faces = order[begin : begin + size]
        F = opened[faces].astype(np.int64)
        top = int(F.max()) + 1
        labels = carved.C[faces]
        border = (labels >= 0) | (carved.A[faces] < 0)
        pieces.append(
            Piece(
                F=F - base,
                cast_vertex=source[base:top].astype(np.int64),
                faces=faces,
                loops=_loops(carved, F - base, labels, border, source[base:top]),
            )
        )
        begin, base = begin + size, top
    return pieces


def _loops(
    carved: CarvedCast,
    F: NDArray[np.int64],
    labels: NDArray[np.int64],
    border: NDArray[np.bool_],
    source: NDArray[np.int64],
) -> tuple[tuple[Stretch, ...], ...]:
    """Border loops cut to stretches at the arcs' ends; longest loop first."""
    f, i = np.nonzero(border)
    start, end = F[f, i].tolist(), F[f, (i + 1) % 3].tolist()
    label = dict(zip(start, labels[f, i].tolist(), strict=True))
    after = dict(zip(start, end, strict=True))
    nodes = {v for arc in carved.arcs for v in arc.ends}
    loops: list[list[int]] = []
    for v in sorted(after):
        if v not in after:
            continue
        loop = [v]
        w = after.pop(v)
        while w != v:
            loop.append(w)
            w = after.pop(w)
        loops.append(loop)
    result = []
    for loop in sorted(loops, key=lambda x: (-len(x), x[0])):
        at_node = [k for k, v in enumerate(loop) if int(source[v]) in nodes]
        stretches = []
        for a, b in zip(at_node, [*at_node[1:], at_node[0] + len(loop)], strict=True):
            vertices = [loop[k % len(loop)] for k in range(a, b + 1)]
            arc, side = divmod(label[vertices[0]], 2)
            stretches.append(
                Stretch(arc=arc, side=side, vertices=np.array(vertices, dtype=np.int64))
            )
        result.append(tuple(stretches))
    return tuple(result)
