"""Lettering on pages: no word runs over a join, and every page says whose part it shows.

Pages are joined down the middle of their overlap. Words that would cross it are set anew on the
page that has most of them, as near by as there is room on the piece.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.affinity import translate
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

from flatten.geometry.freespace import CLEAR_MM, BoxSearch, FreeSpace, shape_of, text_box
from flatten.geometry.lettering import BELOW, text_width
from flatten.geometry.placing import moved
from flatten.records.drawing import Ink, Polyline, Text
from flatten.records.pages import Tile, Tiling

NAME_MM = (6.0, 4.5, 3.2)  # capitals of a piece's name on a page that has no other word of it
SMALLER = (1.0, 0.8, 0.65)  # of their own height, when words are set anew
LEAST_MM = 2.2  # capitals that are still read at arm's length, from memory
PART_MM2 = 100.0  # less of a piece than this on a page needs no name
SLIDE_MM = 2.0  # between places tried along the words' own line
ASIDE_MM = (0.0, 3.0, -3.0)  # off that line, where an edge bends
EDGE_MM = 12.0  # words whose middle is nearer to the outline than this are an edge's


def lettered(tiling: Tiling) -> Tiling:
    """The tiling with each page's words: `Tile.words`, and `Tile.unnamed` where no name fits."""
    boxes = {tile.name: owned(tiling, tile) for tile in tiling.tiles}
    words: dict[str, list[Text]] = {name: [] for name in boxes}
    unnamed: dict[str, list[str]] = {name: [] for name in boxes}
    blocks = {block.name: block for block in tiling.drawing.blocks}
    for insert in tiling.drawing.inserts:
        inks = [moved(ink, insert) for ink in blocks[insert.block].ink]
        texts = [ink for ink in inks if isinstance(ink, Text)]
        lines = [ink for ink in inks if not isinstance(ink, Text)]
        name = insert.block.lower().replace("-", " ")
        piece = _inside(lines)
        pages = {key: _Page(spot, piece, lines) for key, spot in boxes.items()}
        for text, page in _settled(texts, pages):
            words[page].append(text)
            pages[page].said.append(text)
        for key, page in pages.items():
            if page.part.area < PART_MM2 or page.says(name):
                continue
            found = page.name(name, insert.angle_deg)
            if found is None:
                unnamed[key].append(name)
            else:
                words[key].append(found)
    loose = [ink for ink in tiling.drawing.ink if isinstance(ink, Text)]
    for text, page in _settled(loose, {k: _Page(b, Polygon(), []) for k, b in boxes.items()}):
        words[page].append(text)
    tiles = tuple(
        replace(tile, words=tuple(words[tile.name]), unnamed=tuple(unnamed[tile.name]))
        for tile in tiling.tiles
    )
    return replace(tiling, tiles=tiles)


def owned(tiling: Tiling, tile: Tile) -> Polygon:
    """What a page shows when it is taped: up to the middle of the overlap with each neighbour."""
    there = {(t.row, t.column) for t in tiling.tiles}
    half = tiling.overlap_mm / 2
    left, right, above, below = (
        half * ((tile.row + down, tile.column + across) in there)
        for down, across in ((0, -1), (0, 1), (-1, 0), (1, 0))
    )
    (x0, y0), (x1, y1) = tile.low, tile.high
    return box(x0 + left, y0 + below, x1 - right, y1 - above)


def _inside(lines: Sequence[Ink]) -> BaseGeometry:
    """The inside of the largest cut line, without what is cut out of it."""
    rings = [
        shapely.make_valid(Polygon(ink.points))
        for ink in lines
        if isinstance(ink, Polyline) and ink.layer == "CUT" and ink.closed and len(ink.points) > 2
    ]
    if not rings:
        return Polygon()
    first, *more = sorted(rings, key=lambda ring: -ring.area)
    return first.difference(shapely.union_all([ring for ring in more if first.covers(ring)]))


def _settled(texts: Sequence[Text], pages: dict[str, "_Page"]) -> Iterator[tuple[Text, str]]:
    """Each text with the page it stands on: those that lie on one first, then those set anew."""
    crossing: list[tuple[Text, Polygon]] = []
    for text in texts:
        spot = text_box(text)
        home = next((key for key, page in pages.items() if page.owned.covers(spot)), None)
        if home is None:
            crossing.append((text, spot))
        else:
            yield text, home
    for text, spot in crossing:
        shares = {key: page.owned.intersection(spot).area for key, page in pages.items()}
        order = sorted((key for key in pages if shares[key] > 0.0), key=lambda key: -shares[key])
        for key in order:
            found = pages[key].again(text)
            if found is not None:
                yield found, key
                break
        else:
            if order:
                yield pages[order[0]].pushed(text), order[0]


