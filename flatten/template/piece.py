"""A template in the making: one panel's net edges, and what has been added to them so far."""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from flatten.geometry.curves import arc_length
from flatten.geometry.plane_curves import smooth
from flatten.geometry.polygons import filled, signed_area
from flatten.records.drawing import Ink
from flatten.records.flat import FlatSet
from flatten.records.making import Finish
from flatten.records.material import Ply
from flatten.records.template import Hooping
from flatten.template.practice import (
    joint_choice,
    overlay_allowance,
    rim_allowance,
    rim_finish,
    seam_allowance,
)
from flatten.template.spec import TemplateSpec

Array = NDArray[np.float64]


@dataclass(eq=False, kw_only=True)
class Edge:
    """One border run on the flat, the outside up, the panel on its left.

    points : (k, 2) mm, finely drawn
    vertex_at : (m,) fraction of the length at each border vertex
    seam : index into PanelSet.seams, -1 at a rim; side : 0 or 1
    with_seam : whether it runs in the seam's direction
    partner : the panel on the other side, "" at a rim
    under : whether it goes under in a lap
    setout : (k,) mm from the net line to the longer face's edge of a bevelled joint
    holes, notches, bevels : as in records.template.NetEdge
    """

    name: str
    line: str
    points: Array
    vertex_at: Array
    seam: int = -1
    side: int = 0
    with_seam: bool = True
    joint: str = ""
    fixing: str = ""
    finish: Finish = "raw"
    partner: str = ""
    dart: bool = False
    under: bool = False
    allowance_mm: float = 0.0
    setout: Array | None = None
    holes: int = 0
    notches: list[tuple[float, int]] = field(default_factory=list)
    bevels: list[tuple[float, float]] = field(default_factory=list)

    @property
    def length(self) -> float:
        return float(arc_length(self.points)[-1])

    def widths(self) -> Array:
        """(k - 1, 2) mm beyond the net line at both ends of every chord."""
        wide = np.full(len(self.points), self.allowance_mm)
        if self.setout is not None:
            wide = wide + self.setout
        return np.stack([wide[:-1], wide[1:]], axis=1)


@dataclass(frozen=True, kw_only=True)
class EdgeText:
    """Words to be written along an edge, inside it: the first wording that fits is taken.

    at : length along the edge of the middle of the words, None for wherever they fit
    needed : whether a note is due where there is no room
    """

    edge: int
    wordings: tuple[str, ...]
    heights: tuple[float, ...] = (3.5, 3.0, 2.5, 2.0)
    at: float | None = None
    needed: bool = True


@dataclass(eq=False, kw_only=True)
class Piece:
    """A panel on its way to a template; everything in the flat's coordinates, the outside up.

    details : name, places and whether closed, of every stretch of a detail line on it
    inner_lines : lines inside that words may stand along, as edges numbered on from `edges`
    role : the panel itself, a facing behind one of its edges, or an overlay cut along a detail
    """

    panel: int
    name: str
    edges: list[Edge]
    net: Polygon
    role: Literal["panel", "facing", "detail"] = "panel"
    quantity: int = 1
    cut: Polygon = field(default_factory=Polygon)
    inner: list[Array] = field(default_factory=list)
    ink: list[Ink] = field(default_factory=list)
    words: list[EdgeText] = field(default_factory=list)
    inner_lines: list[Array] = field(default_factory=list)
    details: list[tuple[str, Array, bool]] = field(default_factory=list)
    hoopings: list[Hooping] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def ring(edges: list[Edge]) -> Array:
    """(n, 2) the whole net line, first point not repeated."""
    return np.concatenate([edge.points[:-1] for edge in edges])


def net_piece(flat_set: FlatSet, panel_index: int, ply: Ply, spec: TemplateSpec) -> Piece:
    """The net edges of one panel, each a smooth curve, with its joint and its allowance.

    A material that shrinks when it is formed is drawn larger by as much.
    """
    panel_set, material = flat_set.panel_set, flat_set.material
    panel = panel_set.panels[panel_index]
    U = flat_set.flats[panel_index].U / (1.0 - material.shrink_pct / 100.0)
    edges: list[Edge] = []
    for run in panel.border:
        points, index = smooth(U[run.vertices])
        reach = arc_length(points)
        vertex_at = reach[index] / max(reach[-1], 1e-300)
        edge = Edge(name=run.name, line=run.name, points=points, vertex_at=vertex_at)
        edges.append(edge)
        if run.seam < 0 and panel.detail:
            edge.finish = spec.rim_finish.get(panel.detail, "raw")
            edge.allowance_mm = overlay_allowance(material, spec, edge.finish)
            continue
        if run.seam < 0:
            edge.finish = rim_finish(material, ply, spec, run.name)
            beneath = spec.beneath_mm
            if panel_set.offsets is not None:  # what is turned round differs from place to place
                away = panel_set.offsets[panel.cast_vertex[run.vertices]]
                beneath = float(away.max()) - material.k * material.thickness_mm
            edge.allowance_mm = rim_allowance(material, ply, spec, edge.finish, beneath)
            continue
        seam = panel_set.seams[run.seam]
        edge.line, edge.seam, edge.side, edge.dart = seam.line, run.seam, run.side, seam.dart
        edge.with_seam = np.array_equal(run.vertices, seam.sides[run.side].vertices)
        edge.joint, edge.fixing = joint_choice(seam, ply.joints, material)
        edge.partner = panel_set.panels[seam.sides[1 - run.side].panel].name
        edge.under = edge.joint == "lap" and seam.under == run.side
        edge.allowance_mm = seam_allowance(material, edge.joint, under=edge.under)
    role = "detail" if panel.detail else "panel"
    return Piece(panel=panel_index, name=panel.name, edges=edges, net=Polygon(), role=role)


def close_net(piece: Piece) -> None:
    """Sets `net` from the edges, with a note where the flat lies over itself."""
    outline = ring(piece.edges)
    piece.net = filled(outline)
    if abs(signed_area(outline) - piece.net.area) > 1.0 + 1e-3 * piece.net.area:
        piece.notes.append("the flat overlaps itself; split the panel before cutting it")
