"""Parts of a piece that is too large for its stock: cut across or along its grain, joined again."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import affine_transform
from shapely.geometry import LinearRing, LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from flatten.errors import BadInput
from flatten.geometry.curves import arc_length, at_lengths
from flatten.geometry.polygons import largest, polygons_of, stretches_in
from flatten.records.drawing import Circle, Ink, Polyline
from flatten.records.flat import FlatSet
from flatten.records.making import SplitChoice
from flatten.records.material import Material, Ply
from flatten.template.cutline import without_repeats
from flatten.template.piece import Edge, EdgeText, Piece
from flatten.template.spec import TemplateSpec

Array = NDArray[np.float64]

NEAR_MM = 1e-3  # outlines this near to each other are one
LEAST_MM = 0.5  # a shorter stretch of a line is not drawn
SCRAP_MM2 = 100.0  # what is smaller than a thumb's print is not worth a part
# Register marks: their places along a join (uneven, so that no part can be joined turned round), how
# long their arms are, and how short a join has but one.
REGISTER_AT = (0.3, 0.6)
REGISTER_MM = 5.0
SHORT_MM = 60.0


@dataclass(frozen=True, eq=False, kw_only=True)
class _Part:
    """What one part is of its piece: within its net line, and within its cut line."""

    net: Polygon
    cut: Polygon


@dataclass(frozen=True, eq=False)
class Parting:
    """Parts pieces where their ply says so.

    names : of all pieces

    Raises
    ------
    BadInput : the ply splits what is no piece of it
    """

    flat_set: FlatSet
    ply: Ply
    spec: TemplateSpec
    names: list[str]

    def __post_init__(self) -> None:
        for name in self.spec.split:
            if name not in self.names:
                raise BadInput(
                    f"no piece is named '{name}'",
                    f"ply '{self.ply.name}' split",
                    f"name one of: {', '.join(self.names)}",
                )

    def __call__(self, piece: Piece, of: Piece | None = None) -> list[Piece]:
        """The parts of a piece, itself where it has none; `of`: the one that it mirrors."""
        first = piece if of is None else of
        choice = self.spec.split.get(first.name)
        if choice is None:
            return [piece]
        grain = np.radians(self.flat_set.flats[first.panel].grain_deg)
        along = np.array([np.cos(grain), np.sin(grain)])
        left = np.array([-along[1], along[0]])
        # Left as the template lies on the stock, so that a way out of the lay plan can be copied here.
        frame = np.array([along, -left if drawn_over(self.ply, first) else left])
        if of is not None:
            frame = frame * [-1.0, 1.0]
        return split_piece(piece, choice, frame, self.flat_set.material)


def drawn_over(ply: Ply, piece: Piece) -> bool:
    """Whether the template shows the piece from its inside: a facing lies face down."""
    return (ply.face == "back") != (piece.role == "facing")


def split_piece(piece: Piece, choice: SplitChoice, frame: Array, material: Material) -> list[Piece]:
    """The parts of a piece, each with the allowance of the join and register marks over it.

    frame : (2, 2) unit vectors on the piece along its grain and to the left of that

    Raises
    ------
    BadInput : a cut lies off the piece or in its allowance, leaves a scrap or parts that hang
        together, or the piece overlaps itself
    """
    where = f"split of '{piece.name}'"
    joint, fixing, added = material.split_joint
    parts: list[_Part] = []
    for cell, grown in _cells(piece, choice, frame, added, where):
        around = polygons_of(piece.cut.intersection(grown))
        for net in polygons_of(piece.net.intersection(cell)):
            here = [p for p in around if p.intersects(net)]
            if net.area < SCRAP_MM2 or not here:
                raise BadInput(
                    f"it leaves a scrap of {net.area:.0f} mm²", where, "move the cut a little"
                )
            cut = max(here, key=lambda p: p.intersection(net).area)
            parts.append(_Part(net=shapely.geometry.polygon.orient(net), cut=cut))
    if len(parts) < 2:
        raise BadInput("it parts nothing off but allowance", where, "move the cut farther in")
    if len({part.cut.wkb for part in parts}) < len(parts):
        raise BadInput(
            "two parts would hang together by their allowance", where, "move the cut a little"
        )
    names = [f"{piece.name}, part {k}" for k in range(1, len(parts) + 1)]
    holes = _hole_places(piece)
    made = []
    for k, part in enumerate(parts):
        edges, words = _edges(piece, part, holes, where)
        notches: list[Ink] = []
        for i, edge in enumerate(edges):
            if edge.line:
                continue
            middle = Point(at_lengths(edge.points, np.array([0.5 * edge.length]))[0])
            beyond = [j for j in range(len(parts)) if j != k]
            other = min(beyond, key=lambda j: parts[j].net.distance(middle))
            edge.name, edge.line = f"{piece.name} split", f"{piece.name} split"
            edge.joint, edge.fixing, edge.allowance_mm = joint, fixing, added
            edge.partner = names[other]
            notches += _registers(edge, part.cut, frame)
            to = f"to part {other + 1}"
            words.append(EdgeText(edge=i, wordings=(f"{to}: {joint}, {fixing}", to)))
        lines, carried = _inner_lines(piece, part, len(edges))
        inside = [p for p in piece.inner if part.cut.contains(Polygon(p))]
        across = [Polygon(p) for p in piece.inner if part.cut.exterior.intersects(LinearRing(p))]
        made.append(
            replace(
                piece,
                name=names[k],
                edges=edges,
                net=part.net,
                cut=without_repeats(largest(part.cut.difference(shapely.union_all(across)))),
                inner=inside,
                ink=[*_clipped(piece.ink, part.cut), *notches],
                words=[*words, *carried],
                inner_lines=lines,
                details=[
                    (name, stretch, closed and whole)
                    for name, points, closed in piece.details
                    for stretch, whole in stretches_in(points, closed, part.net, LEAST_MM)
                ],
                hoopings=[
                    h for h in piece.hoopings if part.net.contains(Point(h.corners.mean(axis=0)))
                ],
                notes=[*piece.notes, *_halved(piece, parts)] if k == 0 else [],
            )
        )
    return made


def _cells(
    piece: Piece, choice: SplitChoice, frame: Array, added: float, where: str
) -> Iterator[tuple[BaseGeometry, BaseGeometry]]:
    """What lies between the cuts, without and with their allowance, from where the grain begins."""
    (a, b), (c, d) = frame
    low_x, low_y, high_x, high_y = affine_transform(piece.cut, [a, b, c, d, 0.0, 0.0]).bounds
    rows = []
    for what, at, low, high in (
        ("across the grain", choice.across_mm, low_x, high_x),
        ("along the grain", choice.along_mm, low_y, high_y),
    ):
        for value in at:
            if not 0.0 < value < high - low:
                raise BadInput(
                    f"{value:g} mm lies off it, {what} it can be cut from 0 to {high - low:.0f} mm",
                    where,
                    "give a place on it",
                )
        rows.append([low - 1.0, *(low + value for value in sorted(at)), high + 1.0])
    for x0, x1 in pairwise(rows[0]):
        for y0, y1 in pairwise(rows[1]):
            cell = box(x0, y0, x1, y1)
            grown = box(x0 - added, y0 - added, x1 + added, y1 + added)
            back = [a, c, b, d, 0.0, 0.0]
            yield affine_transform(cell, back), affine_transform(grown, back)


def _hole_places(piece: Piece) -> list[list[float]]:
    """Of every edge, the lengths along it of the holes that are nearest to it."""
    lines = [LineString(edge.points) for edge in piece.edges]
    places: list[list[float]] = [[] for _ in lines]
    for item in piece.ink:
        if isinstance(item, Circle) and item.layer == "HOLE":
            hole = Point(item.centre)
            e = min(range(len(lines)), key=lambda e: lines[e].distance(hole))
            places[e].append(lines[e].project(hole))
    return places


def _edges(
    piece: Piece, part: _Part, holes: list[list[float]], where: str
) -> tuple[list[Edge], list[EdgeText]]:
    """The net edges of a part in order, those of the splits without a line; and the words along them.

    A stretch of an edge keeps its match marks, holes and angles.
    """
    outline = LineString(part.net.exterior.coords)
    found: list[tuple[float, Edge, list[EdgeText]]] = []
    reach = part.net.buffer(NEAR_MM)
    whole = [LineString(edge.points) for edge in piece.edges]
    for e, edge in enumerate(piece.edges):
        for s0, s1 in _stretches(whole[e], reach):
            middle = whole[e].interpolate(0.5 * (s0 + s1))
            if outline.distance(middle) > 2 * NEAR_MM:
                continue
            count = sum(s0 <= at < s1 for at in holes[e]) if edge.holes else 0
            stretch = replace(
                edge,
                points=_between(edge.points, s0, s1),
                vertex_at=np.array([0.0, 1.0]),
                setout=None,
                holes=count,
                notches=[(at - s0, kind) for at, kind in edge.notches if s0 <= at <= s1],
                bevels=[(at - s0, turn) for at, turn in edge.bevels if s0 <= at <= s1],
            )
            said = [
                replace(w, at=None if w.at is None else w.at - s0)
                for w in piece.words
                if w.edge == e and (w.at is None or s0 <= w.at <= s1)
            ]
            found.append((outline.project(middle), stretch, said))
    for points in _on_cuts(outline, whole):
        middle = LineString(points).interpolate(0.5, normalized=True)
        edge = Edge(name="", line="", points=points, vertex_at=np.array([0.0, 1.0]))
        found.append((outline.project(middle), edge, []))
    found.sort(key=lambda item: item[0])
    total = sum(edge.length for _, edge, _ in found)
    if abs(total - outline.length) > 1.0:
        raise BadInput("its outline overlaps itself", where, "split the panel by a line instead")
    corners = np.array(outline.coords)
    for _, edge, _ in found:
        for k in (0, -1):  # each ends where the outline turns into the next, to the last bit
            away = np.linalg.norm(corners - edge.points[k], axis=1)
            if away.min() < 10 * NEAR_MM:
                edge.points[k] = corners[away.argmin()]
    words = [replace(w, edge=i) for i, (_, _, said) in enumerate(found) for w in said]
    return [edge for _, edge, _ in found], words


def _stretches(line: LineString, shape: BaseGeometry) -> Iterator[tuple[float, float]]:
    """Where a line runs within a shape: lengths along it."""
    inside = shapely.line_merge(line.intersection(shape))
    for part in shapely.get_parts(inside):
        if isinstance(part, LineString) and part.length > 10 * NEAR_MM:
            s0, s1 = (line.project(Point(part.coords[k])) for k in (0, -1))
            yield min(s0, s1), max(s0, s1)


def _on_cuts(outline: LineString, edges: list[LineString]) -> Iterator[Array]:
    """Straight stretches of a part's outline that are no edge of the piece, in its direction."""
    known = shapely.union_all([edge.buffer(2 * NEAR_MM, cap_style="flat") for edge in edges])
    rest = shapely.line_merge(outline.difference(known))
    parts = [p for p in shapely.get_parts(rest) if p.length > 10 * NEAR_MM]
    # A stretch over the outline's own first point comes in two.
    if (
        len(parts) > 1
        and shapely.distance(Point(parts[0].coords[0]), Point(parts[-1].coords[-1])) <= NEAR_MM
    ):
        first = LineString([*parts[-1].coords, *list(parts[0].coords)[1:]])
        parts = [first, *parts[1:-1]]
    for part in parts:
        P = np.array(part.coords)
        way = np.diff(P, axis=0)
        way /= np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-300)
        turns = 1 + np.flatnonzero((way[:-1] * way[1:]).sum(axis=1) < 0.99)
        for i, j in pairwise([0, *turns.tolist(), len(P) - 1]):
            yield P[i : j + 1]


