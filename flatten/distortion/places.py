"""Where on a panel the strain is worst, and which edge lies nearest."""

import numpy as np

from flatten.geometry.curves import arc_length
from flatten.records.flat import Flat, Strain, WorstPlace
from flatten.records.panels import Panel

# Two worst places closer than this are one place to a maker.
APART_MM = 60.0


def edge_gains(panel: Panel, flat: Flat) -> list[float]:
    """Length on the surface minus length on the flat of every border run, mm."""
    return [
        float(arc_length(panel.V[r.vertices])[-1] - arc_length(flat.U[r.vertices])[-1])
        for r in panel.border
    ]


def worst_places(
    panel: Panel, flat: Flat, strain: Strain, *, most: int = 3, least_pct: float = 0.5
) -> tuple[WorstPlace, ...]:
    """Up to `most` places of stretch and as many of squeeze, worst first, at least APART_MM apart."""
    centres = flat.U[panel.F].mean(axis=1)
    gains = edge_gains(panel, flat)
    places: list[WorstPlace] = []
    for sign, disc in ((1.0, strain.stretch_disc), (-1.0, strain.squeeze_disc)):
        found: list[int] = []
        for face in np.argsort(-disc, kind="stable"):
            if 100.0 * disc[face] < least_pct or len(found) == most:
                break
            apart = np.linalg.norm(centres[found] - centres[face], axis=1)
            if not found or apart.min() > APART_MM:
                found.append(int(face))
        for face in found:
            distance = [
                float(np.linalg.norm(flat.U[r.vertices] - centres[face], axis=1).min())
                for r in panel.border
            ]
            near = int(np.argmin(distance))
            places.append(
                WorstPlace(
                    face=face,
                    at=(float(centres[face, 0]), float(centres[face, 1])),
                    pct=float(sign * 100.0 * disc[face]),
                    edge=panel.border[near].name,
                    edge_mm=distance[near],
                    edge_gain_mm=gains[near],
                )
            )
    return tuple(places)
