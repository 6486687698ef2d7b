"""What a cast is a cast of, told from its openings: a torso, hips, a trunk's tube, or a limb."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.triangles import Array, Faces
from flatten.scan.borders import trace_borders

Kind = Literal["torso", "hips", "trunk", "limb", "unknown"]

SMALLEST_MM = 100.0  # no part of a body that is cast ends in a smaller opening
SMALLEST_SHARE = 0.16  # of the largest opening's length
TRUNK_MM = 620.0  # a tube of at least this girth at both ends is a trunk, and so is
SHORT_TRUNK_MM = 430.0  # one of this girth that is shorter than
SHORT = 0.55  # this share of it


@dataclass(frozen=True, eq=False, kw_only=True)
class Opening:
    """centre (3,), outward unit normal (3,), length and rms flatness in mm of one opening."""

    centre: Array
    normal: Array
    length: float
    flatness: float


def find_openings(V: Array, F: Faces) -> list[Opening]:
    """The openings of a cast, longest first; small holes are left out."""
    border = trace_borders(V, F, SMALLEST_MM)
    found = []
    for loop in border.loops:
        P = border.place[loop.first : loop.first + loop.count]
        step = np.linalg.norm(np.roll(P, -1, axis=0) - P, axis=1)
        centre = np.average(P, axis=0, weights=step + np.roll(step, 1))
        # The border runs with the surface on its left, so its area vector points out of the body.
        d = P - centre
        area = np.cross(d, np.roll(d, -1, axis=0)).sum(axis=0)
        normal = -area / max(float(np.linalg.norm(area)), 1e-12)
        found.append(
            Opening(
                centre=centre,
                normal=normal,
                length=float(step.sum()),
                flatness=float(np.sqrt(np.mean((d @ normal) ** 2))),
            )
        )
    found.sort(key=lambda o: -o.length)
    return [o for o in found if o.length > max(SMALLEST_MM, SMALLEST_SHARE * found[0].length)]


def pairs(openings: list[Opening]) -> list[tuple[int, int]]:
    """Pairs of openings of like size: arms or legs."""
    n = len(openings)
    return [
        (i, j)
        for i in range(n)
        for j in range(i + 1, n)
        if openings[j].length > 0.72 * openings[i].length
    ]


def kind_of(openings: list[Opening], lateral: NDArray[np.float64] | None) -> Kind:
    """lateral : unit vector across the body, from the mirror plane of the pair, where one fits."""
    if len(openings) >= 4 and lateral is not None:
        return "torso"
    if len(openings) == 3 and lateral is not None:
        return "hips"
    if len(openings) == 2:
        small = min(o.length for o in openings)
        apart = float(np.linalg.norm(openings[0].centre - openings[1].centre))
        trunk = small > TRUNK_MM or (small > SHORT_TRUNK_MM and apart < SHORT * small)
        return "trunk" if trunk else "limb"
    return "unknown"
