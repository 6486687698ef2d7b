"""A template in the making: one panel's net edges, and what has been added to them so far."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from flatten.geometry.plane_curves import arc_lengths, smooth
from flatten.geometry.polygons import filled
from flatten.records.drawing import Ink
from flatten.records.flat import FlatSet
from flatten.records.material import JointChoice, Material, Ply
from flatten.records.panels import Seam


@dataclass(frozen=True, eq=False, kw_only=True)
class Edge:
    """One border run on the flat, the outside up, the panel on its left.

    points : (k, 2) mm, finely drawn; at_vertex : (m,) index of each border vertex in `points`
    seam : index into PanelSet.seams, -1 at a rim; side : 0 or 1
    with_seam : whether it runs in the seam's direction
    partner : the panel on the other side, "" at a rim
    """

    name: str
    line: str
    points: NDArray[np.float64]
    at_vertex: NDArray[np.int64]
    seam: int = -1
    side: int = 0
    with_seam: bool = True
    joint: str = ""
    fixing: str = ""
    partner: str = ""
    dart: bool = False
    allowance_mm: float = 0.0

    @property
    def length(self) -> float:
        return float(arc_lengths(self.points)[-1])


@dataclass(frozen=True, kw_only=True)
class EdgeText:
    """Words to be written along an edge, inside it: the first wording that fits is taken.

    at : length along the edge of the middle of the words, None for wherever they fit
    """

    edge: int
    wordings: tuple[str, ...]
    heights: tuple[float, ...] = (3.5, 3.0, 2.5, 2.0)
    at: float | None = None


@dataclass(eq=False, kw_only=True)
class Piece:
    """A panel on its way to a template; everything in the flat's coordinates, the outside up."""

    panel: int
    name: str
    edges: list[Edge]
    net: Polygon
    cut: Polygon = field(default_factory=Polygon)
    inner: list[NDArray[np.float64]] = field(default_factory=list)
    ink: list[Ink] = field(default_factory=list)
    words: list[EdgeText] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def joint_choice(seam: Seam, joints: Mapping[str, JointChoice]) -> tuple[str, str]:
    """Joint and fixing of a seam in a ply: the ply's word for its line, else for "*", else its own.

    A ply that names only the joint keeps the fixing of the line, and the other way round.
    """
    joint, fixing = seam.joint, seam.fixing
    for key in ("*", seam.line):
        choice = joints.get(key)
        if choice is not None:
            joint = choice.joint or joint
            fixing = choice.fixing or fixing
    return joint, fixing


def allowance(material: Material, joint: str) -> float:
    """Width beyond the net line for a joint, "" for a rim; mm."""
    return float(getattr(material.allowance_mm, joint or "rim"))


def net_piece(flat_set: FlatSet, panel_index: int, ply: Ply) -> Piece:
    """The net edges of one panel, each a smooth curve, with its joint and its allowance."""
    panel_set = flat_set.panel_set
    panel, U = panel_set.panels[panel_index], flat_set.flats[panel_index].U
    edges: list[Edge] = []
    for run in panel.border:
        points, at_vertex = smooth(U[run.vertices])
        if run.seam < 0:
            width = allowance(flat_set.material, "")
            edges.append(
                Edge(
                    name=run.name,
                    line=run.name,
                    points=points,
                    at_vertex=at_vertex,
                    allowance_mm=width,
                )
            )
            continue
        seam = panel_set.seams[run.seam]
        joint, fixing = joint_choice(seam, ply.joints)
        edges.append(
            Edge(
                name=run.name,
                line=seam.line,
                points=points,
                at_vertex=at_vertex,
                seam=run.seam,
                side=run.side,
                with_seam=np.array_equal(run.vertices, seam.sides[run.side].vertices),
                joint=joint,
                fixing=fixing,
                partner=panel_set.panels[seam.sides[1 - run.side].panel].name,
                dart=seam.dart,
                allowance_mm=allowance(flat_set.material, joint),
            )
        )
    piece = Piece(panel=panel_index, name=panel.name, edges=edges, net=Polygon())
    piece.net = filled(ring(edges))
    if piece.net.area < 0.999 * abs(Polygon(ring(edges)).area):
        piece.notes.append("the flat overlaps itself; split the panel before cutting it")
    return piece


def ring(edges: list[Edge]) -> NDArray[np.float64]:
    """(n, 2) the whole net line, first point not repeated."""
    return np.concatenate([edge.points[:-1] for edge in edges])
