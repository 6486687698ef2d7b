"""A drawing cut up for printing: which part of it goes on which page."""

from dataclasses import dataclass

from flatten.records.drawing import Drawing

# ISO 216 and ANSI/ASME Y14.1 sheets, mm.
SHEETS: dict[str, tuple[float, float]] = {
    "A4": (210.0, 297.0),
    "A3": (297.0, 420.0),
    "A0": (841.0, 1189.0),
    "Letter": (215.9, 279.4),
}
# Plotter rolls by their width, mm; a page is as long as it needs to be.
ROLLS: dict[str, float] = {"610": 610.0, "841": 841.0, "914": 914.0}
PAPERS: tuple[str, ...] = (*SHEETS, *ROLLS)


@dataclass(frozen=True, kw_only=True)
class Tile:
    """One page: its name on the map ("B3"), its place in the grid, and the part it shows.

    low, high : opposite corners of the part shown, mm, drawing coordinates; neighbours overlap
    pieces : names of those that it shows a part of, the one it shows most of first
    """

    name: str
    row: int
    column: int
    low: tuple[float, float]
    high: tuple[float, float]
    pieces: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class Tiling:
    """A drawing on pages of one size, true size.

    page_mm : (width, height) of the paper as it lies; margin_mm : kept free all round
    overlap_mm : what neighbouring pages show both
    rows, columns : size of the whole grid, from the top left; tiles : the pages that are not empty
    """

    drawing: Drawing
    paper: str
    page_mm: tuple[float, float]
    margin_mm: float
    overlap_mm: float
    rows: int
    columns: int
    tiles: tuple[Tile, ...]
