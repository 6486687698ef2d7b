"""Ink on named layers: what the writers of DXF, SVG and PDF all draw from."""

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from flatten.records.arrays import lock, lock_fields

# NOTCH holds every match mark, drawn; SNIP the slits in allowances that a knife cuts.
Layer = Literal[
    "CUT", "NET", "SCORE", "NOTCH", "SNIP", "HOLE", "DETAIL", "GRAIN", "LABEL", "STOCK", "TEST"
]
LAYERS: tuple[Layer, ...] = get_args(Layer)


@dataclass(frozen=True, eq=False, kw_only=True)
class Polyline:
    """points (k, 2) mm, y up; a closed one does not repeat its first point."""

    layer: Layer
    points: NDArray[np.float64]
    closed: bool = False

    def __post_init__(self) -> None:
        lock_fields(self, points=lock(self.points, np.float64, None, 2, name="points"))


@dataclass(frozen=True, kw_only=True)
class Circle:
    """A hole: centre and radius, mm."""

    layer: Layer
    centre: tuple[float, float]
    radius: float


@dataclass(frozen=True, kw_only=True)
class Text:
    """Single-stroke lettering: `at` is the left end of the baseline, `height` the capitals', mm."""

    text: str
    at: tuple[float, float]
    height: float
    angle_deg: float = 0.0
    layer: Layer = "LABEL"


Ink = Polyline | Circle | Text


@dataclass(frozen=True, eq=False, kw_only=True)
class Block:
    """The ink of one template, in the template's own coordinates (mm, y up)."""

    name: str
    ink: tuple[Ink, ...]


def block_words(name: str) -> str:
    """A block's name as people read it."""
    return name.lower().replace("-", " ")


@dataclass(frozen=True, kw_only=True)
class Insert:
    """A block laid on the drawing: mirrored in x first if asked, turned, then moved to `at`."""

    block: str
    at: tuple[float, float]
    angle_deg: float = 0.0
    mirrored: bool = False


@dataclass(frozen=True, eq=False, kw_only=True)
class Drawing:
    """One true-size sheet: blocks, where they lie, and loose ink (stock edge, check square)."""

    title: str
    width_mm: float
    height_mm: float
    blocks: tuple[Block, ...]
    inserts: tuple[Insert, ...]
    ink: tuple[Ink, ...] = ()
