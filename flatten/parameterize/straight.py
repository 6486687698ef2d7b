"""Straight closures: an edge that is straight on the cast and is laced or closed comes out straight.

Straight on the surface is what turns nowhere (geodesic turning, pi less the angles at a border
vertex): laid out by its lengths and turnings alone the edge then lies on its chord.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.curves import arc_length
from flatten.geometry.triangles import corner_angles
from flatten.parameterize.rows import Rows
from flatten.parameterize.sheet import Sheet
from flatten.records.panels import PanelSet, Seam

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

PER_100_MM = 0.5  # how far a straight edge may lie beside its chord, mm for every 100 mm
WITHIN = 0.7  # of that is aimed at
ON_CAST = 1.0  # what counts as straight on the cast, mm for every 100 mm
SPAN_MM = 100.0
POINTS = 8  # places held in every span
WEIGHT = 2.0  # a millimetre beside the chord, beside one of an edge's length


class Sags:
    """Distances of vertices from the chord between two others, mm; vertices (r, 3) a, v, b.

    tolerance (r,) : mm; price, panel as in `lengths.Lengths`
    """

    def __init__(self, vertices: Ints, tolerance: Array, price: Array, panel: Ints) -> None:
        self.rows = Rows(vertices)
        self.tolerance, self.price = tolerance, price
        self.panel = np.column_stack([panel, panel])

    @property
    def pairs(self) -> Ints:
        return self.rows.pairs

    def bind(self, sheet: Sheet) -> None:
        self.rows.bind(sheet)

    def _chord(self, U: Array) -> tuple[Array, Array, Array]:
        """Unit normals (r, 2) of the chords, the way a -> v, and how far along the chord it gets."""
        a, v, b = (U[self.rows.vertices[:, i]] for i in range(3))
        chord = b - a
        square = np.maximum(np.einsum("ij,ij->i", chord, chord), 1e-12)
        normal = np.column_stack([-chord[:, 1], chord[:, 0]]) / np.sqrt(square)[:, None]
        return normal, v - a, np.einsum("ij,ij->i", v - a, chord) / square

    def residual(self, U: Array) -> Array:
        normal, way, _ = self._chord(U)
        return np.einsum("ij,ij->i", normal, way)

    def gradient(self, U: Array) -> Array:
        normal, _, part = self._chord(U)
        return np.stack(
            [(part - 1)[:, None] * normal, normal, -part[:, None] * normal], axis=1
        )  # fmt: skip

    def add_bend(self, sheet: Sheet, U: Array, force: Array) -> None:
        """The distances are as good as linear in a flat that is nearly straight there."""


@dataclass(frozen=True, eq=False, kw_only=True)
class StraightEdge:
    """One side of a closure that is straight on the cast; vertices numbered through all panels."""

    name: str
    panel: int
    vertices: Ints
    length_mm: float

    def sag(self, U: Array) -> float:
        """How far the flat edge lies beside its chord, mm."""
        return off_chord(U[self.vertices])


def off_chord(P: Array) -> float:
    """The largest distance of a polyline's points (k, 2) from the line through its ends."""
    chord = P[-1] - P[0]
    way = P - P[0]
    cross = chord[0] * way[:, 1] - chord[1] * way[:, 0]
    return float(np.abs(cross).max() / max(float(np.hypot(*chord)), 1e-9))


def carries_closure(joint: str, fixing: str) -> bool:
    return joint == "gap" or fixing in ("lace", "closure")


def straight_edges(
    panel_set: PanelSet, start: Ints, closures: frozenset[int]
) -> tuple[StraightEdge, ...]:
    """Both sides of every closure (an index into the seams) that runs straight on the cast."""
    panels = panel_set.panels
    found = []
    for k in sorted(closures):
        seam = panel_set.seams[k]
        length = float(arc_length(panels[seam.sides[0].panel].V[seam.sides[0].vertices])[-1])
        if len(seam.sides[0].vertices) < 3 or length <= 0.0:
            continue
        if _laid_out_sag(panel_set, seam) <= ON_CAST * length / 100:
            found += [
                StraightEdge(
                    name=seam.name,
                    panel=side.panel,
                    vertices=side.vertices.astype(np.int64) + start[side.panel],
                    length_mm=length,
                )
                for side in seam.sides
            ]
    return tuple(found)


def _laid_out_sag(panel_set: PanelSet, seam: Seam) -> float:
    """How far the seam would lie beside its chord, laid out by its lengths and mean turning."""
    turning = []
    for side in seam.sides:
        panel = panel_set.panels[side.panel]
        faces = panel.F[np.isin(panel.F, side.vertices).any(axis=1)]
        angle = np.bincount(faces.ravel(), corner_angles(panel.V, faces).ravel(), len(panel.V))
        turning.append(np.pi - angle[side.vertices][1:-1])
    heading = np.concatenate([[0.0], np.cumsum(0.5 * (turning[0] - turning[1]))])
    V = panel_set.panels[seam.sides[0].panel].V[seam.sides[0].vertices]
    step = np.diff(arc_length(V))
    P = np.cumsum(step[:, None] * np.column_stack([np.cos(heading), np.sin(heading)]), axis=0)
    return off_chord(np.concatenate([np.zeros((1, 2)), P]))


def straight_wishes(edges: tuple[StraightEdge, ...], V: Array, around: Array) -> Sags:
    """Edges held to their chords, whole and over every span of them; V (n, 3) of all panels.

    around (p,) : the length of each panel's border, mm
    """
    rows, tolerance, price, panel = [np.empty((0, 3), dtype=np.int64)], [], [], []
    for edge in edges:
        along = arc_length(V[edge.vertices])
        whole = float(along[-1])
        halves = max(2, round(2 * whole / SPAN_MM))
        places = np.linspace(0.0, whole, halves + 1)
        spans = list(zip(places[:-2], places[2:], strict=True))
        if halves > 2:
            spans.append((0.0, whole))
        for low, high in spans:
            a, b = np.searchsorted(along, [low, high - 1e-9])
            inner = np.unique(np.linspace(a, b, POINTS + 2).round().astype(np.int64))[1:-1]
            own = np.column_stack([np.full(len(inner), a), inner, np.full(len(inner), b)])
            rows.append(edge.vertices[own])
            tolerance += [WITHIN * PER_100_MM * (high - low) / 100] * len(inner)
            price += [WEIGHT / max(float(around[edge.panel]), 1e-6)] * len(inner)
            panel += [edge.panel] * len(inner)
    return Sags(
        np.concatenate(rows), np.array(tolerance), np.array(price), np.array(panel, dtype=np.int64)
    )


def straight_notes(edges: tuple[StraightEdge, ...], U: Array, panels: int) -> list[list[str]]:
    """For every panel, which of its straight closures do not come out straight."""
    notes: list[list[str]] = [[] for _ in range(panels)]
    for edge in edges:
        sag = edge.sag(U)
        if sag > PER_100_MM * edge.length_mm / 100:
            notes[edge.panel].append(
                f"the closure '{edge.name}' is straight on the cast, but its flat edge lies up to"
                f" {sag:.1f} mm beside its chord: straighter than that the panel cannot take it"
            )
    return notes