def _between(points: Array, s0: float, s1: float) -> Array:
    """The stretch of a polyline between two lengths."""
    s = arc_length(points)
    keep = (s > s0 + NEAR_MM) & (s < s1 - NEAR_MM)
    return at_lengths(points, np.concatenate([[s0], s[keep], [s1]]))


def _registers(edge: Edge, cut: Polygon, frame: Array) -> list[Ink]:
    """Crosses over a join, at the same places on both parts; sets the edge's notches."""
    shares = REGISTER_AT if edge.length > SHORT_MM else REGISTER_AT[:1]
    ahead = edge.points[-1] - edge.points[0]
    ahead = ahead / max(float(np.linalg.norm(ahead)), 1e-300)
    # From one and the same end, whichever way the part runs round it; cuts run along the frame.
    turned = float(ahead @ frame.sum(axis=0)) < 0.0
    room = cut.buffer(-NEAR_MM)
    marks: list[Ink] = []
    for share in shares:
        at = edge.length * (1.0 - share if turned else share)
        middle = at_lengths(edge.points, np.array([at]))[0]
        for way in (ahead, np.array([-ahead[1], ahead[0]])):
            arm = LineString([middle - REGISTER_MM * way, middle + REGISTER_MM * way])
            for stretch in shapely.get_parts(arm.intersection(room)):
                if isinstance(stretch, LineString) and stretch.length > 1.0:
                    marks.append(Polyline(layer="NOTCH", points=np.array(stretch.coords)))
        edge.notches.append((at, 1))
    edge.notches.sort()
    return marks


