"""Completes a cast that was drawn on one half only: every line gets its twin on the other half."""

from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.errors import BadInput
from flatten.geometry.curves import arc_length, resample
from flatten.records.cast import Cast, Symmetry
from flatten.records.ink import InkReading
from flatten.records.lines import Line

WORST_RMS_MM = 10.0
ON_PLANE_MM = 8.0  # a line no farther off all along is the middle line itself
REACH_MM = 15.0  # an end this close to the plane was drawn to it
ACROSS = 0.5  # a line that reaches this much of its way beyond the plane was drawn across it
STEM_MM = 25.0  # an end that runs so far along the plane is part of the middle line
LEAVES_MM = 1.5  # nearer to the plane than this a line has not left it
SAME_MM = 12.0  # a twin this close to a drawn line all along is that line
OTHER = {"left": "right", "right": "left"}

Points = NDArray[np.float64]


def mirror_lines(reading: InkReading, cast: Cast, side: Literal["left", "right"]) -> InkReading:
    """The reading with the lines of the wearer's `side` mirrored onto the other half.

    Lines that cross the plane of symmetry by some millimetres are cut at it, lines that end short
    of it are led on to it; what meets the plane becomes one line with its twin, a half ring a
    closed one, unless a line is drawn along the middle there. Lines along the plane, and those
    drawn across it as one, stay as they are. A twin is left out where the maker drew that line too.

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
    offs = [(P - plane.point) @ normal for P in drawn]
    middle = [
        resample(P, 4.0)
        for P, off in zip(drawn, offs, strict=True)
        if np.abs(off).max() < ON_PLANE_MM and len(P) > 1
    ]
    seam_there = KDTree(np.vstack(middle)) if middle else None
    out: list[Line] = []
    notes: list[str] = []
    names = {line.name for line in reading.lines}

    def mirrored(points: Points) -> Points:
        return points - 2.0 * ((points - plane.point) @ normal)[:, None] * normal

    for line, P, off in zip(reading.lines, drawn, offs, strict=True):
        # Along the middle, on the other half, or drawn across the middle as one.
        if off.max() < ON_PLANE_MM or (
            off.min() < 0.0 if line.closed else -off.min() > max(REACH_MM, ACROSS * off.max())
        ):
            out.append(line)
            continue
        before = after = P[:0]
        half, meets = P, (False, False)
        if not line.closed:
            before, half, after, meets = _half(P, off, plane, normal)
        if seam_there is not None:
            # A line along the middle keeps the two halves of what meets it apart.
            tips = seam_there.query(half[[0, -1]])[0] < REACH_MM
            meets = (meets[0] and not tips[0], meets[1] and not tips[1])
        twin = mirrored(half)
        if len(before) or len(after) or not any(meets):
            if not line.closed:
                own = np.vstack([before, half, after])
                line = replace(line, points=filed(own))
            out.append(line)
            if _drawn_already(twin, drawn):
                notes.append(f"line '{line.name}' was drawn on both halves")
                continue
            name = _unique(_other_name(line.name), names)
            out.append(replace(line, name=name, points=filed(twin)))
            continue
        if all(meets):
            whole, closed = np.vstack([half, twin[-2:0:-1]]), True
        else:
            half, twin = (half, twin) if meets[1] else (half[::-1], twin[::-1])
            whole, closed = np.vstack([half, twin[-2::-1]]), False
        name = _whole_name(line.name, side)
        if name != line.name:
            name = _unique(name, names)
        out.append(replace(line, name=name, points=filed(whole), closed=closed))
    notes.append(f"the lines of the {side} half were mirrored ({plane.rms_mm:.1f} mm rms)")
    return replace(reading, lines=tuple(out), notes=(*reading.notes, *notes))


def _half(
    P: Points, off: NDArray[np.float64], plane: Symmetry, normal: Points
) -> tuple[Points, Points, Points, tuple[bool, bool]]:
    """The part of an open line on the positive side, and whether its ends meet the plane.

    Long stretches along the middle are laid on the plane and returned apart: before the part and
    after it, as stems that both halves share.
    """
    inside = np.flatnonzero(off > 0.0)
    first, last = int(inside[0]), int(inside[-1])
    part, reach = P[first : last + 1], off[first : last + 1]
    meets = []
    for end, cut, step in ((0, first, -1), (1, last, 1)):
        tip = part[-1 if end else 0]
        beyond = cut + step
        if 0 <= beyond < len(P):
            t = off[cut] / (off[cut] - off[beyond])
            tip = P[cut] + t * (P[beyond] - P[cut])
        elif off[cut] < REACH_MM:
            tip = tip - ((tip - plane.point) @ normal) * normal
        else:
            meets.append(False)
            continue
        meets.append(True)
        part = np.vstack([part, tip]) if end else np.vstack([tip, part])
        reach = np.append(reach, 0.0) if end else np.insert(reach, 0, 0.0)
    far = np.flatnonzero(np.abs(reach) > ON_PLANE_MM)
    on_plane = part - ((part - plane.point) @ normal)[:, None] * normal
    # The stem ends where the line leaves the middle for good.
    near = np.abs(reach) < LEAVES_MM
    first, last = int(far[0]), int(far[-1]) + 1
    first -= int(np.argmax(near[:first][::-1])) if near[:first].any() else 0
    last += int(np.argmax(near[last:])) if near[last:].any() else 0
    before, after = on_plane[:first], on_plane[last:]
    if len(before) < 2 or arc_length(before)[-1] < STEM_MM:
        first = 0
    if len(after) < 2 or arc_length(after)[-1] < STEM_MM:
        last = len(part)
    half = np.vstack([on_plane[first - 1 : first] if first else part[:0], part[first:last]])
    half = np.vstack([half, on_plane[last : last + 1]])
    before, after = on_plane[: max(first - 1, 0)], on_plane[last + 1 :]
    return before, half, after, (meets[0], meets[1])


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
