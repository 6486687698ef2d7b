"""Overlays: closed details cut from the cast itself, so that one that crosses a seam stays whole."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.curves import corners
from flatten.geometry.surface_points import face_tree
from flatten.geometry.triangles import face_areas
from flatten.panels.carve import CarvedCast, carve, chosen_lines
from flatten.panels.check import shape_of
from flatten.panels.marks import place_marks
from flatten.panels.names import automatic_names, whereabouts
from flatten.panels.opening import Piece, open_pieces, panel_of
from flatten.panels.partners import build_seams, seam_names
from flatten.panels.trim import parts_of
from flatten.records.lines import LineNetwork, SurfacePath
from flatten.records.panels import BorderRun, Panel, PanelSet

# A corner of a detail turns by more than this over CORNER_REACH_MM.
CORNER_DEG = 35.0
CORNER_REACH_MM = 3.0
# An overlay that reaches no farther past what lies beneath it than this ends where that does.
PAST_MM = 0.5


@dataclass(frozen=True, kw_only=True)
class OverlayNames:
    """The details that patterns ask for.

    closed : names of the closed ones; said : a sentence for each that is open, or that a rim opened
    """

    closed: tuple[str, ...]
    said: tuple[str, ...]


def overlay_names(network: LineNetwork, patterns: Sequence[str]) -> OverlayNames:
    """The detail lines whose name fits a shell-style pattern, in the network's order."""
    closed, said = [], []
    for line in network.lines:
        if line.kind != "detail" or not any(fnmatchcase(line.name, p) for p in patterns):
            continue
        if any(path.closed for path in network.paths if path.line == line.name):
            closed.append(line.name)
        elif line.closed:
            said.append(_opened_by_rim(network, line.name))
        elif line.name in patterns:
            said.append(f"detail '{line.name}' is open: a line on its panel, no piece of its own")
    return OverlayNames(closed=tuple(closed), said=tuple(said))


def cut_overlay(
    network: LineNetwork, detail: str, seams: Sequence[str] | None = None
) -> PanelSet | str:
    """What lies inside a closed detail, as panels that take part in no other seam.

    seams : None for one whole piece. Patterns of the ply's lines to cut it where they cross it;
        the network must then hold the detail as a seam, joined to the others.

    Returns
    -------
    the panels, each with `detail` set, on a cast of their own; or why there are none, in words
    """
    own, network = _cornered(network, detail, alone=seams is None)
    chosen = [*own, *(() if seams is None else chosen_lines(network, seams))]
    chosen = sorted(i for i in set(chosen) if network.lines[i].kind != "trim")
    carved = carve(network, chosen)
    inside = _inside(carved, own)
    pieces = open_pieces(carved)
    kept = [k for k, piece in enumerate(pieces) if inside[piece.faces[0]]]
    for k in kept:
        loops = [sum(len(s.vertices) - 1 for s in loop) for loop in pieces[k].loops]
        if not shape_of(len(pieces[k].cast_vertex), len(pieces[k].F), loops).is_disk:
            return f"detail '{detail}' goes round an opening of the cast: no piece of its own"
    return _assemble(network, carved, pieces, kept, detail, set(own))


def add_overlays(panel_set: PanelSet, overlays: Sequence[PanelSet]) -> PanelSet:
    """One set of all panels and overlays; vertices and seams are numbered on."""
    sets = [panel_set, *(_compact(overlay) for overlay in overlays)]
    panels: list[Panel] = []
    seams = []
    at = 0
    taken: set[str] = set()
    for part in sets:
        first, base = len(panels), len(seams)
        for panel in part.panels:
            name = panel.name if panel.name not in taken else f"{panel.name} overlay"
            taken.add(name)
            border = tuple(
                replace(run, seam=run.seam + base if run.seam >= 0 else -1) for run in panel.border
            )
            moved = (panel.cast_vertex + at).astype(np.int32)
            panels.append(replace(panel, name=name, cast_vertex=moved, border=border))
        for seam in part.seams:
            a, b = (replace(side, panel=side.panel + first) for side in seam.sides)
            seams.append(replace(seam, sides=(a, b)))
        at += len(part.cut_V)
    return replace(
        panel_set,
        cut_V=np.concatenate([part.cut_V for part in sets]),
        cut_N=np.concatenate([part.cut_N for part in sets]),
        panels=tuple(panels),
        seams=tuple(seams),
        notes=tuple(note for part in sets for note in part.notes),
    )


