"""Panels that are each other's mirror image: which they are, and whether one template serves both."""

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.linalg import svd
from shapely.geometry import LineString

from flatten.geometry.curves import arc_length, at_lengths
from flatten.geometry.placing import mirrored
from flatten.records.drawing import Circle, Polyline
from flatten.template.piece import Edge, Piece, ring

Array = NDArray[np.float64]

PLACES = 128
SAME_MM = 1.0  # lines inside may lie this much farther apart than the outlines do
TICK_MM = 8.0  # a drawn line shorter than this is a tick


@dataclass(frozen=True, eq=False, kw_only=True)
class Pair:
    """Two pieces, the wearer's left one and its mirror image on the right, by index.

    away_mm : the largest distance between the one's mirrored net line and the other's
    corner : the corner of the right piece on which the image of the left one's first corner lies
    turn, shift : points of the left one, mirrored in x, times turn + shift lie on the right one
    """

    left: int
    right: int
    away_mm: float
    corner: int
    turn: Array
    shift: Array

    def edge_of_right(self, edge: int, count: int) -> int:
        """The right piece's edge that is the image of an edge of the left one; both have `count`."""
        return (self.corner + count - 1 - edge) % count

    def corner_of_right(self, corner: int, count: int) -> int:
        """The right piece's corner that is the image of a corner of the left one."""
        return (self.corner + count - corner) % count


def mirror_pairs(pieces: list[Piece], sides: list[str], tolerance: float) -> list[Pair]:
    """Pairs of pieces whose net lines are mirror images within `tolerance` mm.

    sides : "left", "right" or "" of every piece on the wearer; only a left and a right one pair
    """
    found: list[Pair] = []
    taken: set[int] = set()
    for i, side in enumerate(sides):
        if side != "left":
            continue
        best: Pair | None = None
        for j, other in enumerate(sides):
            if other != "right" or j in taken or pieces[j].role != pieces[i].role:
                continue
            if pieces[i].role == "detail" and not _named_alike(pieces[i].name, pieces[j].name):
                continue
            if abs(pieces[i].net.area - pieces[j].net.area) > tolerance * pieces[i].net.length:
                continue
            pair = match_mirrored(pieces, i, j, tolerance)
            if pair is not None and (best is None or pair.away_mm < best.away_mm):
                best = pair
        if best is not None:
            taken.add(best.right)
            found.append(best)
    return found


def match_mirrored(pieces: list[Piece], left: int, right: int, tolerance: float) -> Pair | None:
    """The pair of two pieces, None where mirroring does not lay one on the other.

    The starts tried on the other outline are its corners; the lengths round must agree.
    """
    outline, other = ring(pieces[left].edges), pieces[right]
    # Walked backwards, the mirrored outline still begins at the image of its first corner.
    image = np.roll((outline * [-1.0, 1.0])[::-1], 1, axis=0)
    target = ring(other.edges)
    if abs(_round(image)[1] - _round(target)[1]) > 4.0 * tolerance:
        return None
    P = _places(image, 0.0)
    best: Pair | None = None
    for corner, start in enumerate(arc_length(target)[_corner_indices(other)]):
        Q = _places(target, float(start))
        p, q = P - P.mean(axis=0), Q - Q.mean(axis=0)
        u, _, vt = svd(p.T @ q)
        turn = u @ np.diag([1.0, np.sign(np.linalg.det(u @ vt))]) @ vt
        away = float(np.linalg.norm(p @ turn - q, axis=1).max())
        if away <= tolerance and (best is None or away < best.away_mm):
            shift = Q.mean(axis=0) - P.mean(axis=0) @ turn
            best = Pair(left=left, right=right, away_mm=away, corner=corner, turn=turn, shift=shift)
    return best


def why_not_shared(pair: Pair, pieces: list[Piece]) -> str:
    """Why one template cannot serve a pair, "" if it can: what is on one must be on the other."""
    left, right = pieces[pair.left], pieces[pair.right]
    n = len(left.edges)
    if n != len(right.edges):
        return "other edges"
    across = [(e, right.edges[pair.edge_of_right(k, n)]) for k, e in enumerate(left.edges)]
    if any((a.joint, a.fixing, a.finish) != (b.joint, b.fixing, b.finish) for a, b in across):
        return "other joints"
    if any(a.under != b.under for a, b in across):
        return "other sides go under"
    if any(a.holes != b.holes for a, b in across):
        return "other holes"
    if any(sorted(k for _, k in a.notches) != sorted(k for _, k in b.notches) for a, b in across):
        return "other match marks"
    near = pair.away_mm + SAME_MM
    for layer in ("SCORE", "DETAIL", "HOLE"):
        one = _drawn(left, layer, pair)
        other = _drawn(right, layer, None)
        if (one is None) != (other is None):
            return "other lines or holes inside"
        if one is not None and shapely.hausdorff_distance(one, other) > near:
            return "other lines or holes inside"
    return ""


