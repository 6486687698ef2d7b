"""The cast refined along its cut lines: arcs are edges, trimmed parts gone, triangles even."""

from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass
from fnmatch import fnmatchcase
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.geometry.band import Band
from flatten.geometry.curves import arc_length
from flatten.geometry.editmesh import EditMesh, link_faces
from flatten.geometry.ordering import sort_along_curve
from flatten.geometry.refine import SurfaceCurve, embed_curves
from flatten.panels.arcs import Arc, border_edges, line_edges, loops_of, rim_corners, trace_arcs
from flatten.panels.even_triangles import even_triangles
from flatten.panels.halves import Mirrored, join_halves, part_halves
from flatten.panels.trim import TrimmedEdge, drop_beyond
from flatten.records.cast import Cast
from flatten.records.lines import LineNetwork, SurfacePath

CUTTING = ("seam", "dart")


@dataclass(frozen=True, eq=False, kw_only=True)
class CarvedCast:
    """The cast with its cuts as edges.

    V, N : (n, 3), F : (m, 3); A : (m, 3) faces across edges, -1 at rims
    C : (m, 3) 2 arc + side on half edges of cuts and rims, -1 elsewhere; side 0 runs with the arc
    arcs : cuts in the order of their lines, then rims; vertices as in V
    starts : (a,) where each cut's arc begins along its line, mm; lengths : by line, mm
    rim_names : by Arc.rim
    """

    V: NDArray[np.float64]
    N: NDArray[np.float64]
    F: NDArray[np.int64]
    A: NDArray[np.int64]
    C: NDArray[np.int64]
    arcs: tuple[Arc, ...]
    starts: NDArray[np.float64]
    lengths: NDArray[np.float64]
    rim_names: tuple[str, ...]
    notes: tuple[str, ...]


def chosen_lines(network: LineNetwork, patterns: Sequence[str]) -> list[int]:
    """Indices of the seams and darts whose name fits a pattern, and of all trim lines.

    Raises
    ------
    BadInput : a pattern fits no line of the network
    """
    cutting = [i for i, x in enumerate(network.lines) if x.kind in CUTTING]
    for pattern in patterns:
        if pattern != "*" and not any(fnmatchcase(network.lines[i].name, pattern) for i in cutting):
            known = ", ".join(network.lines[i].name for i in cutting)
            raise BadInput(
                f"no seam or dart is named '{pattern}'", "ply lines", f"there are: {known}"
            )
    return [
        i
        for i, line in enumerate(network.lines)
        if line.kind == "trim"
        or (i in cutting and any(fnmatchcase(line.name, p) for p in patterns))
    ]


def carve(network: LineNetwork, chosen: Sequence[int]) -> CarvedCast:
    """Cuts the chosen lines into the cast's mesh, drops what is trimmed, evens the triangles.

    Raises
    ------
    BadInput : a trim line parts nothing off
    """
    cast = network.cast
    names = [line.name for line in network.lines]
    index = {name: i for i, name in enumerate(names)}
    paths = [p for p in network.paths if index[p.line] in set(chosen)]
    paths.sort(key=lambda p: (index[p.line], p.stretch))
    labels = [index[p.line] for p in paths]
    curves = [
        SurfaceCurve(face=p.face, bary=p.bary, segment_face=p.segment_face, closed=p.closed)
        for p in paths
    ]
    crossed = sum(len(p.face) for p in paths)
    mesh, ids = embed_curves(cast.V, cast.F, curves, labels, room=3 * crossed + 20000)
    notes: list[str] = []
    rim_names, rim_of = _rims(cast, mesh)
    trims = [i for i in chosen if network.lines[i].kind == "trim"]
    if trims:
        made = drop_beyond(mesh, trims, names, notes)
        rim_names = _name_trimmed(made, names, rim_names, rim_of)
    border = border_edges(mesh)
    rims = np.array([rim_of[(u, v)] for u, v in border.tolist()], dtype=np.int64)
    lengths, along = _line_places(paths, labels, ids, len(names))
    first = {label: int(v[0]) for label, v in reversed(list(zip(labels, ids, strict=True)))}
    arcs = trace_arcs(line_edges(mesh), border, rims, rim_corners(mesh, border), first)
    begins = np.array([_begin(mesh, arc, along) for arc in arcs])
    order = sorted(
        range(len(arcs)),
        key=lambda k: (arcs[k].line < 0, arcs[k].line, begins[k], int(arcs[k].vertices[0])),
    )
    arcs = [arcs[k] for k in order]
    alike = _alike(mesh, cast, arcs)
    if alike is not None:
        return _ordered(alike, begins[order], lengths, tuple(rim_names), tuple(notes))
    if cast.symmetry is not None and cast.symmetry.rms_mm == 0.0:
        notes.append(
            "the cast was made symmetric, but its lines are not mirror images of each other: left and"
            " right panels are no exact mirrors"
        )
    _relabel(mesh, arcs)
    chains, band = even_triangles(mesh, cast, arcs)
    return _compact(
        mesh, chains, band, cast, begins[order], lengths, tuple(rim_names), tuple(notes)
    )


