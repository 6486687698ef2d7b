"""Distances between corners that a tape finds on the wrap, on the paper and on the piece."""

from itertools import combinations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString

from flatten.geometry.geodesics import trace
from flatten.geometry.polygons import filled, signed_area
from flatten.geometry.surface_points import surface_of
from flatten.records.guide import TapeCheck
from flatten.records.template import Template, TemplateSet

Array = NDArray[np.float64]

MOST = 6
LEAST_MM = 60.0  # shorter ones tell little


def tape_checks(templates: TemplateSet) -> tuple[TapeCheck, ...]:
    """Up to six corner distances, spread over the panels, the longest of each panel first.

    Only those are taken whose straight line on the flat stays inside the panel, so that a ruler
    finds them too. On the wrap it is the geodesic across the panel, the wrap's outside being the
    cast without its tape and ease.
    """
    panel_set = templates.flat_set.panel_set
    ply = templates.flat_set.ply
    of_panel = {template.name: template for template in templates.templates}
    found: list[tuple[int, float, int, tuple[int, int]]] = []
    for p, panel in enumerate(panel_set.panels):
        template = of_panel.get(f"{ply} {panel.name}")
        spans = [] if template is None or panel.detail else _spans(template)
        found += [(rank, -length, p, ends) for rank, (length, ends) in enumerate(spans)]
    chosen = sorted(found)[:MOST]
    checks = []
    for _, length, p, (a, b) in sorted(chosen, key=lambda c: (c[2], c[1])):
        panel = panel_set.panels[p]
        runs = panel.border
        ends = np.array([runs[a].vertices[0], runs[b].vertices[0]])
        wrap = panel_set.cut_V[panel.cast_vertex]
        moved = np.full(len(wrap), panel_set.offset_mm)
        if panel_set.offsets is not None:
            moved = panel_set.offsets[panel.cast_vertex]
        away = panel_set.cast.offset_mm + moved
        wrap = wrap - away[:, None] * panel_set.cut_N[panel.cast_vertex]
        surface = surface_of(wrap, panel.F)
        face = surface.vertex_face[ends]
        bary = (panel.F[face] == ends[:, None]).astype(np.float64)
        checks.append(
            TapeCheck(
                ply=ply,
                panel=panel.name,
                start=f"{runs[a - 1].name} / {runs[a].name}",
                end=f"{runs[b - 1].name} / {runs[b].name}",
                wrap_mm=float(trace(surface, face, bary).length[0]),
                piece_mm=-length,
            )
        )
    return tuple(checks)


def _spans(template: Template) -> list[tuple[float, tuple[int, int]]]:
    """Lengths between corners in sight of each other, longest first; each corner once."""
    outline = np.concatenate([edge.points[:-1] for edge in template.net])
    inside = filled(outline if signed_area(outline) > 0.0 else outline[::-1]).buffer(0.5)
    shapely.prepare(inside)
    corners = [edge.points[0] for edge in template.net]
    spans = []
    for a, b in combinations(range(len(corners)), 2):
        length = float(np.linalg.norm(corners[a] - corners[b]))
        line = LineString([corners[a], corners[b]])
        if length >= LEAST_MM and shapely.contains(inside, line):
            spans.append((length, (a, b)))
    kept: list[tuple[float, tuple[int, int]]] = []
    used: set[int] = set()
    for length, ends in sorted(spans, reverse=True):
        if not used & set(ends):
            used |= set(ends)
            kept.append((length, ends))
    return kept
