"""Completes a cast that was drawn on one half only: every line gets its twin on the other half."""

from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.errors import BadInput
from flatten.geometry.curves import resample
from flatten.records.cast import Cast
from flatten.records.ink import InkReading
from flatten.records.lines import Line

WORST_RMS_MM = 10.0
ON_PLANE_MM = 8.0  # a line no farther off all along is the middle line itself
REACH_MM = 15.0  # an end this close to the plane was drawn to it
SAME_MM = 12.0  # a twin this close to a drawn line all along is that line
OTHER = {"left": "right", "right": "left"}

Points = NDArray[np.float64]


def mirror_lines(reading: InkReading, cast: Cast, side: Literal["left", "right"]) -> InkReading:
    """The reading with the lines of the wearer's `side` mirrored onto the other half.

    Lines that cross the plane of symmetry by more than a pen's width are cut at it, lines that end
    short of it are led on to it; what meets the plane becomes one line with its twin, a half ring
    a closed one. Lines along the plane, and closed ones that cross it, stay as they are. A twin
    is left out where the maker drew that line too.

    Raises
    ------
    BadInput : the cast is not symmetric within 10 mm rms, or `side` is neither left nor right
    """
    if side not in OTHER:
        raise BadInput(f"there is no half '{side}'", "--mirror", "give left or right")
    plane = cast.symmetry
    if plane is None or plane.rms_mm > WORST_RMS_MM:
        how = "no symmetry plane was found" if plane is None else f"{plane.rms_mm:.0f} mm rms"
        raise BadInput(
            f"the cast is not symmetric within 10 mm ({how})",
            "--mirror",
            "draw both halves, without --mirror",
        )
    # The wearer's left is +x.
    normal = plane.normal * (1.0 if plane.normal[0] >= 0 else -1.0)
    normal = normal if side == "left" else -normal
    back = np.linalg.inv(cast.to_cast)

    def placed(line: Line) -> Points:
        return line.points @ cast.to_cast[:3, :3].T + cast.to_cast[:3, 3]

    def filed(points: Points) -> Points:
        return points @ back[:3, :3].T + back[:3, 3]

    drawn = [placed(line) for line in reading.lines]
    out: list[Line] = []
    notes: list[str] = []
    names = {line.name for line in reading.lines}
    for line, P in zip(reading.lines, drawn, strict=True):
        off = (P - plane.point) @ normal
        if np.abs(off).max() < ON_PLANE_MM or off.max() < ON_PLANE_MM:
            out.append(line)
            continue
        if line.closed:
            out.append(line)
            if off.min() < -ON_PLANE_MM:
                continue
            halves, meets = [P], (False, False)
        else:
            halves, meets = _half(P, off, plane.point, normal)
        for number, half in enumerate(halves):
            twin = half - 2.0 * ((half - plane.point) @ normal)[:, None] * normal
            if all(meets):
                whole, closed = np.vstack([half, twin[-2:0:-1]]), True
            elif any(meets):
                half, twin = (half, twin) if meets[1] else (half[::-1], twin[::-1])
                whole, closed = np.vstack([half, twin[-2::-1]]), False
            else:
                if not line.closed:
                    out.append(replace(line, points=filed(half)))
                if _drawn_already(twin, drawn):
                    notes.append(f"line '{line.name}' was drawn on both halves")
                    continue
                name = _unique(_other_name(line.name), names)
                out.append(replace(line, name=name, points=filed(twin)))
                continue
            name = _whole_name(line.name, side)
            if number or name != line.name:
                name = _unique(name, names)
            out.append(replace(line, name=name, points=filed(whole), closed=closed))
    notes.append(f"the lines of the {side} half were mirrored ({plane.rms_mm:.1f} mm rms)")
    return replace(reading, lines=tuple(out), notes=(*reading.notes, *notes))


def _half(
    P: Points, off: NDArray[np.float64], origin: Points, normal: Points
) -> tuple[list[Points], tuple[bool, bool]]:
    """The part of an open line on the positive side, and whether its ends meet the plane."""
    inside = np.flatnonzero(off > 0.0)
    first, last = int(inside[0]), int(inside[-1])
    part = P[first : last + 1]
    meets = []
    for end, cut, step in ((0, first, -1), (1, last, 1)):
        tip = part[-1 if end else 0]
        beyond = cut + step
        if 0 <= beyond < len(P):
            t = off[cut] / (off[cut] - off[beyond])
            tip = P[cut] + t * (P[beyond] - P[cut])
        elif off[cut] < REACH_MM:
            tip = tip - ((tip - origin) @ normal) * normal
        else:
            meets.append(False)
            continue
        meets.append(True)
        part = np.vstack([part, tip]) if end else np.vstack([tip, part])
    return [part], (meets[0], meets[1])


def _drawn_already(twin: Points, drawn: list[Points]) -> bool:
    twin = resample(twin, 4.0)
    return any(KDTree(resample(P, 2.0)).query(twin)[0].max() < SAME_MM for P in drawn if len(P) > 1)


def _other_name(name: str) -> str:
    words = name.split(" ")
    if not any(word in OTHER for word in words):
        return f"{name} mirrored"
    return " ".join(OTHER.get(word, word) for word in words)


def _whole_name(name: str, side: str) -> str:
    """The name of a line that now lies on both halves."""
    return " ".join(word for word in name.split(" ") if word != side) or name


def _unique(name: str, names: set[str]) -> str:
    number, out = 2, name
    while out in names:
        out, number = f"{name} {number}", number + 1
    names.add(out)
    return out
