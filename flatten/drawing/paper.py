"""Templates to pages: each once, packed over a grid of pages so that few pages are needed.

The pages overlap and are taped together, so a template may run over several; small ones share a
page. The search is by raster: largest first, each to where it takes the fewest pages that are not
in use yet, upright or turned by 90 degrees.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import fft
from shapely.affinity import rotate, translate
from shapely.geometry import LineString, Polygon, box
from shapely.geometry.base import BaseGeometry

from flatten.drawing.tile import LONGEST_MM, check_pages, page_name, pages_of
from flatten.geometry.placing import bounds, stroked
from flatten.records.drawing import Block, Drawing, Ink, Insert, Polyline, Text, block_words
from flatten.records.pages import ROLLS, Tile, Tiling

Array = NDArray[np.float64]
Cells = NDArray[np.bool_]

CELL_MM = 5.0  # also what is left between two templates
LINE_MM = 0.3  # half of a printed line, and more
MORE_COLUMNS = 3  # grids wider than the widest template needs, tried too
PART_MM2 = 400.0  # less of a piece than this on a page is not named
STRIDE = 4  # cells between places tried, besides those at a page's edges


def paper_tiling(
    blocks: tuple[Block, ...],
    title: str,
    paper: str = "A4",
    *,
    margin_mm: float = 10.0,
    overlap_mm: float = 10.0,
) -> Tiling:
    """The pages that show every block once, true size, on upright or lying paper.

    Pages on which nothing lies, or nothing that a neighbour does not show, are left out. On a
    plotter roll the page is as long as it needs to be.

    Raises
    ------
    BadInput : the paper is unknown, or margins and overlap leave nothing of it
    """
    pieces = [_footprint(block.ink) for block in blocks]
    ways = [(0.0, _quarter(block)) for block in blocks]
    masks = [
        tuple(_mask(_turned(piece, angle)) for angle in pair)
        for piece, pair in zip(pieces, ways, strict=True)
    ]
    orders = {
        tuple(sorted(range(len(pieces)), key=lambda i: -size(pieces[i])))
        for size in (lambda p: p.area, lambda p: p.length)
    }
    best: tuple[tuple[float, ...], Tiling, list[_Place]] | None = None
    sizes = pages_of(paper, _roll_length(pieces, paper, margin_mm), margin_mm)
    for page in sizes[:1] if paper in ROLLS else sizes:
        printed = check_pages(page, paper, margin_mm, overlap_mm)
        grid = _Grid(printed=printed, overlap=overlap_mm)
        for columns in grid.widths(pieces):
            for order in sorted(orders):
                places = _pack(masks, ways, order, grid, columns)
                drawing = _drawn(blocks, pieces, places, title)
                made = _tiling(drawing, pieces, places, grid, paper, page, margin_mm)
                wide, high = made.page_mm
                cost = (len(made.tiles), wide * high, made.columns * made.rows)
                if best is None or cost < best[0]:
                    best = cost, made, places
    assert best is not None  # there is a page, and a width to try
    _, made, places = best
    lying = [_lying(piece, place) for piece, place in zip(pieces, places, strict=True)]
    tiles = (replace(tile, pieces=_shown(tile, blocks, lying)) for tile in made.tiles)
    return replace(made, tiles=tuple(tiles))


@dataclass(frozen=True, kw_only=True)
class _Place:
    """Where a piece lies: turned, then its box's upper left corner at x right and y down, mm."""

    angle_deg: float
    x: float
    y: float


@dataclass(frozen=True, kw_only=True)
class _Grid:
    """Pages in columns and rows from the upper left; each adds to the ones before what it owns."""

    printed: tuple[float, float]
    overlap: float

    def owned(self, axis: int, i: int) -> tuple[float, float]:
        """The stretch that page i of a row (axis 0) or column (axis 1) shows and none before it."""
        step = self.printed[axis] - self.overlap
        return (i * step + self.overlap if i else 0.0, (i + 1) * step + self.overlap)

    def count(self, axis: int, size: float) -> int:
        """How many pages a stretch from 0 takes."""
        step = self.printed[axis] - self.overlap
        return max(int(np.ceil((size - self.overlap) / step - 1e-9)), 1)

    def widths(self, pieces: Sequence[BaseGeometry]) -> list[int]:
        """Numbers of columns to try: as many as every piece needs lying its narrower way, and more."""
        narrow = [min(p.bounds[2] - p.bounds[0], p.bounds[3] - p.bounds[1]) for p in pieces]
        least = max((self.count(0, size) for size in narrow), default=1)
        across = sum(p.bounds[2] - p.bounds[0] + CELL_MM for p in pieces)
        most = max(least, min(least + MORE_COLUMNS, self.count(0, across)))
        return list(range(least, most + 1))