def _drawn(piece: Piece, layer: str, pair: Pair | None) -> shapely.Geometry | None:
    """Lines and holes of a layer as one shape, laid on the right piece; short ticks do not count."""
    shapes = []
    for item in piece.ink:
        if item.layer != layer or not isinstance(item, Polyline | Circle):
            continue
        points = item.points if isinstance(item, Polyline) else np.array([item.centre])
        if isinstance(item, Polyline) and LineString(points).length < TICK_MM:
            continue
        if pair is not None:
            points = points * [-1.0, 1.0] @ pair.turn + pair.shift
        if isinstance(item, Polyline) and item.closed:
            points = np.vstack([points, points[:1]])
        shapes.append(LineString(points) if len(points) > 1 else shapely.Point(points[0]))
    return shapely.union_all(shapes) if shapes else None


def mirrored_piece(pair: Pair, pieces: list[Piece]) -> Piece:
    """The left piece turned over, with the right one's names: the second of a pair as it is cut."""
    left, right = pieces[pair.left], pieces[pair.right]
    n = len(left.edges)
    edges: list[Edge] = []
    said = {left.name: right.name}
    for k in reversed(range(n)):
        edge, twin = left.edges[k], right.edges[pair.edge_of_right(k, n)]
        said |= {edge.name: twin.name, edge.partner: twin.partner}
        edges.append(
            replace(
                edge,
                name=twin.name,
                partner=twin.partner,
                points=edge.points[::-1] * [-1.0, 1.0],
                notches=[(edge.length - at, kind) for at, kind in edge.notches],
                bevels=[(edge.length - at, turn) for at, turn in edge.bevels],
            )
        )
    swap = _swapper(said)
    words = [
        replace(
            w,
            edge=n - 1 - w.edge if w.edge < n else w.edge,
            at=None if w.at is None or w.edge >= n else left.edges[w.edge].length - w.at,
            wordings=tuple(swap(x) for x in w.wordings),
        )
        for w in left.words
    ]
    flip = shapely.transform
    return replace(
        left,
        name=right.name,
        edges=edges,
        net=flip(left.net, lambda p: p * [-1.0, 1.0]),
        cut=flip(left.cut, lambda p: p * [-1.0, 1.0]),
        inner=[points * [-1.0, 1.0] for points in left.inner],
        ink=[mirrored(item) for item in left.ink],
        words=words,
        inner_lines=[points[::-1] * [-1.0, 1.0] for points in left.inner_lines],
        notes=[],
    )


def _swapper(said: dict[str, str]):
    """Puts other names for those in a sentence, the longest first, each place once."""
    names = sorted((name for name in said if name), key=len, reverse=True)
    if not names:
        return lambda text: text
    pattern = re.compile(r"\b(?:" + "|".join(map(re.escape, names)) + r")(?!\w)")
    return lambda text: pattern.sub(lambda m: said[m.group()], text)


def twin_names(pairs: Iterable[Pair], pieces: list[Piece]) -> dict[int, str]:
    """The name of its mirror image for every piece that has one."""
    names: dict[int, str] = {}
    for pair in pairs:
        names[pair.left] = pieces[pair.right].name
        names[pair.right] = pieces[pair.left].name
    return names


def _corner_indices(piece: Piece) -> NDArray[np.int64]:
    counts = [len(edge.points) - 1 for edge in piece.edges]
    return np.cumsum([0, *counts[:-1]])


def _round(outline: Array) -> tuple[Array, float]:
    closed = np.vstack([outline, outline[:1]])
    return closed, float(arc_length(closed)[-1])


def _places(outline: Array, start: float) -> Array:
    """Evenly spaced places round a closed outline from a length along it."""
    closed, total = _round(outline)
    return at_lengths(closed, (start + total * np.arange(PLACES) / PLACES) % total)


def _named_alike(one: str, other: str) -> bool:
    """Whether two overlays are named as a line and its mirror image; small ones often look alike."""
    swap = {"left": "right", "right": "left"}
    swapped = " ".join(swap.get(word, word) for word in one.split())
    return other in (swapped, f"{one} mirrored") or one == f"{other} mirrored"