def past_garment(overlay: PanelSet, garment: Sequence[Panel]) -> list[str]:
    """What to say of an overlay that reaches past a trim line, where nothing lies beneath it.

    garment : all panels of the cast as trimmed, as `overlay` not yet offset
    """
    starts = np.cumsum([0, *(len(panel.V) for panel in garment)])
    V = np.concatenate([panel.V for panel in garment])
    F = np.concatenate([p.F + s for p, s in zip(garment, starts[:-1], strict=True)])
    tree = face_tree(V, F)
    area = past = 0.0
    reach, farthest = 0.0, np.zeros(3)
    for panel in overlay.panels:
        areas = face_areas(panel.V, panel.F)
        away = tree.nearest(panel.V[panel.F].mean(axis=1))[2]
        area += float(areas.sum())
        past += float(areas[away > PAST_MM].sum())
        gap = tree.nearest(panel.V)[2]
        if gap.max() > reach:
            reach, farthest = float(gap.max()), panel.V[gap.argmax()]
    if reach <= PAST_MM:
        return []
    edges = [
        (float(np.linalg.norm(panel.V[run.vertices] - farthest, axis=1).min()), run.name)
        for panel in garment
        for run in panel.border
        if run.seam < 0
    ]
    name = overlay.panels[0].detail
    return [
        f"overlay '{name}' reaches up to {reach:.0f} mm past the trimmed edge '{min(edges)[1]}',"
        f" farthest near {overlay.cast.spot(farthest)}: {past / 100:.1f} cm² of its"
        f" {area / 100:.1f} cm² have nothing beneath them and are cut all the same; draw it within"
        " the trim line, or cut them off"
    ]


def _opened_by_rim(network: LineNetwork, detail: str) -> str:
    """Why a detail that was drawn closed makes no piece: it runs over a rim of the cast."""
    paths = [path for path in network.paths if path.line == detail]
    gaps = [
        (path.points[-1], after.points[0])
        for path, after in zip(paths, [*paths[1:], *paths[:1]], strict=True)
    ]
    missing = [float(np.linalg.norm(end - start)) for start, end in gaps]
    if not missing:
        return f"detail '{detail}' lies on a rim: no piece of its own"
    place = np.mean(gaps[int(np.argmax(missing))], axis=0)
    rims = [
        (float(np.linalg.norm(network.cast.V[rim.vertices] - place, axis=1).min()), rim.name)
        for rim in network.cast.rims
    ]
    return (
        f"overlay '{detail}' runs over the rim '{min(rims)[1]}' near {network.cast.spot(place)},"
        f" where {sum(missing):.0f} mm of its outline are missing: no piece is cut of it; draw it"
        " within the rim"
    )


def _cornered(network: LineNetwork, detail: str, *, alone: bool) -> tuple[list[int], LineNetwork]:
    """The network with the detail as seams from corner to corner, and their indices.

    alone : without any other line that cuts. Corners are nodes so that they stay in place.
    """
    drawn = next(line for line in network.lines if line.name == detail)
    others = [
        line
        for line in network.lines
        if line.name != detail and not (alone and line.kind in ("seam", "dart", "trim"))
    ]
    names = {line.name for line in others}
    paths = [path for path in network.paths if path.line in names]
    sides: list[SurfacePath] = []
    for path in network.paths:
        if path.line == detail:
            sides += _between_corners(path)
    fresh = (f"{detail} {i}" for i in range(1, 2 * (len(sides) + len(names)) + 1))
    own = [name for name in fresh if name not in names][: len(sides)]
    lines = (*(replace(drawn, name=name, kind="seam", closed=False) for name in own), *others)
    cut = [
        replace(side, line=name, kind="seam", stretch=0)
        for side, name in zip(sides, own, strict=True)
    ]
    made = replace(network, lines=lines, paths=(*cut, *paths), notes=())
    return list(range(len(own))), made


