"""Numbers out of text, many at a time, without losing sight of the line they stood on."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

# Text is taken in pieces of this many bytes, since its words take ten times their room.
_PIECE = 1 << 24


def to_floats(text: bytes) -> NDArray[np.float64]:
    """All blank-separated numbers of `text`.

    Raises
    ------
    ValueError : one of them is not a number
    """
    if b"_" in text:  # Python reads 1_000 as a number; no file format does
        raise ValueError("not a number")
    parts: list[NDArray[np.float64]] = []
    for piece in pieces(text):
        words = piece.split()
        parts.append(np.fromiter(map(float, words), dtype=np.float64, count=len(words)))
    return np.concatenate(parts) if parts else np.empty(0)


def pieces(text: bytes) -> Iterator[bytes]:
    """`text` in pieces that end at a line's end, or at a blank where a line is endless."""
    at = 0
    while at < len(text):
        end = min(at + _PIECE, len(text))
        if end < len(text):
            cuts = (text.rfind(mark, at, end) for mark in (b"\n", b"\r", b" "))
            end = next((cut + 1 for cut in cuts if cut >= 0), end)
        yield text[at:end]
        at = end


def bad_token_line(text: bytes) -> tuple[int, str]:
    """Line (from 1) and text of the first word that is not a number."""
    for number, line in enumerate(text.splitlines(), start=1):
        for word in line.split():
            try:
                float(word)
            except ValueError:
                return number, word.decode("utf-8", "replace")[:40]
            if b"_" in word:
                return number, word.decode("utf-8", "replace")[:40]
    return 0, ""


def to_doubles(values: NDArray[np.generic]) -> NDArray[np.float64]:
    """The same values in double precision; a NaN of any kind stays one, without a warning."""
    with np.errstate(invalid="ignore"):
        return values.astype(np.float64)


def to_singles(values: NDArray[np.generic]) -> NDArray[np.float32]:
    """The same values in single precision; what is too large becomes infinite, silently."""
    with np.errstate(invalid="ignore", over="ignore"):
        return values.astype(np.float32)


def to_integers(values: NDArray[np.generic]) -> NDArray[np.int64]:
    """Whole numbers stored as any type; fractions and what is out of range become -1."""
    if values.dtype.kind in "iu":
        return values.astype(np.int64)
    real = to_doubles(values)
    whole = np.where(np.abs(real) < 2**53, real, -1.0)
    return np.where(whole == np.floor(whole), whole, -1.0).astype(np.int64)
