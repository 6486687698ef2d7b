"""Sorts strokes by pen: which inks there are, which strokes belong to them, which are too faint."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.ink.contrast import fair
from flatten.ink.fit import Stroke

SAME_INK_DEG = 16.0
TOP_MM = 120.0  # the strongest strokes up to this length set what ink looks like on this scan
STRONG = 0.55  # of that, is surely ink
LEAST_CONTRAST = 0.25
PLAIN_CONTRAST = 0.75  # from here on nothing but ink is as strong over so much of its length
CRISP, LONG_MM, MUCH_MM = 0.65, 180.0, 400.0
LEAST_EXPLAINED = 0.45  # by its strokes of what differs from tape: gloss and folds are less crisp
LEAST_WIDE = 0.3  # where so much of the ink is as even as this, in strokes longer than `TOP_MM`:
EVEN, EVEN_MM, WIDE_CONTRAST = 0.8, 600.0, 1.0
LEAST_INK_MM = 60.0  # of a pen there is so much, or at least one stroke
LEAST_STROKE_MM = 30.0
TINT = 0.3  # share of a contrast that is colour and not grey; creases and shadows have less
LEAST_BARE = 0.3  # of what lies beside a stroke on its cleaner side; where it is less strong than
CLEAR, CLEAR_BARE = 0.6, 0.6  # this share of clear ink, this much
COLOURED_TAPE = 0.3  # the palest channel is that much darker than the brightest
STEADY = 0.42  # of clear ink: strength times evenness of an uncoloured light stroke
OWN_HUE = 0.12  # of the tape's brightness: a colour nearer to the tape's is its shade
LIGHT_NEED, DARK_NEED = 0.6, 0.85  # of what is asked: coloured ink is less strong than the other
DARK_TOO = 0.62  # strength of a dark pen where the main one is light: folds are less
GLOSS_EVEN, GLOSS_TINT = 0.25, 0.5
SPLIT_DEG = 8.0  # inks at least so far apart in colour are two, where there is a clear gap between
SPLIT_RATIO = 5.0  # times the spread within either
SPLIT_MM = 30.0
LITTLE = 0.1  # beside a line a short stroke's band accounts for little of what is there
FAINT = 0.35  # strokes from here on count as part of writing, and are offered as lines


@dataclass(frozen=True, eq=False, kw_only=True)
class Sorted:
    """ink : (s,) which ink each stroke is of, -1 for none
    faint : (s,) too weak to be a line by itself, where it has an ink; where no ink was found at
        all, worth a look
    level : strength of clear ink on this scan, 0 where there is none
    """

    ink: NDArray[np.int64]
    faint: NDArray[np.bool_]
    level: float


@dataclass(frozen=True, eq=False)
class _Table:
    """The strokes' measures as columns; error : degrees by which noise alone turns `way`."""

    way: NDArray[np.float64]
    strength: NDArray[np.float64]
    length: NDArray[np.float64]
    explained: NDArray[np.float64]
    even: NDArray[np.float64]
    bare: NDArray[np.float64]
    error: NDArray[np.float64]
    tinted: NDArray[np.bool_]
    light: NDArray[np.bool_]
    gloss: NDArray[np.bool_]
    dashed: NDArray[np.bool_]


def _table(strokes: list[Stroke]) -> _Table:
    contrast = np.array([s.contrast for s in strokes])
    colour = np.array([s.colour for s in strokes])
    level = fair(contrast)
    strength = np.maximum(np.linalg.norm(level, axis=1), 1e-9)
    grey = level - level.mean(axis=1, keepdims=True)
    return _Table(
        way=contrast / np.maximum(np.linalg.norm(contrast, axis=1, keepdims=True), 1e-9),
        strength=strength,
        length=np.array([s.length for s in strokes]),
        explained=np.array([s.explained for s in strokes]),
        even=np.array([s.even for s in strokes]),
        bare=np.array([s.bare for s in strokes]),
        error=np.degrees([s.error / max(s.strength, 1e-9) for s in strokes]),
        tinted=(np.linalg.norm(grey, axis=1) > TINT * strength) & ~_shade(contrast, colour),
        light=contrast.sum(axis=1) > 0,
        gloss=_gloss(contrast, colour),
        dashed=np.array([s.dashed for s in strokes]),
    )