def _rims(cast: Cast, mesh: EditMesh) -> tuple[list[str], dict[tuple[int, int], int]]:
    """Names of the rims, and the rim of every border edge of the mesh."""
    names = [rim.name for rim in cast.rims]
    of_vertex = {int(v): r for r, rim in enumerate(cast.rims) for v in rim.vertices}
    of_edge: dict[tuple[int, int], int] = {}
    for loop in loops_of(border_edges(mesh)):
        known = [of_vertex[v] for v in loop.tolist() if v in of_vertex]
        if known:
            rim = max(set(known), key=known.count)
        else:
            rim = len(names)
            names.append("rim" if "rim" not in names else f"rim {rim + 1}")
        for u, v in zip(loop.tolist(), np.roll(loop, -1).tolist(), strict=True):
            of_edge[(u, v)] = rim
    return names, of_edge


def _name_trimmed(
    made: Sequence[TrimmedEdge],
    names: Sequence[str],
    rim_names: Sequence[str],
    rim_of: dict[tuple[int, int], int],
) -> list[str]:
    """Names the trimmed edges, in `rim_of`, and returns all rim names.

    A trimmed edge has the name of the rim it stands for: the one most of which was cut off beyond
    it; where none was, the trim line's own.
    """
    result = list(rim_names)
    for trimmed in made:
        lost = [rim_of[(u, v)] for u, v in trimmed.beyond.tolist()]
        name = rim_names[max(set(lost), key=lost.count)] if lost else names[trimmed.line]
        for u, v in trimmed.edges.tolist():
            rim_of[(u, v)] = len(result)
        result.append(name)
    return result


def _line_places(
    paths: Sequence[SurfacePath],
    labels: Sequence[int],
    ids: Sequence[NDArray[np.int64]],
    lines: int,
) -> tuple[NDArray[np.float64], dict[tuple[int, int], list[float]]]:
    """Length of each line, and at what lengths along it each of its vertices lies."""
    lengths = np.zeros(lines)
    along: dict[tuple[int, int], list[float]] = {}
    for path, label, vertices in zip(paths, labels, ids, strict=True):
        points = np.concatenate([path.points, path.points[:1]]) if path.closed else path.points
        step = np.linalg.norm(np.diff(points, axis=0), axis=1)
        s = lengths[label] + np.concatenate([[0.0], np.cumsum(step)])
        for v, at in zip(vertices.tolist(), s.tolist(), strict=False):
            along.setdefault((label, v), []).append(at)
        if path.closed:
            along[(label, int(vertices[0]))].append(float(s[-1]))
        lengths[label] += float(step.sum())
    return lengths, along


def _begin(mesh: EditMesh, arc: Arc, along: dict[tuple[int, int], list[float]]) -> float:
    """Where along its line an arc begins, mm; 0 for rims."""
    if arc.line < 0:
        return 0.0
    P = mesh.V[arc.vertices]
    s = arc_length(P)
    # A node may lie on its line twice; an inner vertex says which pass this is.
    for inner in (*range(1, len(s) - 1), 0, len(s) - 1):
        places = along.get((arc.line, int(arc.vertices[inner])), [])
        if len(places) == 1:
            return max(places[0] - s[inner], 0.0)
    starts = along.get((arc.line, arc.ends[0]), [0.0])
    ends = along.get((arc.line, arc.ends[1]), starts)
    return min(starts, key=lambda a: min(abs(b - a - s[-1]) for b in ends))


