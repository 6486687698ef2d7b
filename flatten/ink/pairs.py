"""Left and right lines known as pairs by where they lie, and named so."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.geometry.curves import arc_length, resample
from flatten.records.cast import Cast
from flatten.records.ink import Doubt, InkReading

Points = NDArray[np.float64]

# A line is the mirror image of another where no point of either is farther off than this, or than
# this share of their length: two drawings of one curve by hand.
APART_MM = 15.0
APART_SHARE = 0.1
STEP_MM = 5.0
WORDS = ("left", "right")


def name_pairs(reading: InkReading, cast: Cast) -> InkReading:
    """The reading with lines that mirror each other named alike, but for "left" and "right".

    The wearer's left line gives the name; where it has no side in it, the sides are added. Match
    marks and doubts keep to their lines.
    """
    plane = cast.symmetry
    if plane is None or not reading.lines:
        return reading
    normal = plane.normal * (1.0 if plane.normal[0] >= 0 else -1.0)
    P = [x.points @ cast.to_cast[:3, :3].T + cast.to_cast[:3, 3] for x in reading.lines]
    P = [np.vstack([p, p[:1]]) if x.closed else p for p, x in zip(P, reading.lines, strict=True)]
    P = [resample(p, STEP_MM) for p in P]
    side = [float(((p - plane.point) @ normal).mean()) for p in P]
    found: list[tuple[float, int, int]] = []
    for i, left in enumerate(reading.lines):
        if side[i] <= 0:
            continue
        twin = P[i] - 2.0 * ((P[i] - plane.point) @ normal)[:, None] * normal
        for j, right in enumerate(reading.lines):
            if side[j] < 0 and left.kind == right.kind and left.closed == right.closed:
                apart = _apart(twin, P[j])
                if apart < max(APART_MM, APART_SHARE * float(arc_length(twin)[-1])):
                    found.append((apart, i, j))
    new = [line.name for line in reading.lines]
    paired: set[int] = set()
    for _, i, j in sorted(found):
        if i in paired or j in paired:
            continue
        paired |= {i, j}
        new[i], new[j] = _named(new[i], 0), _named(new[i], 1)
    new = _once(new, paired)
    renamed = {x.name: name for x, name in zip(reading.lines, new, strict=True)}
    return replace(
        reading,
        lines=tuple(replace(x, name=renamed[x.name]) for x in reading.lines),
        marks=tuple(replace(m, line=renamed.get(m.line, m.line)) for m in reading.marks),
        doubts=tuple(_told(d, renamed) for d in reading.doubts),
    )


def _told(doubt: Doubt, renamed: dict[str, str]) -> Doubt:
    """A doubt with its line's new name, in its sentence too."""
    name = renamed.get(doubt.line, doubt.line)
    said = doubt.said.replace(f"'{doubt.line}'", f"'{name}'") if doubt.line else doubt.said
    return replace(doubt, line=name, said=said)


def _apart(one: Points, other: Points) -> float:
    """The farthest that a point of one polyline lies from the other, either way, mm."""
    return max(float(KDTree(a).query(b)[0].max()) for a, b in ((one, other), (other, one)))


def _named(name: str, side: int) -> str:
    """The name for the left (0) or right (1) one of a pair."""
    words = name.split(" ")
    if not any(word in WORDS for word in words):
        return f"{name} {WORDS[side]}"
    return " ".join(WORDS[side] if word in WORDS else word for word in words)


def _once(names: list[str], first: set[int]) -> list[str]:
    """The names, all different: those of pairs stay, the others are numbered where they must be."""
    taken: set[str] = set()
    out = list(names)
    for k in [*sorted(first), *(k for k in range(len(names)) if k not in first)]:
        number = 2
        while out[k] in taken:
            out[k], number = f"{names[k]} {number}", number + 1
        taken.add(out[k])
    return out
