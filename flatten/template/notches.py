"""Notches and match marks at the same places on both partners, and letters at junctions."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import LineString

from flatten.geometry.plane_curves import along, beside, outward
from flatten.records.drawing import Polyline
from flatten.records.material import Material
from flatten.records.panels import PanelSet
from flatten.template.pairs import Pair
from flatten.template.piece import Edge, EdgeText, Piece
from flatten.template.practice import LEAST_CUT_NOTCH_MM
from flatten.template.square import across
from flatten.template.tracks import Track

Array = NDArray[np.float64]

TICK_MM = 4.0
APART_MM = 5.0  # between the ticks of a double or triple mark
SPACING_MM = 120.0
GROWTH = 0.35  # each gap is wider than the one before by this share of the first


def mark_fractions(length: float) -> Array:
    """Where marks go along a seam: gaps grow from end to end, so that no seam joins mirrored.

    None on a seam under 25 mm, else one for every `SPACING_MM` or part of it.
    """
    if length < 25.0:
        return np.empty(0)
    count = int(np.ceil(length / SPACING_MM))
    gaps = 1.0 + GROWTH * np.arange(count + 1)
    return np.cumsum(gaps)[:-1] / gaps.sum()


def twin_seams(pairs: Iterable[Pair], pieces: list[Piece]) -> dict[int, tuple[int, bool]]:
    """For every seam with a mirror image: that seam, and whether the image runs as it does."""
    twins: dict[int, tuple[int, bool]] = {}
    for pair in pairs:
        left, right = pieces[pair.left], pieces[pair.right]
        n = len(left.edges)
        if n != len(right.edges):
            continue
        for k, edge in enumerate(left.edges):
            other = right.edges[pair.edge_of_right(k, n)]
            if edge.seam >= 0 and other.seam >= 0 and edge.seam != other.seam:
                # The image of an edge runs against its twin; both may run against their seams.
                alike = edge.with_seam != other.with_seam
                twins[edge.seam] = (other.seam, alike)
                twins[other.seam] = (edge.seam, alike)
    return twins


def mark_seams(
    seam_tracks: list[Track],
    material: Material,
    twins: dict[int, tuple[int, bool]],
    *,
    outside: bool = False,
) -> None:
    """Single, double or triple marks along every seam but the folded darts of cloth.

    Seams that touch the same panel get different marks as far as three kinds allow. A seam in
    `twins` gets the marks of its mirror image, so that one template serves left and right.
    outside : drawn ticks stand in the allowance instead of inside the net line, where there is one
    """
    used: dict[int, Counter[int]] = defaultdict(Counter)
    given: dict[int, tuple[int, Array]] = {}
    for track in seam_tracks:
        edge = track.edge(0)
        if edge.joint == "fold":
            continue
        panels = [piece.panel for piece in track.pieces]
        twin, alike = twins.get(track.seam, (-1, True))
        if twin in given:
            kind, fractions = given[twin]
            fractions = fractions if alike else (1.0 - fractions)[::-1]
        else:
            kind = min((1, 2, 3), key=lambda k: (sum(used[p][k] for p in panels), k))
            fractions = mark_fractions(track.length)
        given[track.seam] = (kind, fractions)
        if len(fractions):
            for p in panels:
                used[p][kind] += 1
        for side in (0, 1):
            for at in track.on_edge(side, fractions):
                _mark(track.pieces[side], track.edge(side), float(at), kind, material, outside)


def cut_notch(edge: Edge, material: Material) -> bool:
    """Whether an edge's marks are snipped into its allowance; else they are drawn inside.

    Only an allowance that is sewn in and out of sight, and wide enough, is cut.
    """
    hidden = edge.joint == "seam" or (edge.joint == "lap" and edge.under)
    soft = material.family in ("cloth", "leather")
    return hidden and soft and edge.allowance_mm >= LEAST_CUT_NOTCH_MM


def _mark(
    piece: Piece, edge: Edge, at: float, kind: int, material: Material, outside: bool
) -> None:
    """One mark of `kind` ticks centred at a length along an edge.

    NOTCH holds every mark as a line to be drawn; SNIP those among them that a knife cuts too.
    """
    edge.notches.append((at, kind))
    offsets = (np.arange(kind) - (kind - 1) / 2.0) * APART_MM
    for place in np.clip(at + offsets, 0.0, edge.length):
        line = _snip(piece, edge, float(place)) if cut_notch(edge, material) else None
        if line is not None:
            piece.ink.append(Polyline(layer="SNIP", points=line))
        else:
            line = _tick(piece, edge, float(place), outside=outside)
        if line is not None:
            piece.ink.append(Polyline(layer="NOTCH", points=line))


def _snip(piece: Piece, edge: Edge, at: float) -> Array | None:
    """A slit from the cut line inward, at most half the allowance and 5 mm deep."""
    foot, direction = across(edge.points, at)
    # At a bend the cut line lies farther off than the allowance.
    tip = foot + direction * (1.1 * edge.allowance_mm + 0.5)
    ray = LineString([foot, tip]).intersection(piece.cut)
    if ray.is_empty or ray.geom_type != "LineString" or ray.length < LEAST_CUT_NOTCH_MM - 0.1:
        return None
    out = foot + direction * ray.length
    depth = min(5.0, max(3.0, ray.length / 2.5), ray.length / 2.0)
    return np.array([out, out - direction * depth])


def _tick(piece: Piece, edge: Edge, at: float, *, outside: bool) -> Array | None:
    """A drawn tick from the net line inward, as far as the piece reaches there, or outward."""
    if outside and edge.allowance_mm > 0.0:
        off = min(TICK_MM, edge.allowance_mm)
        return np.concatenate([beside(edge.points, at, 0.0), beside(edge.points, at, off)])
    foot, tip = (beside(edge.points, at, off)[0] for off in (0.0, -TICK_MM))
    return _inside(piece, foot, tip)


def _inside(piece: Piece, foot: Array, tip: Array) -> Array | None:
    line = LineString([foot, tip]).intersection(piece.net.buffer(1e-6))
    parts = [p for p in getattr(line, "geoms", [line]) if p.geom_type == "LineString"]
    for part in parts:
        ends = np.array(part.coords)
        near = np.linalg.norm(ends - foot, axis=1)
        if near.min() < 0.1 and part.length > 0.5:
            return ends if near[0] < near[1] else ends[::-1]
    return None


def junction_letters(
    panel_set: PanelSet, pairs: Iterable[Pair] = (), pieces: Sequence[Piece] = ()
) -> dict[int, str]:
    """A letter for every cast vertex where three or more seam stretches meet, from the top down.

    The corners of a pair that are mirror images share one, so that one template serves both.
    """
    meeting: dict[int, set[int]] = defaultdict(set)
    for index, seam in enumerate(panel_set.seams):
        for side in seam.sides:
            panel = panel_set.panels[side.panel]
            for vertex in (side.vertices[0], side.vertices[-1]):
                meeting[int(panel.cast_vertex[vertex])].add(index)
    places = panel_set.cut_V
    nodes = [v for v, seams in meeting.items() if len(seams) >= 3]
    nodes.sort(key=lambda v: (-round(float(places[v, 1]), 3), float(places[v, 0]), v))
    same = _mirrored_corners(panel_set, pairs, pieces)
    letters: dict[int, str] = {}
    for vertex in nodes:
        shared = letters.get(same.get(vertex, vertex))
        letters[vertex] = shared or _letter(len(set(letters.values())))
    return letters


def _mirrored_corners(
    panel_set: PanelSet, pairs: Iterable[Pair], pieces: Sequence[Piece]
) -> dict[int, int]:
    """The cast vertex of a pair's corner -> that of its mirror image, both ways."""
    same: dict[int, int] = {}
    for pair in pairs:
        runs = [panel_set.panels[pieces[i].panel].border for i in (pair.left, pair.right)]
        panels = [panel_set.panels[pieces[i].panel] for i in (pair.left, pair.right)]
        if len(runs[0]) != len(runs[1]):
            continue
        for k, run in enumerate(runs[0]):
            other = runs[1][pair.corner_of_right(k, len(runs[0]))]
            a, b = (
                int(p.cast_vertex[r.vertices[0]]) for p, r in zip(panels, (run, other), strict=True)
            )
            same |= {a: b, b: a}
    return same


