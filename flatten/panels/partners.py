"""Seams: the two partner edges of every cut, with what the line says about how they are joined."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.curves import arc_length
from flatten.panels.carve import CarvedCast
from flatten.panels.opening import Piece, Stretch
from flatten.records.lines import Line
from flatten.records.panels import Seam, SeamSide


def seam_names(carved: CarvedCast, lines: Sequence[Line]) -> list[str]:
    """A name for every cut arc: its line's, then with 2, 3, ... along the line; all different."""
    taken = {line.name for line in lines}
    count: dict[int, int] = {}
    names = []
    for arc in carved.arcs:
        if arc.line < 0:
            break
        line = lines[arc.line].name
        number = count.get(arc.line, 0) + 1
        name = line if number == 1 else f"{line} {number}"
        while number > 1 and name in taken:
            number += 1
            name = f"{line} {number}"
        count[arc.line] = number
        taken.add(name)
        names.append(name)
    return names


def build_seams(
    carved: CarvedCast, lines: Sequence[Line], pieces: Sequence[Piece], middles: NDArray[np.float64]
) -> tuple[Seam, ...]:
    """One seam for each cut arc, in the order of the arcs; `middles` (k, 3) of the pieces."""
    sides: dict[tuple[int, int], tuple[int, Stretch]] = {}
    for p, piece in enumerate(pieces):
        for loop in piece.loops:
            for stretch in loop:
                sides[(stretch.arc, stretch.side)] = (p, stretch)
    names = seam_names(carved, lines)
    goes_under = _under(carved, lines, sides, middles)
    seams = []
    for k, name in enumerate(names):
        arc = carved.arcs[k]
        line = lines[arc.line]
        (left, a), (right, b) = sides[(k, 0)], sides[(k, 1)]
        one, other = a.vertices, b.vertices[::-1]
        meet = one[0] == other[0] or one[-1] == other[-1]
        seams.append(
            Seam(
                line=line.name,
                name=name,
                kind="dart" if line.kind == "dart" else "seam",
                joint=line.joint,
                fixing=line.fixing,
                sides=(
                    SeamSide(panel=left, vertices=one.astype(np.int32)),
                    SeamSide(panel=right, vertices=other.astype(np.int32)),
                ),
                dart=bool(left == right and meet),
                under=goes_under[arc.line],
                ease=_ease(carved, line, k),
                ease_side=0 if line.ease_side == "left" else 1,
            )
        )
    return tuple(seams)


def _ease(carved: CarvedCast, line: Line, k: int) -> NDArray[np.float64] | None:
    """Cumulative ease at the vertices of arc k, mm; None where the line wants none there."""
    span = line.ease_to - line.ease_from
    length = float(carved.lengths[carved.arcs[k].line])
    if line.ease_mm == 0.0 or span <= 0.0 or length <= 0.0:
        return None
    P = carved.V[carved.arcs[k].vertices]
    s = arc_length(P)
    share = (carved.starts[k] + s) / length
    ease = line.ease_mm * np.clip((share - line.ease_from) / span, 0.0, 1.0)
    ease -= ease[0]
    return ease if ease[-1] > 0.0 else None


def _under(
    carved: CarvedCast,
    lines: Sequence[Line],
    sides: dict[tuple[int, int], tuple[int, Stretch]],
    middles: NDArray[np.float64],
) -> dict[int, int]:
    """By line, which side goes under: as the line says, else the panel farther back or lower.

    All stretches of a line lap the same way: they vote, each by its length. Where both sides are
    one panel, the side that looks farther back or down from the seam goes under.
    """
    votes: dict[int, float] = {}
    for k, arc in enumerate(carved.arcs):
        if arc.line < 0:
            break
        P = carved.V[arc.vertices]
        step = np.diff(P, axis=0)
        length = float(np.linalg.norm(step, axis=1).sum())
        (left, _), (right, _) = sides[(k, 0)], sides[(k, 1)]
        if left != right:
            over = middles[left] - middles[right]
        else:
            N = carved.N[arc.vertices]
            over = np.cross(N[:-1] + N[1:], step).sum(axis=0)
        back, low = float(over[2]), float(over[1])
        front_first = back if abs(back) >= abs(low) else low
        votes[arc.line] = votes.get(arc.line, 0.0) + length * np.sign(front_first)
    result = {}
    for index, vote in votes.items():
        under = lines[index].under
        result[index] = {"left": 0, "right": 1, None: 1 if vote > 0 else 0}[under]
    return result