def _footprint(ink: Sequence[Ink]) -> BaseGeometry:
    """All paper that a template takes: the inside of its cut lines, and words beside it."""
    shapes: list[BaseGeometry] = [
        shapely.make_valid(Polygon(item.points))
        for item in ink
        if isinstance(item, Polyline)
        and item.layer == "CUT"
        and item.closed
        and len(item.points) > 2
    ]
    inside = shapely.union_all(shapes).buffer(LINE_MM)
    shapely.prepare(inside)
    for item in ink:
        if isinstance(item, Polyline) and item.layer == "CUT":
            continue
        # A line's box is looked at first: hardly any reaches out of the piece.
        spot = box(*bounds([item]))
        if not shapely.covers(inside, spot):
            shapes += [] if _inside(item, inside) else [spot.buffer(LINE_MM)]
    return shapely.union_all(shapes)


def _inside(item: Ink, piece: BaseGeometry) -> bool:
    return all(
        isinstance(part, Polyline)
        and len(part.points) > 1
        and shapely.covers(piece, LineString(part.points))
        for part in stroked(item)
    )


def _roll_length(
    pieces: Sequence[BaseGeometry], paper: str, margin: float
) -> tuple[float, float, float, float]:
    """A region that is as long as all pieces one after the other, for a roll's page."""
    if paper not in ROLLS:
        return (0.0, 0.0, 0.0, 0.0)
    reach = sum(max(p.bounds[2] - p.bounds[0], p.bounds[3] - p.bounds[1]) + CELL_MM for p in pieces)
    long = min(reach, LONGEST_MM - 2 * margin)
    return (0.0, 0.0, long, long)


def _quarter(block: Block) -> float:
    """The way to turn a template by 90 degrees so that its words do not stand on their heads."""
    angles = [item.angle_deg for item in block.ink if isinstance(item, Text)]
    return -90.0 if sum(45.0 < a < 135.0 for a in angles) > 0.5 * len(angles) else 90.0


def _turned(piece: BaseGeometry, angle_deg: float) -> BaseGeometry:
    return rotate(piece, angle_deg, origin=(0.0, 0.0)) if angle_deg else piece


def _mask(piece: BaseGeometry) -> Cells:
    """The cells that a piece touches, from the upper left corner of its box, rows downward."""
    x0, y0, x1, y1 = piece.bounds
    piece = shapely.simplify(piece.buffer(LINE_MM), LINE_MM)
    nx, ny = (max(int(np.ceil(size / CELL_MM - 1e-9)), 1) for size in (x1 - x0, y1 - y0))
    columns, rows = np.meshgrid(np.arange(nx), np.arange(ny))
    left, top = x0 + CELL_MM * columns, y1 - CELL_MM * rows
    shapely.prepare(piece)
    cells = shapely.box(left, top - CELL_MM, left + CELL_MM, top)
    return np.asarray(shapely.intersects(piece, cells))


def _pack(
    masks: Sequence[tuple[Cells, ...]],
    ways: Sequence[tuple[float, ...]],
    order: Sequence[int],
    grid: _Grid,
    columns: int,
) -> list[_Place]:
    """A place for every piece, set in the order given."""
    width = int(np.ceil(grid.owned(0, columns - 1)[1] / CELL_MM - 1e-9))
    taken = np.zeros((0, width), dtype=bool)
    used: set[tuple[int, int]] = set()
    places: dict[int, _Place] = {}
    for i in order:
        best: tuple[tuple[float, ...], int, int, int] | None = None
        for way, mask in enumerate(masks[i]):
            if mask.shape[1] > width:
                continue
            room = np.zeros((len(taken) + mask.shape[0] + 1, width), dtype=bool)
            room[: len(taken)] = taken
            spot = _best_spot(room, mask, grid, columns, used)
            if best is None or spot[0] < best[0]:
                best = (spot[0], way, spot[1], spot[2])
        assert best is not None  # the grid is as wide as every piece needs one way
        _, way, row, column = best
        mask = masks[i][way]
        grown = np.zeros((max(len(taken), row + mask.shape[0] + 1), width), dtype=bool)
        grown[: len(taken)] = taken
        grown[row : row + mask.shape[0], column : column + mask.shape[1]] |= mask
        taken = grown
        used |= _touched(mask, row, column, grid, columns)
        places[i] = _Place(angle_deg=ways[i][way], x=column * CELL_MM, y=row * CELL_MM)
    return [places[i] for i in range(len(masks))]


