"""Single-stroke lettering: words as polylines that a pen, a knife or a laser can follow.

The letters are A. V. Hershey's (Calligraphy for Computers, U.S. Naval Weapons Laboratory, 1967),
set a little narrower so that more of them fit on a piece. Accents are strokes of our own.
"""

import unicodedata
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from HersheyFonts import HersheyFonts
from numpy.typing import NDArray

from flatten.records.drawing import Polyline, Text

Array = NDArray[np.float64]

_FACE = "futural"
_NARROW = 0.78
_CAPITALS = 21.0  # height of the capitals in the font's own units; the baseline is at y = 9
_BASELINE = 9.0

# How far letters reach below the baseline and above it, in heights of the capitals.
BELOW = 0.34
ABOVE = 1.32

# Signs that the font lacks, in letters that it has.
_SPELT = {
    "ß": "ss", "ẞ": "SS", "æ": "ae", "Æ": "AE", "œ": "oe", "Œ": "OE", "ø": "o", "Ø": "O",
    "ł": "l", "Ł": "L", "đ": "d", "Đ": "D", "ð": "d", "Ð": "D", "þ": "th", "Þ": "Th", "ı": "i",
    "‘": "'", "’": "'", "‚": ",", "“": '"', "”": '"', "„": '"', "«": "<<", "»": ">>",
    "‐": "-", "‑": "-", "–": "-", "—": "-", "−": "-", "×": "x", "÷": ":", "·": ".", "•": "-",
    "±": "+/-", "≤": "<=", "≥": ">=", "→": "->", "←": "<-", "€": "EUR", "£": "GBP",
    "½": "1/2", "¼": "1/4", "¾": "3/4", "\u00a0": " ",
}  # fmt: skip

# Accents about x = 0, in heights: over a small letter; over a capital they are moved up.
_RING = [(0.09 * np.cos(a), 0.93 + 0.09 * np.sin(a)) for a in np.linspace(0, 2 * np.pi, 9)]
_ACCENTS: dict[str, list[list[tuple[float, float]]]] = {
    "\u0300": [[(-0.12, 1.05), (0.04, 0.86)]],
    "\u0301": [[(0.12, 1.05), (-0.04, 0.86)]],
    "\u0302": [[(-0.15, 0.86), (0.0, 1.03), (0.15, 0.86)]],
    "\u0303": [[(-0.17, 0.88), (-0.08, 0.98), (0.08, 0.9), (0.17, 1.0)]],
    "\u0304": [[(-0.15, 0.94), (0.15, 0.94)]],
    "\u0306": [[(-0.14, 1.02), (-0.05, 0.9), (0.05, 0.9), (0.14, 1.02)]],
    "\u0307": [[(-0.02, 0.94), (0.02, 0.94)]],
    "\u0308": [[(-0.14, 0.94), (-0.1, 0.94)], [(0.1, 0.94), (0.14, 0.94)]],
    "\u030a": [_RING],
    "\u030b": [[(-0.03, 1.05), (-0.13, 0.86)], [(0.17, 1.05), (0.07, 0.86)]],
    "\u030c": [[(-0.15, 1.03), (0.0, 0.86), (0.15, 1.03)]],
    "\u0327": [[(0.02, 0.0), (0.08, -0.12), (-0.08, -0.22)]],
    "\u0328": [[(0.08, 0.0), (-0.02, -0.14), (0.12, -0.2)]],
}
_BELOW_LETTER = {"\u0327", "\u0328"}
_RAISE = 0.24


@dataclass(frozen=True, eq=False)
class _Glyph:
    """Strokes from the left edge of a letter, in heights of the capitals, and its width."""

    strokes: tuple[Array, ...]
    width: float


@lru_cache(maxsize=1)
def _font() -> dict[str, _Glyph]:
    font = HersheyFonts()
    font.load_default_font(_FACE)
    glyphs: dict[str, _Glyph] = {}
    for letter, glyph in font.all_glyphs.items():
        strokes = []
        for stroke in glyph.strokes:
            points = np.array(stroke, dtype=np.float64)
            if len(points) < 2:
                continue
            x = (points[:, 0] - glyph.left_offset) * (_NARROW / _CAPITALS)
            strokes.append(np.column_stack([x, (_BASELINE - points[:, 1]) / _CAPITALS]))
        width = glyph.char_width * (_NARROW / _CAPITALS)
        glyphs[letter] = _Glyph(tuple(strokes), width)
    glyphs["°"] = _Glyph((np.array(_RING) + (0.17, 0.0),), 0.34)
    return glyphs


def spell(text: str) -> str:
    """`text` in letters, accents and signs that can be drawn; what cannot becomes "?"."""
    font = _font()
    out: list[str] = []
    for character in text:
        known = character in font or character in _SPELT
        for plain in character if known else unicodedata.normalize("NFKD", character):
            for letter in _SPELT.get(plain, plain):
                if letter in font or letter in _ACCENTS:
                    out.append(letter)
                elif letter.isspace():
                    out.append(" ")
                elif not unicodedata.combining(letter) and letter.isprintable():
                    out.append("?")
    return "".join(out)


def text_width(text: str, height: float) -> float:
    """Width of one line of lettering whose capitals are `height` high, same unit as `height`."""
    font = _font()
    return height * sum(font[c].width for c in spell(text) if c in font)


def text_strokes(text: Text) -> list[Polyline]:
    """The strokes of a text, in place, on the text's own layer."""
    angle = np.radians(text.angle_deg)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    return [
        Polyline(layer=text.layer, points=stroke * text.height @ turn + text.at)
        for stroke in _unit_strokes(text.text)
    ]


def _unit_strokes(text: str) -> list[Array]:
    """Strokes of a text from (0, 0), one high."""
    font = _font()
    strokes: list[Array] = []
    x = middle = 0.0
    is_high = False
    for character in spell(text):
        glyph = font.get(character)
        if glyph is not None:
            strokes += [stroke + (x, 0.0) for stroke in glyph.strokes]
            middle = x + glyph.width / 2
            is_high = character.isupper() or character in "bdfhklt"
            x += glyph.width
            continue
        lift = _RAISE if is_high and character not in _BELOW_LETTER else 0.0
        for accent in _ACCENTS[character]:
            strokes.append(np.array(accent) + (middle, lift))
    return strokes
