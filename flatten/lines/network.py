"""Joins drawn lines on the cast: every line as arcs between nodes, straight in every face."""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.geometry.geodesics import trace
from flatten.geometry.surface_points import Surface, positions, surface_of
from flatten.lines.ends import join_ends
from flatten.lines.mirror import with_mirrored
from flatten.lines.nodes import settle
from flatten.lines.overlap import merge_overlaps, untie
from flatten.lines.place import Stroke, ground_of, lay
from flatten.lines.rims import Rims, rims_of
from flatten.lines.track import Place, Track, rolled, track_of
from flatten.records.cast import Cast
from flatten.records.lines import Line, LineNetwork, Node, SurfacePath

# Half a pen's width twice over, and what a hand or a remeshed rim adds to it.
SNAP_MM = 6.0
_CUTS = ("seam", "dart", "trim")
# A traced line that needs this much more way over the surface than through space has jumped.
_JUMP = 2.0
_JUMP_MM = 6.0


def join_lines(cast: Cast, lines: tuple[Line, ...], snap_mm: float = SNAP_MM) -> LineNetwork:
    """Lays lines on the cast and joins them to a network of arcs and nodes.

    Points are joined by shortest paths. Seams, darts and trim lines end at nodes and meet only at
    nodes; details and score lines are laid on the cast and meet nothing. Ends within `snap_mm` of
    a rim, a line or another end are led to it (to a rim in their own direction up to 2.5 times as
    far, since rims are trimmed), ends on one line within half of that share a node.

    Raises
    ------
    BadInput : a line is empty, far from the cast, crosses itself, cannot be mirrored, or runs into
    another without a clear junction
    """
    lines = with_mirrored(cast, _named_once(lines))
    surface = surface_of(cast.V, cast.F)
    ground = ground_of(cast, surface)
    notes: list[str] = []
    strokes: list[Stroke] = []
    for i, line in enumerate(lines):
        laid, said = lay(ground, cast, i, line)
        strokes += laid
        notes += said
    tracks, said = _tracks(surface, lines, strokes)
    notes += said
    cuts = [t for t in tracks if lines[t.line].kind in _CUTS]
    marks = [t for t in tracks if lines[t.line].kind not in _CUTS]
    cuts = untie(surface, cuts, lines, snap_mm, cast.spot)
    edges = [(r.name, cast.V[np.append(r.vertices, r.vertices[:1])]) for r in cast.rims]
    cuts, said = merge_overlaps(surface, cuts, lines, edges, snap_mm)
    notes += said
    rims = rims_of(cast, surface)
    tips = [lines[t.line].kind == "dart" for t in cuts]
    ends = join_ends(surface, rims, cuts, tips, snap_mm)
    notes += _gap_notes(lines, ends.gaps)
    for t, _, gap in ends.loose:
        line = lines[ends.tracks[t].line]
        if line.kind != "dart":
            notes.append(
                f"line '{line.name}' ends in the open, {gap:.1f} mm from the nearest line or rim:"
                " if no dart is meant, lead it on"
            )
    names = [line.name for line in lines]
    cuts = settle(surface, rims, ends.tracks, ends.meetings, names, 0.5 * snap_mm, cast.spot)
    return _network(cast, surface, rims, lines, [*cuts, *marks], notes)


def _named_once(lines: tuple[Line, ...]) -> tuple[Line, ...]:
    seen: set[str] = set()
    for line in lines:
        if line.name in seen:
            raise BadInput("two lines have this name", f"line '{line.name}'", "rename one of them")
        seen.add(line.name)
    return lines


def _tracks(
    surface: Surface, lines: tuple[Line, ...], strokes: list[Stroke]
) -> tuple[list[Track], list[str]]:
    """All strokes traced over the cast at once."""
    if not strokes:
        return [], []
    face, bary, begins, at = [], [], [], 0
    for s in strokes:
        begins.append(at)
        face.append(np.append(s.face, s.face[:1]) if s.closed else s.face)
        bary.append(np.vstack([s.bary, s.bary[:1]]) if s.closed else s.bary)
        at += len(face[-1])
    path = trace(surface, np.concatenate(face), np.vstack(bary), np.array(begins))
    place = positions(surface.V, surface.F, np.concatenate(face), np.vstack(bary))
    chord = np.linalg.norm(np.diff(place, axis=0), axis=1)
    tracks, notes = [], []
    for s, begin, part in zip(strokes, begins, face, strict=True):
        stop = begin + len(part)
        name = lines[s.line].name
        length, gap = path.length[begin : stop - 1], chord[begin : stop - 1]
        if not np.all(np.isfinite(length)):
            raise BadInput(
                "it jumps from one part of the cast to another", f"line '{name}'", "draw it in two"
            )
        jump = length > _JUMP * gap + _JUMP_MM
        if jump.any():
            notes.append(
                f"line '{name}' runs through air for {gap[jump].sum():.0f} mm: "
                f"led {length[jump].sum():.0f} mm over the surface"
            )
        i, j = int(path.at[begin]), int(path.at[stop - 1])
        keep = np.zeros(j - i + 1, dtype=bool)
        corner = np.append(s.corner, s.corner[:1]) if s.closed else s.corner
        keep[path.at[begin:stop] - i] = corner
        track = track_of(
            surface,
            s.line,
            path.face[i : j + 1],
            path.bary[i : j + 1],
            path.segment_face[i:j],
            keep,
            closed=s.closed,
        )
        if s.closed:
            # Begin on an edge, so that the start leaves no point inside a face.
            edge = np.flatnonzero((track.bary == 0.0).any(axis=1) | track.keep)
            track = rolled(surface, track, float(track.s[edge[0]])) if len(edge) else track
        tracks.append(track)
    return tracks, notes