def _hits(room: Cells, mask: Cells) -> Array:
    """Cells of the room under the mask, for every place of the mask within the room.

    The correlation theorem, by `scipy.fft`; `scipy.signal` has it too but takes half a second of
    every run to load.
    """
    shape = [fft.next_fast_len(n, real=True) for n in room.shape]
    over = np.asarray(fft.rfft2(room.astype(float), shape))
    under = np.asarray(fft.rfft2(mask.astype(float), shape))
    hits = np.asarray(fft.irfft2(over * under.conj(), shape))
    return hits[: room.shape[0] - mask.shape[0] + 1, : room.shape[1] - mask.shape[1] + 1]


def _best_spot(
    room: Cells, mask: Cells, grid: _Grid, columns: int, used: set[tuple[int, int]]
) -> tuple[tuple[float, ...], int, int]:
    """(cost, row, column) of the free place that takes the fewest new pages, the uppermost first."""
    wide = room.copy()  # a cell between two pieces stays free
    wide[1:] |= room[:-1]
    wide[:-1] |= room[1:]
    wide[:, 1:] |= wide[:, :-1].copy()
    wide[:, :-1] |= wide[:, 1:].copy()
    free = _hits(wide, mask) < 0.5
    keep = [
        _stops(free.shape[axis], mask.shape[axis], grid, 1 - axis, room.shape[axis])
        for axis in (0, 1)
    ]
    rows, cols = np.nonzero(free & keep[0][:, None] & keep[1][None, :])
    if len(rows) == 0:  # below everything else there is always room
        rows, cols = np.nonzero(free)
    sums = np.zeros((mask.shape[0] + 1, mask.shape[1] + 1), dtype=np.int64)
    sums[1:, 1:] = mask.cumsum(axis=0).cumsum(axis=1)
    new = np.zeros(len(rows), dtype=np.int64)
    deep = grid.count(1, room.shape[0] * CELL_MM)
    for r in range(deep):
        for c in range(columns):
            if (r, c) not in used:
                new += _within(sums, rows, cols, grid, r, c) > 0
    cost = np.lexsort((cols, rows, new))[0]
    row, col = int(rows[cost]), int(cols[cost])
    return (float(new[cost]), float(row + mask.shape[0]), float(col)), row, col


def _stops(count: int, size: int, grid: _Grid, axis: int, total: int) -> Cells:
    """Which offsets are tried along an axis: every few, and those at the edges of pages."""
    stops = np.zeros(count, dtype=bool)
    stops[::STRIDE] = True
    for i in range(grid.count(axis, total * CELL_MM)):
        low, high = grid.owned(axis, i)
        for at in (int(np.ceil(low / CELL_MM - 1e-9)), int(high / CELL_MM + 1e-9) - size):
            if 0 <= at < count:
                stops[at] = True
    return stops


def _within(
    sums: NDArray[np.int64],
    rows: NDArray[np.int64],
    cols: NDArray[np.int64],
    grid: _Grid,
    r: int,
    c: int,
) -> NDArray[np.int64]:
    """How many cells of a mask, laid at each offset, lie on what a page owns."""
    (x0, x1), (y0, y1) = grid.owned(0, c), grid.owned(1, r)
    ny, nx = sums.shape[0] - 1, sums.shape[1] - 1
    left = np.clip(np.floor(x0 / CELL_MM + 1e-9).astype(int) - cols, 0, nx)
    right = np.clip(np.ceil(x1 / CELL_MM - 1e-9).astype(int) - cols, 0, nx)
    top = np.clip(np.floor(y0 / CELL_MM + 1e-9).astype(int) - rows, 0, ny)
    low = np.clip(np.ceil(y1 / CELL_MM - 1e-9).astype(int) - rows, 0, ny)
    return sums[low, right] - sums[top, right] - sums[low, left] + sums[top, left]