def _inner_lines(piece: Piece, part: _Part, edges: int) -> tuple[list[Array], list[EdgeText]]:
    """Lines inside that words stand along, and those words, numbered on from the part's edges."""
    lines: list[Array] = []
    words: list[EdgeText] = []
    for k, points in enumerate(piece.inner_lines):
        for s0, s1 in _stretches(LineString(points), part.net):
            for w in piece.words:
                if w.edge == len(piece.edges) + k and (w.at is None or s0 <= w.at <= s1):
                    at = None if w.at is None else w.at - s0
                    words.append(replace(w, edge=edges + len(lines), at=at))
            lines.append(_between(points, s0, s1))
    return lines, words


def _clipped(ink: list[Ink], shape: Polygon) -> list[Ink]:
    """What of the ink lies on a part."""
    made: list[Ink] = []
    for item in ink:
        if isinstance(item, Polyline):
            made += [
                replace(item, points=points, closed=item.closed and whole)
                for points, whole in stretches_in(item.points, item.closed, shape, LEAST_MM)
            ]
        elif isinstance(item, Circle):
            if shape.contains(Point(item.centre).buffer(item.radius)):
                made.append(item)
        elif shape.contains(Point(item.at)):
            made.append(item)
    return made


def _halved(piece: Piece, parts: list[_Part]) -> list[str]:
    """What to say of holes that no part has whole."""
    holes = [
        Point(item.centre).buffer(item.radius) for item in piece.ink if isinstance(item, Circle)
    ]
    count = sum(not any(part.cut.contains(hole) for part in parts) for hole in holes)
    if not count:
        return []
    what = "a hole lies" if count == 1 else f"{count} holes lie"
    return [f"{what} on the split of '{piece.name}': punch there once the parts are joined"]