def _gap_notes(lines: tuple[Line, ...], gaps: list[tuple[int, float]]) -> list[str]:
    worst: dict[int, float] = {}
    for line, gap in gaps:
        worst[line] = max(worst.get(line, 0.0), gap)
    return [
        f"line '{lines[i].name}': ends led or cut back by {gap:.1f} mm at most"
        for i, gap in sorted(worst.items())
        if gap >= 1.0
    ]


def _network(
    cast: Cast,
    surface: Surface,
    rims: Rims,
    lines: tuple[Line, ...],
    tracks: list[Track],
    notes: list[str],
) -> LineNetwork:
    """Splits tracks at the places that they share, and numbers nodes and arcs."""
    uses: dict[tuple[int, bytes], int] = {}
    for track in tracks:
        if lines[track.line].kind in _CUTS:
            last = len(track.face) - (1 if track.closed else 0)
            for i in range(last):
                key = _key(track, i)
                uses[key] = uses.get(key, 0) + 1
    nodes: dict[tuple[int, bytes], int] = {}
    places: list[Place] = []
    meet: list[dict[str, None]] = []
    free: list[bool] = []

    def node(track: Track, i: int) -> int:
        key = _key(track, i)
        if lines[track.line].kind not in _CUTS:
            key = (-1 - len(places), b"")
        if key not in nodes:
            nodes[key] = len(places)
            places.append(Place(face=int(track.face[i]), bary=track.bary[i], point=track.points[i]))
            meet.append({})
            free.append(uses.get(key, 1) < 2)
        meet[nodes[key]][lines[track.line].name] = None
        return nodes[key]

    paths: list[SurfacePath] = []
    stretch: dict[int, int] = {}
    drawn: set[tuple] = set()
    for track in tracks:
        line = lines[track.line]
        cut = line.kind in _CUTS
        stops = [i for i in range(len(track.face)) if cut and uses[_key(track, i)] > 1]
        if track.closed:
            stops = [i for i in stops if i < len(track.face) - 1]
            if stops:
                track = _begun_at(track, stops[0])
                stops = [i - stops[0] for i in stops] + [len(track.face) - 1]
        else:
            stops = sorted({0, *stops, len(track.face) - 1})
        for a, b in pairwise(stops) if stops else [(0, -1)]:
            whole = not stops
            b = len(track.face) - 1 if whole else b
            span = slice(a, b if whole else b + 1)
            if (
                (cut or whole)
                and len(track.face[a : b + 1]) < 4
                and _key(track, a) == _key(track, b)
            ):
                raise BadInput(
                    "it encloses nothing, it runs out and back",
                    f"line '{line.name}'",
                    "draw the ring larger, or as an open line",
                )
            if not whole and cut:
                course = tuple(_key(track, i) for i in range(a, b + 1))
                if course in drawn or course[::-1] in drawn:
                    continue
                drawn.add(course)
            stretch[track.line] = stretch.get(track.line, 0) + 1
            paths.append(
                SurfacePath(
                    line=line.name,
                    kind=line.kind,
                    stretch=stretch[track.line],
                    face=track.face[span],
                    bary=track.bary[span],
                    points=track.points[span],
                    segment_face=track.segment_face[a:b],
                    closed=whole,
                    start=-1 if whole else node(track, a),
                    end=-1 if whole else node(track, b),
                )
            )
    made = []
    for place, names, alone in zip(places, meet, free, strict=True):
        at_rim = rims.on(place)
        made.append(
            Node(
                kind="rim" if at_rim else "inside" if alone else "junction",
                point=place.point,
                face=place.face,
                bary=place.bary,
                rim=rims.rim_of(place),
                lines=tuple(names),
            )
        )
    return LineNetwork(
        cast=cast, lines=lines, paths=tuple(paths), nodes=tuple(made), notes=tuple(notes)
    )


def _key(track: Track, i: int) -> tuple[int, bytes]:
    return int(track.face[i]), track.bary[i].tobytes()


def _begun_at(track: Track, i: int) -> Track:
    """A closed track begun at one of its own points, nothing else changed."""

    def turn(x: NDArray) -> NDArray:
        return np.concatenate([x[i:-1], x[: i + 1]])

    points = turn(track.points)
    step = np.linalg.norm(np.diff(points, axis=0), axis=1)
    return Track(
        line=track.line,
        face=turn(track.face),
        bary=turn(track.bary),
        segment_face=np.roll(track.segment_face, -i),
        points=points,
        s=np.concatenate([[0.0], np.cumsum(step)]),
        keep=turn(track.keep),
        closed=True,
    )