def _touched(mask: Cells, row: int, col: int, grid: _Grid, columns: int) -> set[tuple[int, int]]:
    sums = np.zeros((mask.shape[0] + 1, mask.shape[1] + 1), dtype=np.int64)
    sums[1:, 1:] = mask.cumsum(axis=0).cumsum(axis=1)
    one = np.array([row]), np.array([col])
    deep = grid.count(1, (row + mask.shape[0]) * CELL_MM)
    return {
        (r, c)
        for r in range(deep)
        for c in range(columns)
        if _within(sums, *one, grid, r, c)[0] > 0
    }


def _moves(piece: BaseGeometry, place: _Place) -> tuple[float, float]:
    """How far a turned piece is moved; y up, the grid's upper left corner at (0, 0)."""
    x0, _, _, y1 = _turned(piece, place.angle_deg).bounds
    return place.x - x0, -place.y - y1


def _drawn(
    blocks: tuple[Block, ...], pieces: Sequence[BaseGeometry], places: Sequence[_Place], title: str
) -> Drawing:
    inserts = tuple(
        Insert(block=block.name, at=_moves(piece, place), angle_deg=place.angle_deg)
        for block, piece, place in zip(blocks, pieces, places, strict=True)
    )
    lying = [_lying(piece, place).bounds for piece, place in zip(pieces, places, strict=True)]
    low, high = np.min(lying, axis=0), np.max(lying, axis=0)
    return Drawing(
        title=title,
        width_mm=float(high[2] - low[0]),
        height_mm=float(high[3] - low[1]),
        blocks=blocks,
        inserts=inserts,
    )


def _lying(piece: BaseGeometry, place: _Place) -> BaseGeometry:
    return translate(_turned(piece, place.angle_deg), *_moves(piece, place))


def _tiling(
    drawing: Drawing,
    pieces: Sequence[BaseGeometry],
    places: Sequence[_Place],
    grid: _Grid,
    paper: str,
    page: tuple[float, float],
    margin: float,
) -> Tiling:
    lying = [_lying(piece, place) for piece, place in zip(pieces, places, strict=True)]
    content = shapely.union_all(lying)
    x1, y1 = content.bounds[2], -content.bounds[1]
    columns, rows = grid.count(0, x1), grid.count(1, y1)
    if paper in ROLLS and rows == 1:
        page = (page[0], min(max(y1 + 2 * margin, 250.0), page[1]))
    tiles = []
    for row in range(rows):
        for column in range(columns):
            (left, _), (top, _) = (
                (i * (p - grid.overlap), 0.0)
                for i, p in zip((column, row), grid.printed, strict=True)
            )
            printed = (page[0] - 2 * margin, page[1] - 2 * margin)
            tiles.append(
                Tile(
                    name=page_name(column, row),
                    row=row,
                    column=column,
                    low=(left, -top - printed[1]),
                    high=(left + printed[0], -top),
                )
            )
    return Tiling(
        drawing=drawing,
        paper=paper,
        page_mm=page,
        margin_mm=margin,
        overlap_mm=grid.overlap,
        rows=rows,
        columns=columns,
        tiles=_needed(tiles, content),
    )


def _shown(tile: Tile, blocks: Sequence[Block], lying: Sequence[BaseGeometry]) -> tuple[str, ...]:
    """Names of the pieces of which a page shows enough to be told apart by, most first."""
    spot = box(*tile.low, *tile.high)
    areas = [float(piece.intersection(spot).area) for piece in lying]
    most = sorted((i for i, area in enumerate(areas) if area > PART_MM2), key=lambda i: -areas[i])
    return tuple(block_words(blocks[i].name) for i in most)


def _needed(tiles: list[Tile], content: BaseGeometry) -> tuple[Tile, ...]:
    """The pages without those that show nothing, or nothing that the others do not show."""
    boxes = {tile.name: box(*tile.low, *tile.high) for tile in tiles}
    shown = {name: content.intersection(b) for name, b in boxes.items()}
    kept = [tile for tile in tiles if shown[tile.name].area > 0.0]
    for tile in sorted(kept, key=lambda t: shown[t.name].area):
        others = shapely.union_all([boxes[t.name] for t in kept if t is not tile])
        if shown[tile.name].difference(others).area < 1e-6:
            kept.remove(tile)
    return tuple(kept)
