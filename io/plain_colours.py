"""Faces in plain colours, as a palette: a picture of one texel to a colour, and places in it."""

import numpy as np
from numpy.typing import NDArray

BARE = (200, 200, 200)  # a face without a colour beside others that have one
MOST = 65_536  # a picture is no wider; finer shades are put together


def hex_rgb(text: str) -> tuple[int, int, int] | None:
    """The colour of "#RRGGBB" or "#RRGGBBAA", None for anything else."""
    digits = text.strip().lstrip("#")
    if len(digits) not in (6, 8):
        return None
    try:
        r, g, b = (int(digits[k : k + 2], 16) for k in (0, 2, 4))
    except ValueError:
        return None
    return r, g, b


def palette(
    colours: NDArray[np.uint8],
) -> tuple[NDArray[np.float32], NDArray[np.uint8]] | None:
    """(m, 3, 2) texture places and a (1, k, 3) picture for the colours (m, 3) of faces.

    None where all faces are of one colour: that is no colour to read anything from.
    """
    kinds, which = np.unique(colours, axis=0, return_inverse=True)
    if len(kinds) > MOST:
        kinds, which = np.unique(colours & 0xF8, axis=0, return_inverse=True)
    if len(kinds) < 2:
        return None
    place = np.column_stack([(which.ravel() + 0.5) / len(kinds), np.full(len(colours), 0.5)])
    return np.repeat(place[:, None], 3, axis=1).astype(np.float32), kinds[None].astype(np.uint8)
