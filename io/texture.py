"""Texture images beside or inside a scan, decoded within a fixed amount of memory."""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from flatten.errors import BadInput
from flatten.io.sources import beside, read_bytes

_FORMATS = ("PNG", "JPEG", "BMP", "TIFF", "WEBP", "TGA")
# One image is kept up to about 10,000 x 10,000; a larger one is halved once or twice. What a
# decoder has to open whole may not be more than 16,384 x 16,384.
_MOST_PIXELS = 100_000_000
_MOST_DECODED = 16384 * 16384
_MOST_TOGETHER = 250_000_000


@dataclass(frozen=True, eq=False, kw_only=True)
class Textures:
    """images : those that could be read; index : for each one asked for, its image or -1."""

    images: tuple[NDArray[np.uint8], ...] = ()
    index: tuple[int, ...] = ()


class TextureShelf:
    """Collects images, each decoded once, until the pixels allowed are used up."""

    def __init__(self) -> None:
        self.images: list[NDArray[np.uint8]] = []
        self.notes: list[str] = []
        self._pixels = 0

    def add(self, data: bytes, name: str) -> int:
        """Index of the decoded image, or -1 with a note why not."""
        image, note = decode(data, name)
        if note:
            self.notes.append(note)
        if image is None:
            return -1
        pixels = image.shape[0] * image.shape[1]
        if self._pixels + pixels > _MOST_TOGETHER:
            self.notes.append(f"texture {name} was left out: there are too many large ones")
            return -1
        self._pixels += pixels
        self.images.append(image)
        return len(self.images) - 1

    def miss(self, name: str) -> int:
        self.notes.append(f"the texture '{name}' is not beside the scan; its colours are missing")
        return -1


def decode(data: bytes, name: str) -> tuple[NDArray[np.uint8] | None, str]:
    """(h, w, 3) uint8, row 0 at the top, or None; and a note where something is to be said."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            # The size is checked here, before anything is decoded.
            with Image.open(BytesIO(data), formats=_FORMATS) as picture:
                width, height = picture.size
                factor = 1
                while width * height > _MOST_PIXELS * factor * factor:
                    factor *= 2
                small = (max(width // factor, 1), max(height // factor, 1))
                if factor > 1:
                    picture.draft("RGB", small)  # a JPEG is decoded smaller at once
                if picture.size[0] * picture.size[1] > _MOST_DECODED:
                    return None, f"the texture {name} is too large ({width} x {height})"
                rgb = picture.convert("RGB")
                if factor == 1:
                    return np.asarray(rgb), ""
                return np.asarray(rgb.resize(small)), f"the texture {name} was made smaller"
    except Exception as error:
        # A decoder meets hostile bytes here and may raise anything; the shape is good without it.
        return None, f"the texture {name} cannot be read ({type(error).__name__}); no colours"


def load_textures(path: Path, references: Sequence[str]) -> tuple[Textures, list[str]]:
    """The images that lie beside `path`; those that do not are noted, not an error."""
    shelf = TextureShelf()
    index: list[int] = []
    for reference in references:
        found = beside(path, reference)
        if found is None:
            index.append(shelf.miss(reference))
            continue
        try:
            index.append(shelf.add(read_bytes(found), found.name))
        except BadInput as error:
            shelf.notes.append(str(error))
            index.append(-1)
    return Textures(images=tuple(shelf.images), index=tuple(index)), shelf.notes