def _between_corners(path: SurfacePath) -> list[SurfacePath]:
    """A path cut at its corners; a closed one without any stays closed."""
    at = corners(path.points, path.closed, CORNER_REACH_MM, CORNER_DEG).tolist()
    k = len(path.points)
    if path.closed and not at:
        return [path]
    ends = [*at, at[0] + k] if path.closed else [0, *(i for i in at if 0 < i < k - 1), k - 1]
    parts = []
    for a, b in pairwise(ends):
        points = np.arange(a, b + 1) % k
        parts.append(
            replace(
                path,
                face=path.face[points],
                bary=path.bary[points],
                points=path.points[points],
                segment_face=path.segment_face[points[:-1]],
                closed=False,
            )
        )
    return parts


def _inside(carved: CarvedCast, own: Sequence[int]) -> NDArray[np.bool_]:
    """(m,) True for the faces inside the detail.

    Of the parts beside it the inside is the one without a rim of the cast, and the smaller of two
    alike.
    """
    arcs = [k for k, arc in enumerate(carved.arcs) if arc.line in own]
    wall = (carved.C >= 0) & np.isin(carved.C // 2, arcs)
    part = parts_of(carved.F, carved.A, wall)
    count = int(part.max()) + 1
    area = np.bincount(part, face_areas(carved.V, carved.F), minlength=count)
    rims = np.bincount(part[(carved.A < 0).any(axis=1)], minlength=count) > 0
    beside = np.unique(part[wall.any(axis=1)])
    return part == min(beside, key=lambda p: (bool(rims[p]), float(area[p])))


def _assemble(
    network: LineNetwork,
    carved: CarvedCast,
    pieces: Sequence[Piece],
    kept: Sequence[int],
    detail: str,
    own: set[int],
) -> PanelSet:
    """The kept pieces as panels, and the seams between them."""
    names = [detail]
    if len(kept) > 1:
        faces = [carved.F[pieces[k].faces] for k in kept]
        used = np.unique(np.concatenate([f.ravel() for f in faces]))
        new = np.full(len(carved.V), -1, dtype=np.int64)
        new[used] = np.arange(len(used))
        words = automatic_names(whereabouts(carved.V[used], [new[f] for f in faces]))
        called = sorted(zip((f"{detail} {word}" for word in words), kept, strict=True))
        names, kept = [name for name, _ in called], [k for _, k in called]
    marks = place_marks(network, carved, pieces)
    middles = np.array([carved.V[piece.cast_vertex].mean(axis=0) for piece in pieces])
    cuts = [k for k, arc in enumerate(carved.arcs) if arc.line >= 0 and arc.line not in own]
    all_seams = build_seams(carved, network.lines, pieces, middles)
    stretch = seam_names(carved, network.lines)
    place = {old: new for new, old in enumerate(kept)}
    seam_at: dict[int, int] = {}
    seams = []
    for arc in cuts:
        a, b = all_seams[arc].sides
        if a.panel in place and b.panel in place:
            seam_at[arc] = len(seams)
            sides = (replace(a, panel=place[a.panel]), replace(b, panel=place[b.panel]))
            name = f"{detail}, {stretch[arc]}"
            seams.append(replace(all_seams[arc], name=name, sides=sides))
    panels = []
    for k, name in zip(kept, names, strict=True):
        piece = pieces[k]
        border = []
        for s in piece.loops[0]:
            arc = carved.arcs[s.arc]
            if s.arc in seam_at:
                said = f"{detail}, {stretch[s.arc]}"
            else:
                said = detail if arc.line >= 0 else carved.rim_names[arc.rim]
            border.append(
                BorderRun(
                    vertices=s.vertices.astype(np.int32),
                    seam=seam_at.get(s.arc, -1),
                    side=s.side if s.arc in seam_at else 0,
                    name=said,
                )
            )
        panels.append(panel_of(carved, piece, name, tuple(border), marks[k], detail))
    return PanelSet(
        cast=network.cast,
        cut_V=carved.V,
        cut_N=carved.N,
        panels=tuple(panels),
        seams=tuple(seams),
    )


def _compact(panel_set: PanelSet) -> PanelSet:
    """The set without the vertices of the cut cast that none of its panels uses."""
    used = np.unique(np.concatenate([panel.cast_vertex for panel in panel_set.panels]))
    new = np.full(len(panel_set.cut_V), -1, dtype=np.int32)
    new[used] = np.arange(len(used), dtype=np.int32)
    panels = tuple(replace(p, cast_vertex=new[p.cast_vertex]) for p in panel_set.panels)
    return replace(
        panel_set, cut_V=panel_set.cut_V[used], cut_N=panel_set.cut_N[used], panels=panels
    )
