"""Detail and score lines carried onto the panels as surface points."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.surface_points import face_tree
from flatten.panels.carve import CarvedCast
from flatten.panels.opening import Piece
from flatten.records.lines import LineNetwork, SurfacePath
from flatten.records.panels import PanelMark

# A detail farther from what is left of the cast lay on a part that was trimmed off.
GONE_MM = 2.0


def place_marks(
    network: LineNetwork,
    chosen: Sequence[int],
    carved: CarvedCast,
    pieces: Sequence[Piece],
) -> list[tuple[PanelMark, ...]]:
    """The marks of every piece, in the order of the network's lines.

    A line that crosses a cut is split there; arcs of one line that follow one another on one panel
    are joined; what lay on a trimmed part is left out.
    """
    marks: list[list[PanelMark]] = [[] for _ in pieces]
    strokes = [
        stroke
        for line in network.lines
        if line.kind in ("detail", "score")
        for stroke in _strokes(network, line.name, chosen)
    ]
    if not strokes:
        return [tuple(m) for m in marks]
    owner = np.empty(len(carved.F), dtype=np.int64)
    for k, piece in enumerate(pieces):
        owner[piece.faces] = k
    whole = face_tree(carved.V, carved.F)
    trees = {}
    for path, points, closed in strokes:
        middles = 0.5 * (points[1:] + points[:-1])
        face, _, gap = whole.nearest(middles)
        here = gap < GONE_MM
        if np.count_nonzero(here) * 2 <= len(here):
            continue
        step = np.linalg.norm(np.diff(points, axis=0), axis=1)
        k = int(np.bincount(owner[face[here]], step[here], minlength=len(pieces)).argmax())
        if k not in trees:
            trees[k] = face_tree(carved.V[pieces[k].cast_vertex], pieces[k].F)
        spots = points[:-1] if closed else points
        at, bary, _ = trees[k].nearest(spots)
        marks[k].append(
            PanelMark(line=path.line, kind=path.kind, face=at, bary=bary, closed=closed)
        )
    return [tuple(m) for m in marks]


def _strokes(
    network: LineNetwork, line: str, chosen: Sequence[int]
) -> list[tuple[SurfacePath, NDArray[np.float64], bool]]:
    """The line's arcs, joined where no cut comes between: a path of it, points (k, 3), closed."""
    cutting = {network.lines[i].name for i in chosen}
    parted = {
        node for p in network.paths if p.line in cutting for node in (p.start, p.end) if node >= 0
    }
    arcs = sorted((p for p in network.paths if p.line == line), key=lambda p: p.stretch)
    strokes: list[tuple[SurfacePath, NDArray[np.float64], bool]] = []
    runs: list[list[SurfacePath]] = []
    for path in arcs:
        if runs and runs[-1][-1].end == path.start >= 0 and path.start not in parted:
            runs[-1].append(path)
        else:
            runs.append([path])
    # A closed line that begins away from a cut goes on from its last arc to its first.
    joined = len(runs) > 1 and runs[-1][-1].end == runs[0][0].start
    if joined and runs[0][0].start >= 0 and runs[0][0].start not in parted:
        runs[0] = runs.pop() + runs[0]
    for run in runs:
        points = np.concatenate([run[0].points[:1], *[p.points[1:] for p in run]])
        if run[0].closed:
            points = np.concatenate([points, points[:1]])
        round_again = run[0].start == run[-1].end and run[0].start not in parted
        strokes.append((run[0], points, run[0].closed or round_again))
    return strokes
