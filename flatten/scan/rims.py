"""The rims of a cast: named by where they lie on the wearer, their ragged course smoothed."""

import numpy as np

from flatten.geometry.triangles import Array
from flatten.records.cast import Rim
from flatten.scan.holes import FLUSH, Border
from flatten.scan.loops import smooth_curve
from flatten.scan.remesh import Guide

# Directions in the cast's frame: +x the wearer's left, +y up, +z front.
SIDES = ("left", "right", "upper", "lower", "front", "back")

# A rim this much longer than its smoothed course is ragged.
RAGGED = 1.08


def rim_guides(V: Array, borders: list[Border], reach: float, noisy: bool) -> list[Guide]:
    """The smoothed course for every rim that is ragged, or for all where the scan is noisy.

    A clean rim gets none: it keeps its own line, corners and all.
    """
    return [
        Guide(vertices=b.vertices, curve=smooth_curve(V[b.vertices], reach))
        for b in borders
        if noisy or b.length > RAGGED * b.smooth_length
    ]


def name_rims(V: Array, borders: list[Border]) -> tuple[Rim, ...]:
    """Rims of the openings, named by the side of the cast they lie on.

    Of several rims on one side each gets a number, the longest 1.
    """
    if not borders:
        return ()
    low, high = V.min(axis=0), V.max(axis=0)
    half = np.maximum(0.5 * (high - low), 1e-9)
    sides = []
    for border in borders:
        off = (border.centre - 0.5 * (low + high)) / half
        axis = int(np.argmax(np.abs(off)))
        sides.append(SIDES[2 * axis + (0 if off[axis] >= 0 else 1)])
    rims = []
    for i, border in enumerate(borders):
        side = sides[i]
        if sides.count(side) > 1:
            side = f"{side} {sides[: i + 1].count(side)}"
        rims.append(
            Rim(
                name=side,
                vertices=border.vertices,
                length_mm=border.length,
                smooth_length_mm=border.smooth_length,
                flatness_mm=border.flatness,
                centre=border.centre,
            )
        )
    return tuple(rims)


def tell_rims(rims: tuple[Rim, ...]) -> str:
    """The openings and the lengths of their rims, in one sentence."""
    if not rims:
        return "the cast is closed: it has no opening"
    sizes = ", ".join(f"{rim.name} {rim.smooth_length_mm:.0f} mm" for rim in rims)
    return f"openings kept, by the length of their rims: {sizes}"


def tell_tears(rims: tuple[Rim, ...], borders: list[Border]) -> list[str]:
    """A sentence where openings lie flush in the surface, as tears do and ends of limbs do not.

    The one at the top and the one at the bottom are meant, however flush a neck lies between wide
    shoulders, and so are two on either side.

    borders : of the rims, in their order
    """
    names = {rim.name for rim in rims}
    meant = {"upper", "lower"} | ({"left", "right"} if {"left", "right"} <= names else set())
    flush = [
        f"'{rim.name}' ({rim.smooth_length_mm:.0f} mm)"
        for rim, border in zip(rims, borders, strict=True)
        if border.flush > FLUSH and rim.name not in meant
    ]
    if not flush or len(rims) < 2:
        return []
    one = len(flush) == 1
    return [
        f"the opening{'' if one else 's'} {', '.join(flush)} "
        f"{'lies' if one else 'lie'} flush in the surface, as a tear does, and {'is' if one else 'are'} "
        "too large to be filled truly: if no opening is meant there, scan that place again"
    ]
