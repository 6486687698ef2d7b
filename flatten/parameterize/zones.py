"""No-stretch zones: closed details, tooling or print, whose lengths stay as they are on the surface."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.topology import border_half_edges, face_components, unique_edges
from flatten.parameterize.lengths import Lengths
from flatten.records.panels import Panel, PanelSet

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

PART = 0.005  # by which a length inside may change
WITHIN = 0.6  # of that is aimed at along the mesh's edges: between them it is more
WEIGHT = 5.0  # a millimetre inside, beside one of an edge's length


@dataclass(frozen=True, eq=False, kw_only=True)
class Zone:
    """One zone on one panel: its line, and the faces (k,) and edges (e, 2) it holds."""

    line: str
    panel: int
    faces: Ints
    edges: Ints

    def change(self, V: Array, U: Array) -> float:
        """The largest change in length along an edge inside, as a part of it; V, U of the panel."""
        a, b = self.edges.T
        was = np.linalg.norm(V[a] - V[b], axis=1)
        now = np.linalg.norm(U[a] - U[b], axis=1)
        return float(np.abs(now / np.maximum(was, 1e-9) - 1).max(initial=0.0))


def zones_of(panel_set: PanelSet) -> tuple[Zone, ...]:
    """The zones of all panels; a zone that a seam cuts through is left out (see `cut_zones`)."""
    found = []
    for i, panel in enumerate(panel_set.panels):
        for mark in panel.marks:
            if mark.no_stretch and mark.closed:
                faces = faces_within(panel, mark.face.astype(np.int64))
                edges, _, _ = unique_edges(panel.F[faces])
                found.append(Zone(line=mark.line, panel=i, faces=faces, edges=edges))
    return tuple(found)


def cut_zones(panel: Panel) -> tuple[str, ...]:
    """Zones that a seam cuts through, so that they have no inside on this panel."""
    return tuple(sorted({m.line for m in panel.marks if m.no_stretch and not m.closed}))


def faces_within(panel: Panel, crossed: Ints) -> Ints:
    """Faces inside a closed curve through the faces `crossed`, those included."""
    F = np.asarray(panel.F, dtype=np.int64)
    on = np.zeros(len(F), dtype=bool)
    on[crossed] = True
    rest = np.flatnonzero(~on)
    if len(rest) == 0:
        return crossed
    part = face_components(F[rest])
    border = np.zeros(len(panel.V), dtype=bool)
    border[border_half_edges(F).ravel()] = True
    outside = np.unique(part[border[F[rest]].any(axis=1)])
    return np.concatenate([np.unique(crossed), rest[~np.isin(part, outside)]])


def zone_wishes(zones: tuple[Zone, ...], V: Array, start: Ints, around: Array) -> Lengths:
    """Every edge in a zone is to keep its length; V (n, 3) of all panels, around as for edges."""
    edges = [np.empty((0, 2), dtype=np.int64)] + [z.edges + start[z.panel] for z in zones]
    vertices = np.concatenate(edges)
    panel = np.repeat([z.panel for z in zones], [len(z.edges) for z in zones]).astype(np.int64)
    length = np.linalg.norm(V[vertices[:, 0]] - V[vertices[:, 1]], axis=1)
    return Lengths(
        vertices,
        length,
        WITHIN * PART * np.maximum(length, 1e-6),
        WEIGHT / np.maximum(around[panel], 1e-6),
        np.column_stack([panel, panel]),
    )


def zone_notes(
    panel_set: PanelSet, zones: tuple[Zone, ...], flats: list[Array], load: Array, without: Array
) -> list[list[str]]:
    """For every panel, how well its zones keep their lengths, and what that costs its load (p,)."""
    notes: list[list[str]] = [
        [f"the no-stretch zone '{line}' is cut by a seam and is not held" for line in cut_zones(p)]
        for p in panel_set.panels
    ]
    for zone in zones:
        change = zone.change(panel_set.panels[zone.panel].V, flats[zone.panel])
        kept = "keeps its lengths within" if change <= PART else "changes its lengths by up to"
        notes[zone.panel].append(
            f"the no-stretch zone '{zone.line}' {kept} {max(100 * change, 0.1):.1f} %; with it the"
            f" panel's worst strain is {load[zone.panel]:.2f} times its limit,"
            f" {without[zone.panel]:.2f} without"
        )
    return notes