def _letter(i: int) -> str:
    """A, B, ... Z, AA, AB, ...; I and O are left out, they read as 1 and 0."""
    letters = "ABCDEFGHJKLMNPQRSTUVWXYZ"
    head = _letter(i // len(letters) - 1) if i >= len(letters) else ""
    return head + letters[i % len(letters)]


def mark_junctions(piece: Piece, panel_set: PanelSet, letters: dict[int, str]) -> None:
    """A tick into the piece and the junction's letter at every corner that is one."""
    panel = panel_set.panels[piece.panel]
    for i, (run, edge) in enumerate(zip(panel.border, piece.edges, strict=True)):
        letter = letters.get(int(panel.cast_vertex[run.vertices[0]]))
        if letter is None:
            continue
        corner = edge.points[0]
        n0 = outward(along(piece.edges[i - 1].points, np.inf)[1][0])
        n1 = outward(along(edge.points, 0.0)[1][0])
        inward = -(n0 + n1)
        if np.linalg.norm(inward) < 0.2:  # a spike: into it
            inward = n0 - n1
        inward = inward / max(float(np.linalg.norm(inward)), 1e-300)
        line = _inside(piece, corner, corner + TICK_MM * inward)
        if line is not None:
            piece.ink.append(Polyline(layer="NOTCH", points=line))
        at = min(9.0, 0.5 * edge.length)
        piece.words.insert(0, EdgeText(edge=i, wordings=(letter,), at=at, needed=False))
