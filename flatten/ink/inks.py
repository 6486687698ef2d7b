"""Sorts strokes by pen: which inks there are, which strokes belong to them, which are too faint."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.ink.fit import Stroke

SAME_INK_DEG = 15.0
TOP_MM = 120.0  # the strongest strokes up to this length set what ink looks like on this scan
STRONG = 0.55  # of that, is surely ink
FAINT = 0.30
LEAST_CONTRAST = 0.30
CLEAR_CONTRAST = 0.55
LEAST_INK_MM = 60.0
TINT = 0.22  # a faint stroke with this much colour of its own is no crease


@dataclass(frozen=True, eq=False, kw_only=True)
class Sorted:
    """ink : (s,) which ink each stroke is of, -1 for none; weak : indices worth a look
    contrasts : (i, 3) of the inks; level : strength of clear ink on this scan, 0 where none
    """

    ink: NDArray[np.int64]
    weak: tuple[int, ...]
    contrasts: NDArray[np.float64]
    level: float


def _unit(x: NDArray[np.float64]) -> NDArray[np.float64]:
    return x / max(float(np.linalg.norm(x)), 1e-9)


def _level(strokes: list[Stroke]) -> float:
    """Strength of the weakest among the strongest strokes that make up `TOP_MM`."""
    order = sorted(range(len(strokes)), key=lambda i: -strokes[i].strength)
    total = 0.0
    for i in order:
        total += strokes[i].length if strokes[i].length > 12.0 else 0.0
        if total >= TOP_MM:
            return strokes[i].strength
    return strokes[order[-1]].strength if total >= LEAST_INK_MM else 0.0


def sort_inks(strokes: list[Stroke]) -> Sorted:
    """Which pen drew each stroke.

    A pen is a direction in the space of contrasts (how much darker or lighter than the tape each
    channel is), since worn and blurred strokes only come closer to the tape along it. Strokes are
    held against the scan's own clear ink, so that a faded or badly lit scan is read as well as a
    crisp one; grey strokes much fainter than that are creases or shadows.
    """
    none = Sorted(ink=np.full(len(strokes), -1), weak=(), contrasts=np.zeros((0, 3)), level=0.0)
    if not strokes:
        return none
    level = _level(strokes)
    long_mm = sum(s.length for s in strokes if s.length > 80.0 and s.strength >= STRONG * level)
    if level < LEAST_CONTRAST or (level < CLEAR_CONTRAST and long_mm < 2.0 * TOP_MM):
        weak = tuple(i for i, s in enumerate(strokes) if s.length > 40.0 and s.strength > 0.2)
        return Sorted(ink=none.ink, weak=weak, contrasts=none.contrasts, level=0.0)
    ink = np.full(len(strokes), -1)
    sums: list[NDArray[np.float64]] = []
    close = np.cos(np.radians(SAME_INK_DEG))
    strong = [i for i, s in enumerate(strokes) if s.strength >= STRONG * level]
    for i in sorted(strong, key=lambda i: -strokes[i].length * strokes[i].strength):
        e = _unit(strokes[i].contrast)
        fits = [float(e @ _unit(t)) for t in sums]
        if fits and max(fits) > close:
            ink[i] = int(np.argmax(fits))
            sums[ink[i]] = sums[ink[i]] + strokes[i].contrast * strokes[i].length
        elif strokes[i].length > 20.0:
            ink[i] = len(sums)
            sums.append(strokes[i].contrast * strokes[i].length)
        elif fits:
            ink[i] = int(np.argmax(fits))
    weak: list[int] = []
    for i, s in enumerate(strokes):
        if ink[i] >= 0:
            continue
        e = _unit(s.contrast)
        fits = [float(e @ _unit(t)) for t in sums]
        k = int(np.argmax(fits)) if fits else -1
        tint = float(np.linalg.norm(s.contrast - s.contrast.mean()))
        usual = np.linalg.norm(sums[k]) / max(
            sum(t.length for j, t in enumerate(strokes) if ink[j] == k), 1e-9
        )
        if k >= 0 and fits[k] > close and s.strength >= STRONG * usual:
            ink[i] = k
        elif tint > TINT and s.length > 40.0 and s.strength >= FAINT * level:
            ink[i] = k if fits[k] > close else len(sums)
            if ink[i] == len(sums):
                sums.append(s.contrast * s.length)
        elif s.length > 20.0 and s.strength >= FAINT * level:
            weak.append(i)
    contrasts = np.array(
        [
            t / max(sum(s.length for s, k in zip(strokes, ink, strict=True) if k == m), 1e-9)
            for m, t in enumerate(sums)
        ]
    ).reshape(-1, 3)
    return Sorted(ink=ink, weak=tuple(weak), contrasts=contrasts, level=level)