@dataclass(eq=False)
class _Page:
    """One page's share of a piece, what is drawn there and the words that stand on it."""

    owned: Polygon
    piece: BaseGeometry
    lines: Sequence[Ink]

    def __post_init__(self) -> None:
        self.said: list[Text] = []
        self.part = self.piece.intersection(self.owned)
        self._drawn: list[BaseGeometry] | None = None

    def says(self, name: str) -> bool:
        """Whether words here name the piece, with or without its ply before the panel."""
        said = [text.text.lower().replace("-", " ") for text in self.said]
        panel = name.partition(" ")[2]
        return any(name in words or words == panel for words in said)

    def space(self) -> FreeSpace | None:
        """Room for words within the largest stretch of the piece on this page."""
        parts = [p for p in shapely.get_parts(self.part) if isinstance(p, Polygon)]
        if not parts:
            return None
        if self._drawn is None:
            shapes = np.array([shape_of(ink) for ink in self.lines], dtype=object)
            self._drawn = list(shapes[shapely.intersects(shapes, self.owned)])
        largest = max(parts, key=lambda part: part.area)
        return FreeSpace(largest, [*self._drawn, *(text_box(text) for text in self.said)])

    def again(self, text: Text) -> Text | None:
        """The text slid along its own line, else anywhere free; smaller rather than not at all.

        Words beside an edge are said of that edge: they stay beside it.
        """
        space = self.space()
        if space is None:
            return None
        angle = np.radians(text.angle_deg)
        along = np.array([np.cos(angle), np.sin(angle)])
        off = np.array([-along[1], along[0]])
        by_edge = self.piece.boundary.distance(text_box(text).centroid) < EDGE_MM
        search = None if by_edge else space.search(CLEAR_MM)
        for share in SMALLER:
            if share < 1.0 and text.height * share < LEAST_MM:
                break
            set_ = replace(text, height=text.height * share)
            spot = text_box(set_)
            reach = int(text_width(text.text, text.height) / SLIDE_MM) + 1
            for i in sorted(range(-reach, reach + 1), key=abs):
                for aside in ASIDE_MM:
                    x, y = i * SLIDE_MM * along + aside * off
                    if space.free(translate(spot, x, y)):
                        return replace(set_, at=(text.at[0] + float(x), text.at[1] + float(y)))
            if search is None:
                continue
            for turn in (0.0, 90.0, -90.0):
                found = _found(search, replace(set_, angle_deg=text.angle_deg + turn))
                if found is not None:
                    return found
        return None

    def name(self, name: str, angle_deg: float) -> Text | None:
        """The piece's name where there is room on this page."""
        space = self.space()
        if space is None:
            return None
        search = space.search(CLEAR_MM)
        for height in NAME_MM:
            for turn in (0.0, 90.0):
                text = Text(text=name, at=(0.0, 0.0), height=height, angle_deg=angle_deg + turn)
                found = _found(search, text)
                if found is not None:
                    return found
        return None

    def pushed(self, text: Text) -> Text:
        """The text moved onto the page by the shortest way, over lines if need be; made to fit."""
        x0, y0, x1, y1 = self.owned.bounds
        low_x, low_y, high_x, high_y = text_box(text).bounds
        fit = min(1.0, 0.98 * (x1 - x0) / (high_x - low_x), 0.98 * (y1 - y0) / (high_y - low_y))
        text = replace(text, height=text.height * fit)
        low_x, low_y, high_x, high_y = text_box(text).bounds
        right = max(x0 - low_x, 0.0) + min(x1 - high_x, 0.0)
        up = max(y0 - low_y, 0.0) + min(y1 - high_y, 0.0)
        return replace(text, at=(text.at[0] + right, text.at[1] + up))


def _found(search: BoxSearch, text: Text) -> Text | None:
    """The text in the free place nearest to the middle of the room."""
    empty = text_box(replace(text, at=(0.0, 0.0), angle_deg=0.0)).bounds
    corner = search.find(empty[2] - empty[0], empty[3] - empty[1], text.angle_deg)
    if corner is None:
        return None
    angle = np.radians(text.angle_deg)
    x, y = corner + BELOW * text.height * np.array([-np.sin(angle), np.cos(angle)])
    return replace(text, at=(float(x), float(y)))
