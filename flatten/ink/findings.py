"""What a person should know beside the lines: doubtful places, writing, match marks."""

import numpy as np
from numpy.typing import NDArray

from flatten.ink.becomes import hex_colour
from flatten.ink.fit import path_length
from flatten.ink.join import Gap
from flatten.ink.ticks import Mark
from flatten.ink.writing import Taken
from flatten.records.ink import Doubt, Tick, Writing


def weak_doubt(points: NDArray[np.float64], colour: NDArray[np.float64], filed) -> Doubt:
    length = path_length(points)
    return Doubt(
        what="weak",
        said=f"a faint stroke of {length:.0f} mm was not taken",
        at=filed(points[len(points) // 2]),
        length_mm=length,
        ink=hex_colour(colour),
        points=filed(points),
    )


def gap_doubt(g: Gap, filed) -> Doubt:
    return Doubt(
        what="gap",
        said=f"two ends face each other {g.length:.0f} mm apart; they were not joined",
        at=filed(0.5 * (g.a + g.b)),
        length_mm=g.length,
        points=filed(np.stack([g.a, g.b])),
    )


def open_ends_of(paths, taken: Taken, line_of, lines, filed) -> list[Doubt]:
    out = []
    for i in taken.lines:
        line = lines[line_of[i]]
        if line.kind != "seam" or line.closed:
            continue
        for e in (0, 1):
            if paths[i].ends[e] == "open":
                out.append(
                    Doubt(
                        what="open end",
                        said=f"line '{line.name}' ends in the open",
                        at=filed(paths[i].points[-1 if e else 0]),
                        line=line.name,
                    )
                )
    return out


def writing_of(what, group, colours, filed) -> Writing:
    points = np.concatenate([p.points for p in group])
    middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
    return Writing(
        what=what,
        at=filed(middle),
        size_mm=float(np.linalg.norm(np.ptp(points, axis=0))),
        ink=colours[group[0].ink],
        strokes=tuple(filed(p.points) for p in group),
    )


def ticks_of(marks: list[Mark], names: dict[int, str], filed) -> tuple[Tick, ...]:
    """The match marks on the lines that have a name."""
    return tuple(
        Tick(line=names[m.line], at=filed(m.place), count=m.count) for m in marks if m.line in names
    )