def _shade(contrast: NDArray[np.float64], colour: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which dark strokes have the hue of the tape: a fold or the edge of a shadow on coloured tape
    only looks tinted beside it, where a pen would have laid its own colour over that."""
    tape = np.maximum(colour / np.maximum(1.0 + contrast, 0.05), 1.0)
    size = np.einsum("ij,ij->i", tape, tape)
    scale = np.einsum("ij,ij->i", colour, tape) / size
    off = np.linalg.norm(colour - scale[:, None] * tape, axis=1) / np.sqrt(size)
    return (contrast.sum(axis=1) < 0) & (off < OWN_HUE)


def _gloss(contrast: NDArray[np.float64], colour: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which strokes are coloured tape that shines: as much of every channel is added to it, and it
    still has its tint, where a light pen would have covered that."""
    tape = np.maximum(colour / np.maximum(1.0 + contrast, 0.05), 1.0)
    more = colour - tape
    mean = np.maximum(more.mean(axis=1), 1e-9)
    tint, own = (1.0 - x.min(axis=1) / np.maximum(x.max(axis=1), 1.0) for x in (tape, colour))
    even = more.std(axis=1) < GLOSS_EVEN * mean
    return (contrast.sum(axis=1) > 0) & even & (tint > COLOURED_TAPE) & (own > GLOSS_TINT * tint)


def _level(t: _Table, among: NDArray[np.bool_]) -> float:
    """Strength of the weakest among the strongest strokes that make up `TOP_MM`."""
    order = np.flatnonzero(among & (t.length > 12.0))
    order = order[np.argsort(-t.strength[order], kind="stable")]
    total = np.cumsum(t.length[order])
    if len(order) == 0 or total[-1] < LEAST_INK_MM:
        return 0.0
    return float(t.strength[order[min(int(np.searchsorted(total, TOP_MM)), len(order) - 1)]])


def sort_inks(strokes: list[Stroke]) -> Sorted:
    """Which pen drew each stroke.

    A pen is a direction in the space of contrasts (how much darker or lighter than the tape each
    channel is), since worn and blurred strokes only come closer to the tape along it. Strokes are
    held against the scan's own clear ink, so that a faded or badly lit scan is read as well as a
    crisp one. Grey strokes much fainter than that are creases or shadows; light ones on tape that
    is written on in dark ink are gloss, unless they are as crisp and even as a pen's.
    """
    if not strokes:
        return _nothing(np.zeros(0, dtype=bool))
    t = _table(strokes)
    crisp = t.explained > 0.6 * _weighted(t.explained, t.length * t.strength * t.explained**2)
    weight = t.length * t.strength * t.explained**2
    light_ink = weight[t.light & crisp].sum() > weight[~t.light & crisp].sum()
    main = t.light == light_ink
    level = _level(t, main & crisp)
    strong = main & crisp & (t.strength >= STRONG * level)
    usual = _weighted(t.explained, np.where(strong, t.length, 0.0))
    if not _is_ink(t, strong, level, usual):
        return _nothing((t.length > 40.0) & (t.strength > 0.15) & crisp)
    # Short strokes must come closer to the usual ink than long ones.
    need = np.interp(t.length, [30.0, 120.0], [0.7, 0.5])
    # What goes on for longer may be less crisp: a pen half under gloss, or worn.
    crisp_enough = np.interp(t.length, [30.0, 120.0, 150.0], [0.6, 0.4, 0.25]) * usual
    sure = (t.explained > crisp_enough) & (t.even > 0.3)
    asked = np.where(t.tinted, np.where(t.light, LIGHT_NEED, DARK_NEED), 1.0) * need
    # The border of another cloth or of skin has tape on one side only, and is no clear ink.
    sure &= t.bare > np.where(t.strength < CLEAR * level, CLEAR_BARE, LEAST_BARE)
    # A ridge of gloss comes and goes; a worn pen is as strong or as even as it was.
    steady = t.strength * t.even > STEADY * level
    sure &= ~t.light | t.tinted | steady | t.dashed
    # What is lighter where the ink is dark may be gloss, what is darker where it is light a crease,
    # unless it is as crisp and even as a pen's; gloss is white and creases are as grey as the tape.
    crisp_too = (t.explained > np.minimum(0.7 * usual, 0.5)) & (t.even > 0.8) & (t.bare > 0.8)
    tint = t.tinted & (t.strength > np.minimum(0.35 * level, np.where(t.light, 0.4, DARK_TOO)))
    tint &= t.explained > 0.7 * usual
    plain = ((t.length > 60.0) | (t.even > 0.85)) & (t.strength > 0.8 * level)
    dark = ~t.light & (t.strength > np.minimum(0.35 * level, DARK_TOO + 0.06))
    dark &= t.explained > 0.7 * usual
    other = ~main & ~t.gloss & (t.length > 40.0) & crisp_too & (tint | plain | dark)
    shine = _shine(t, main & crisp)
    taken = (main & sure & ~shine & (t.strength >= 0.8 * asked * level)) | other
    ink, sums = _clusters(t, taken)
    # Within its own ink a stroke is held against that ink, not against the darkest.
    for k in range(len(sums)):
        mine = ink == k
        own = _weighted(t.strength, np.where(mine, t.length, 0.0))
        ink[mine & (t.strength < need * own)] = -1
        own = t.length[ink == k]
        if own.sum() < LEAST_INK_MM and own.max(initial=0.0) < LEAST_STROKE_MM:
            ink[ink == k] = -1
    faint = np.zeros(len(strokes), dtype=bool)
    close = np.cos(np.radians(1.6 * SAME_INK_DEG))
    could = (ink < 0) & ~shine & (t.strength > FAINT * level)
    could &= (t.explained > LITTLE * usual) & (t.even > 0.1)
    for i in np.flatnonzero(could):
        fits = [
            float(t.way[i] @ s) / float(np.linalg.norm(s)) if (ink == k).any() else -1.0
            for k, s in enumerate(sums)
        ]
        if fits and max(fits) > close:
            ink[i], faint[i] = int(np.argmax(fits)), True
    used = [k for k in range(len(sums)) if (ink == k).any()]
    number = {k: m for m, k in enumerate(used)}
    ink = np.array([number.get(int(k), -1) for k in ink])
    return Sorted(ink=ink, faint=faint, level=level if used else 0.0)


def _is_ink(t: _Table, strong: NDArray[np.bool_], level: float, usual: float) -> bool:
    """Whether the strong strokes are a pen's, rather than what tape looks like that nobody drew on."""
    if level < LEAST_CONTRAST:
        return False
    # Folds and edges of the tape itself can be as strong as faded ink, but not as crisp and as long.
    long_mm = float(t.length[strong & (t.length > LONG_MM)].sum())
    if level < PLAIN_CONTRAST and (usual < CRISP or long_mm < MUCH_MM):
        return False
    # A wide pen explains less of what lies there; no gloss or fold runs on so strong and so evenly.
    wide = strong & (t.even > EVEN) & (t.length > TOP_MM) & (t.strength > WIDE_CONTRAST)
    return usual >= (LEAST_WIDE if t.length[wide].sum() > EVEN_MM else LEAST_EXPLAINED)


def _shine(t: _Table, among: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Gloss among strokes of a light pen, unless most of them look like it: then that is the pen."""
    weight = t.length * t.strength * t.explained**2
    if weight[among & t.gloss].sum() > 0.4 * weight[among].sum():
        return np.zeros(len(t.length), dtype=bool)
    return t.gloss


def _nothing(weak: NDArray[np.bool_]) -> Sorted:
    return Sorted(ink=np.full(len(weak), -1), faint=weak, level=0.0)


def _weighted(value: NDArray[np.float64], weight: NDArray[np.float64]) -> float:
    return float((value * weight).sum() / max(float(weight.sum()), 1e-9))


def _clusters(t: _Table, taken: NDArray[np.bool_]) -> tuple[NDArray[np.int64], list]:
    """Inks by direction of contrast, founded by the clearest strokes first."""
    ink = np.full(len(t.length), -1)
    sums: list[NDArray[np.float64]] = []
    order = np.flatnonzero(taken)
    for i in order[np.argsort(-(t.length * t.strength)[order], kind="stable")]:
        fits = [float(_angles(t.way[i : i + 1], s)[0]) for s in sums]
        k = int(np.argmin(fits)) if fits else -1
        if k < 0 or fits[k] >= SAME_INK_DEG + 2.0 * t.error[i]:
            if t.length[i] < 20.0:
                continue
            k = len(sums)
            sums.append(np.zeros(3))
        ink[i] = k
        sums[k] = sums[k] + t.way[i] * t.strength[i] * t.length[i]
    k = 0
    while k < len(sums):
        apart = _split(t, np.flatnonzero(ink == k))
        if apart is None:
            k += 1
            continue
        ink[apart] = len(sums)
        sums.append(_middle(t, apart))
        sums[k] = _middle(t, np.flatnonzero(ink == k))
    return ink, sums


def _middle(t: _Table, some: NDArray[np.int64]) -> NDArray[np.float64]:
    """Mean way of strokes, by how much of each there is."""
    weight = t.strength[some] * t.length[some]
    return (weight[:, None] * t.way[some]).sum(axis=0)


def _split(t: _Table, some: NDArray[np.int64]) -> NDArray[np.int64] | None:
    """The strokes of a pen that are another one's, None where all are of one pen.

    Dark pens on a dim scan lie close together, whatever their colours: what tells them apart is
    that nothing lies between them.
    """
    if len(some) < 2:
        return None
    far = some[t.length[some] > 20.0]
    if len(far) < 2:
        return None
    first = _middle(t, some)
    angle = _angles(t.way[far], first)
    second = t.way[far[int(angle.argmax())]]
    part = np.zeros(len(some), dtype=bool)
    for _ in range(6):
        part = _angles(t.way[some], second) < _angles(t.way[some], first)
        if not part.any() or part.all():
            return None
        first, second = _middle(t, some[~part]), _middle(t, some[part])
    apart = float(_angles(first[None], second)[0])
    weight = t.strength[some] * t.length[some]
    off = np.where(part, _angles(t.way[some], second), _angles(t.way[some], first))
    spread = max(float(np.sqrt((weight * off**2).sum() / weight.sum())), 1.0)
    spread = float(np.hypot(spread, _weighted(t.error[some[part]], weight[part])))
    if apart < max(SPLIT_DEG, SPLIT_RATIO * spread) or t.length[some[part]].sum() < SPLIT_MM:
        return None
    return some[part]


def _angles(ways: NDArray[np.float64], way: NDArray[np.float64]) -> NDArray[np.float64]:
    """Degrees between ways (k, 3) and another."""
    size = np.linalg.norm(ways, axis=1) * np.linalg.norm(way)
    return np.degrees(np.arccos(np.clip(ways @ way / np.maximum(size, 1e-12), -1.0, 1.0)))
