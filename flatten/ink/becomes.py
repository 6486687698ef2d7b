"""What the inks are called and what their lines become: by the job's rules, else by length."""

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from flatten.ink.fit import Stroke
from flatten.ink.inks import Sorted
from flatten.ink.paths import Path
from flatten.records.job import InkRule
from flatten.records.lines import KINDS


def hex_colour(rgb: NDArray[np.float64]) -> str:
    """An sRGB colour (3,), 0 to 255, as "#rrggbb"."""
    r, g, b = (int(np.clip(round(float(c)), 0, 255)) for c in rgb)
    return f"#{r:02x}{g:02x}{b:02x}"


def ink_colours(strokes: list[Stroke], found: Sorted) -> list[str]:
    out = []
    for k in range(int(found.ink.max()) + 1):
        mine = [s for s, i in zip(strokes, found.ink, strict=True) if i == k]
        weight = np.array([s.length for s in mine])
        seen = np.array([s.colour for s in mine])
        out.append(hex_colour((weight[:, None] * seen).sum(axis=0) / weight.sum()))
    return out


def ruled_inks(colours: list[str], rules: tuple[InkRule, ...]) -> dict[int, InkRule]:
    """Which rule speaks for which ink: nearest in colour, each rule once."""

    def rgb(text: str) -> NDArray[np.float64]:
        return np.array([int(text[k : k + 2], 16) for k in (1, 3, 5)], dtype=np.float64)

    def apart(a: str, b: str) -> float:
        p, q = rgb(a), rgb(b)
        tint = np.linalg.norm((p - p.mean()) - (q - q.mean()))
        return float(np.linalg.norm(p - q) + 1.5 * tint)

    pairs = sorted(
        (apart(c, rule.colour), i, k) for i, c in enumerate(colours) for k, rule in enumerate(rules)
    )
    out: dict[int, InkRule] = {}
    spent: set[int] = set()
    for _, i, k in pairs:
        if i not in out and k not in spent:
            out[i] = rules[k]
            spent.add(k)
    return out


def ink_lengths(paths: list[Path], some: Iterable[int], inks: int) -> list[float]:
    """Millimetres of each ink over some of the paths."""
    return [sum(paths[i].length for i in some if paths[i].ink == k) for k in range(inks)]


def ink_kinds(lengths: list[float], ruled: dict[int, InkRule]) -> list:
    """The ink with most length is the seams', the rest are details; rules come first."""
    free = [k for k in range(len(lengths)) if k not in ruled]
    kinds = ["detail"] * len(lengths)
    seam_ruled = any(rule.kind == "seam" for rule in ruled.values())
    if free and not seam_ruled:
        kinds[max(free, key=lambda k: lengths[k])] = "seam"
    for k, rule in ruled.items():
        kinds[k] = rule.kind if rule.kind in KINDS else "detail"
    return kinds
