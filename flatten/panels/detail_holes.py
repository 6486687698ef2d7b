"""Holes round a detail: one row of places on the cast that its overlay and what lies beneath share."""

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.curves import arc_length, at_lengths, corners
from flatten.geometry.surface_points import face_tree
from flatten.geometry.triangles import face_cross
from flatten.panels.overlay import CORNER_DEG, CORNER_REACH_MM
from flatten.records.lines import LineNetwork
from flatten.records.panels import Panel, PanelHoles, PanelSet

Array = NDArray[np.float64]

ON_MM = 0.5  # a hole farther from a panel than this lies on another
STEP_MM = 1.0  # to both sides of a hole, for the direction of its line


def hole_places(network: LineNetwork, detail: str, pitch_mm: float, inside_mm: float) -> Array:
    """(k, 3) places on the cast, `inside_mm` inside a closed detail, mm.

    A whole number of stitches between corners, as near the pitch as that allows, and a hole at
    every corner; round a line without corners as many as go round it.
    """
    path = next(p for p in network.paths if p.line == detail and p.closed)
    V, F = network.cast.V, network.cast.F
    tree = face_tree(V, F)
    ring = np.vstack([path.points, path.points[:1]])
    s = arc_length(ring)
    total = float(s[-1])
    thrice = np.vstack([ring[:-1], ring[:-1], ring])

    def directions(at: Array) -> tuple[Array, Array, Array, Array]:
        """Places, unit ways to and from them, and unit normals of the surface there."""
        here, back, ahead = (at_lengths(thrice, at + total + d) for d in (0.0, -STEP_MM, STEP_MM))
        normal = face_cross(V, F[tree.nearest(here)[0]])
        return here, _unit(here - back), _unit(ahead - here), _unit(normal)

    index = corners(path.points, True, CORNER_REACH_MM, CORNER_DEG)
    starts = s[index] if len(index) else np.zeros(1)
    here, before, after, normal = directions(np.arange(0.0, total, STEP_MM))
    left = np.cross(normal, after)
    # The line's own left is its inside where it goes round counterclockwise seen from outside.
    sign = 1.0 if float(np.einsum("ij,ij->", here - here.mean(axis=0), left)) < 0.0 else -1.0
    bend = np.zeros(len(starts))
    if len(index):
        _, before, after, normal = directions(starts)
        sine = np.einsum("ij,ij->i", np.cross(before, after), normal)
        turn = np.arctan2(sine, np.einsum("ij,ij->i", before, after))
        bend = np.tan(np.clip(sign * turn, -2.2, 2.2) / 2.0)  # positive where it sticks out
    places = []
    ends = zip(pairwise([*starts, starts[0] + total]), bend, np.roll(bend, -1), strict=True)
    for (low, high), first, last in ends:
        run = max(high - low - inside_mm * (first + last), 0.0)
        count = max(round(run / pitch_mm), 1)
        share = np.arange(count) / count
        at = low + (high - low) * share
        here, before, after, normal = directions(at)
        way = _unit(before + after)
        way[0] = after[0] if len(index) else way[0]
        # The row is as much shorter than the line as its corners lie farther in: it stays even.
        slide = inside_mm * ((1.0 - share) * first - share * last)
        places.append(here + sign * inside_mm * np.cross(normal, way) + slide[:, None] * way)
    face, bary, _ = tree.nearest(np.concatenate(places))
    return np.einsum("kc,kcx->kx", bary, V[F[face]])


def with_holes(
    panel_set: PanelSet,
    detail: str,
    places: Array,
    diameter_mm: float,
    chosen: Callable[[Panel], bool],
) -> PanelSet:
    """The set, not yet offset, with holes at the places (k, 3) that lie on its chosen panels."""
    found = [
        face_tree(panel.V, panel.F).nearest(places) if chosen(panel) else None
        for panel in panel_set.panels
    ]
    gaps = np.array([np.full(len(places), np.inf) if f is None else f[2] for f in found])
    if gaps.size == 0:
        return panel_set
    owner = np.where(gaps.min(axis=0) < ON_MM, gaps.argmin(axis=0), -1)
    panels = []
    for k, (panel, near) in enumerate(zip(panel_set.panels, found, strict=True)):
        mine = owner == k
        if near is None or not mine.any():
            panels.append(panel)
            continue
        holes = PanelHoles(
            line=detail,
            face=near[0][mine],
            bary=near[1][mine],
            diameter_mm=diameter_mm,
            asked=len(places),
        )
        panels.append(replace(panel, holes=(*panel.holes, holes)))
    return replace(panel_set, panels=tuple(panels))


def _unit(v: Array) -> Array:
    return v / np.maximum(np.linalg.norm(v, axis=1, keepdims=True), 1e-300)
