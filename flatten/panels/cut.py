"""Cuts the cast along its lines into panels: disks whose shared edges are the same curves."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.triangles import corner_angles, face_areas
from flatten.panels.carve import CUTTING, CarvedCast, carve, chosen_lines
from flatten.panels.check import Opening, find_proposal, refuse
from flatten.panels.marks import place_marks
from flatten.panels.names import panel_names, whereabouts
from flatten.panels.opening import Piece, Stretch, open_pieces, panel_of
from flatten.panels.partners import build_seams, seam_names
from flatten.records.job import PanelName
from flatten.records.lines import LineNetwork, Proposal
from flatten.records.panels import BorderRun, PanelSet

# Smaller angles make the strain there unreliable, and are said.
SLIVER_DEG = 5.0
# A panel smaller than a coin is hardly ever meant.
COIN_MM2 = 350.0


def cut_panels(
    network: LineNetwork,
    *,
    lines: tuple[str, ...] = ("*",),
    names: tuple[PanelName, ...] = (),
) -> PanelSet:
    """Panels of the network's cast, opened along the seams and darts whose names fit `lines`.

    Patterns are shell-style. Trim lines always cut, and what lies beyond them is dropped. Partner
    edges share their vertices one to one. Panels are ordered by name, seams by line.

    Raises
    ------
    BadInput : a panel is not a disk, a trim line parts nothing off, a pattern fits no line, or the
        names do not fit the panels
    """
    made = _made(network, lines, names)
    carved, pieces, called = made.carved, made.pieces, made.names
    notes = [*carved.notes, *made.notes]
    for k, (piece, name) in enumerate(zip(pieces, called, strict=True)):
        proposal = _proposal(made, k, network)
        if proposal is not None:
            raise refuse(proposal)
        V = carved.V[piece.cast_vertex]
        notes += _slivers(name, V, piece.F, made.openings[k][0].vertices)
        notes += _tiny(name, V, piece.F, made.openings[k][0])
    stretch_names = made.stretch_names
    marks = place_marks(network, carved, pieces)
    seams = build_seams(carved, network.lines, pieces, made.middles)
    panels = []
    for k, (piece, name) in enumerate(zip(pieces, called, strict=True)):
        border = tuple(
            BorderRun(
                vertices=s.vertices.astype(np.int32),
                seam=s.arc if carved.arcs[s.arc].line >= 0 else -1,
                side=s.side,
                name=stretch_names[s.arc],
            )
            for s in piece.loops[0]
        )
        panels.append(panel_of(carved, piece, name, border, marks[k]))
    return PanelSet(
        cast=network.cast,
        cut_V=carved.V,
        cut_N=carved.N,
        panels=tuple(panels),
        seams=seams,
        notes=tuple(notes),
    )


def propose_lines(
    network: LineNetwork, *, lines: tuple[str, ...] = ("*",), names: tuple[PanelName, ...] = ()
) -> list[Proposal]:
    """For every piece that is not a disk, the shortest line that would open it further.

    Raises
    ------
    BadInput : as `cut_panels` does for what lines cannot mend
    """
    made = _made(network, lines, names)
    found = [_proposal(made, k, network) for k in range(len(made.pieces))]
    return [proposal for proposal in found if proposal is not None]


@dataclass(frozen=True, eq=False, kw_only=True)
class _Made:
    """The pieces by name, disks or not; `openings[k]`, `middles[k]` (k, 3) and `lean[k]` of piece k."""

    carved: CarvedCast
    pieces: list[Piece]
    names: list[str]
    stretch_names: list[str]
    openings: list[list[Opening]]
    middles: NDArray[np.float64]
    lean: list[NDArray[np.float64]]
    notes: list[str]


def _made(network: LineNetwork, lines: tuple[str, ...], names: tuple[PanelName, ...]) -> _Made:
    chosen = chosen_lines(network, lines)
    carved = carve(network, chosen)
    pieces = open_pieces(carved)
    notes: list[str] = []
    faces = [carved.F[piece.faces] for piece in pieces]
    places = whereabouts(carved.V, faces)
    uncut = [i for i, x in enumerate(network.lines) if x.kind in CUTTING and i not in chosen]
    called = panel_names(
        names, network.cast.to_cast, carved.V, faces, places, notes, all_lines=not uncut
    )
    order = sorted(range(len(pieces)), key=lambda k: called[k])
    stretch_names = [*seam_names(carved, network.lines)]
    stretch_names += [carved.rim_names[arc.rim] for arc in carved.arcs if arc.line < 0]
    pieces = [pieces[k] for k in order]
    return _Made(
        carved=carved,
        pieces=pieces,
        names=[called[k] for k in order],
        stretch_names=stretch_names,
        openings=[[_opening(loop, carved, stretch_names) for loop in p.loops] for p in pieces],
        middles=places.middle[order],
        lean=[
            carved.N[p.cast_vertex] + (carved.V[p.cast_vertex] - places.centre) / places.half
            for p in pieces
        ],
        notes=notes,
    )


def _proposal(made: _Made, k: int, network: LineNetwork) -> Proposal | None:
    """The line that would open piece k; None where it is a disk."""
    piece, carved = made.pieces[k], made.carved
    V, N = carved.V[piece.cast_vertex], carved.N[piece.cast_vertex]
    return find_proposal(made.names[k], network.cast, V, N, piece.F, made.openings[k], made.lean[k])


def _opening(loop: tuple[Stretch, ...], carved: CarvedCast, names: list[str]) -> Opening:
    """A border loop with the names of what it runs along."""
    rims = [names[s.arc] for s in loop if carved.arcs[s.arc].line < 0]
    cuts = [s.arc for s in loop if carved.arcs[s.arc].line >= 0]
    return Opening(
        vertices=np.concatenate([s.vertices[:-1] for s in loop]),
        rims=tuple(dict.fromkeys(rims)),
        seams=tuple(dict.fromkeys(names[arc] for arc in cuts)),
        loose=not rims and all(cuts.count(arc) == 2 for arc in cuts),
    )


def _tiny(name: str, V: NDArray[np.float64], F: NDArray[np.int64], opening: Opening) -> list[str]:
    """What to say of a panel too small to be wanted."""
    area = float(face_areas(V, F).sum())
    if area >= COIN_MM2:
        return []
    x, y, z = V.mean(axis=0)
    lines = ", ".join(f"'{seam}'" for seam in opening.seams[:4])
    return [
        f"panel {name} is only {area:.0f} mm² large, near ({x:.0f}, {y:.0f}, {z:.0f}): if it is not"
        f" wanted, draw {lines or 'the lines'} so that they part nothing off there"
    ]


def _slivers(
    name: str, V: NDArray[np.float64], F: NDArray[np.int64], border: NDArray[np.int64]
) -> list[str]:
    """What to say where lines run so close that a triangle between them is a sliver."""
    at_border = np.zeros(len(V), dtype=bool)
    at_border[border] = True
    F = F[at_border[F].any(axis=1)]
    angles = np.degrees(corner_angles(V, F).min(axis=1))
    worst = int(angles.argmin())
    if angles[worst] >= SLIVER_DEG:
        return []
    x, y, z = V[F[worst]].mean(axis=0)
    return [
        f"panel {name}: an angle of {angles[worst]:.1f} degrees near ({x:.0f}, {y:.0f}, {z:.0f}),"
        " where lines run close together"
    ]