def _relabel(mesh: EditMesh, arcs: Sequence[Arc]) -> None:
    """Labels half edges by arc instead of by line, in place."""
    label: dict[tuple[int, int], int] = {}
    for k, arc in enumerate(arcs):
        v = arc.vertices.tolist()
        for a, b in pairwise(v):
            label[(a, b)] = 2 * k
            label[(b, a)] = 2 * k + 1
    m = int(mesh.used[1])
    F, A, C = mesh.F[:m], mesh.A[:m], mesh.C[:m]
    f, i = np.nonzero(((C >= 0) | (A < 0)) & (F[:, :1] >= 0))
    pairs = zip(F[f, i].tolist(), F[f, (i + 1) % 3].tolist(), strict=True)
    C[f, i] = [label.get(pair, -1) for pair in pairs]


def _alike(mesh: EditMesh, cast: Cast, arcs: Sequence[Arc]) -> Mirrored | None:
    """Both sides evened alike where the cast and its cuts are mirror images of themselves, `mesh`
    left as it is; None where they are not."""
    if cast.symmetry is None or cast.symmetry.rms_mm > 0.0:
        return None
    copy = deepcopy(mesh)
    halves = part_halves(copy, arcs)
    if halves is None:
        return None
    _relabel(copy, halves.pieces)
    chains, band = even_triangles(copy, cast, halves.pieces)
    return join_halves(copy, band.N, chains, halves, arcs)


def _ordered(
    made: Mirrored,
    starts: NDArray[np.float64],
    lengths: NDArray[np.float64],
    rim_names: tuple[str, ...],
    notes: tuple[str, ...],
) -> CarvedCast:
    """A mirrored mesh as the carved cast, its vertices along a space-filling curve."""
    order, faces, _ = sort_along_curve(made.V, made.F)
    F = faces.astype(np.int64)
    new = np.argsort(order)
    arcs = tuple(Arc(line=a.line, rim=a.rim, vertices=new[a.vertices]) for a in made.arcs)
    n = len(order)
    tail = np.concatenate([a.vertices[:-1] for a in arcs])
    head = np.concatenate([a.vertices[1:] for a in arcs])
    of = np.repeat(np.arange(len(arcs)), [len(a.vertices) - 1 for a in arcs])
    keys = np.concatenate([tail * n + head, head * n + tail])
    values = np.concatenate([2 * of, 2 * of + 1])
    by = np.argsort(keys)
    edge = F * n + np.roll(F, -1, axis=1)
    at = np.minimum(np.searchsorted(keys[by], edge), len(by) - 1)
    return CarvedCast(
        V=made.V[order],
        N=made.N[order],
        F=F,
        A=link_faces(F, n),
        C=np.where(keys[by][at] == edge, values[by][at], -1),
        arcs=arcs,
        starts=starts,
        lengths=lengths,
        rim_names=rim_names,
        notes=notes,
    )


def _compact(
    mesh: EditMesh,
    arcs: Sequence[Arc],
    band: Band,
    cast: Cast,
    starts: NDArray[np.float64],
    lengths: NDArray[np.float64],
    rim_names: tuple[str, ...],
    notes: tuple[str, ...],
) -> CarvedCast:
    """Drops unused vertices and faces; new vertices are put in order beside their neighbours."""
    m = int(mesh.used[1])
    alive = np.flatnonzero(mesh.F[:m, 0] >= 0)
    F = mesh.F[alive]
    used = np.zeros(len(mesh.V), dtype=bool)
    used[F.ravel()] = True
    old = np.flatnonzero(used)
    key = np.where(old < len(cast.V), old, cast.F[mesh.home[old]].min(axis=1) + 0.5)
    old = old[np.argsort(key, kind="stable")]
    new = np.full(len(mesh.V), -1, dtype=np.int64)
    new[old] = np.arange(len(old))
    F = new[F]
    face_order = np.argsort(F.min(axis=1), kind="stable")
    place = np.full(m + 1, -1, dtype=np.int64)
    place[alive[face_order]] = np.arange(len(alive))
    picked = alive[face_order]
    return CarvedCast(
        V=mesh.V[old],
        N=band.N[old],
        F=F[face_order],
        A=place[mesh.A[picked]],
        C=mesh.C[picked],
        arcs=tuple(Arc(line=a.line, rim=a.rim, vertices=new[a.vertices]) for a in arcs),
        starts=starts,
        lengths=lengths,
        rim_names=rim_names,
        notes=notes,
    )
