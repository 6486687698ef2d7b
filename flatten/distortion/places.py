"""Where on a panel the strain is worst, in which direction, and which edge lies nearest."""

from collections.abc import Sequence

import numpy as np

from flatten.distortion.measure import DIRECTIONS, directional_loads, disc_means, limit_towards
from flatten.geometry.curves import arc_length
from flatten.geometry.triangles import face_areas
from flatten.records.flat import Deciding, Flat, FlatSet, Strain, WorstPlace
from flatten.records.material import Material
from flatten.records.panels import Panel

# Two worst places closer than this are one place to a maker.
APART_MM = 60.0


def edge_gains(panel: Panel, flat: Flat) -> list[float]:
    """Length on the surface minus length on the flat of every border run, mm."""
    return [
        float(arc_length(panel.V[r.vertices])[-1] - arc_length(flat.U[r.vertices])[-1])
        for r in panel.border
    ]


def nearest_edge(panel: Panel, flat: Flat, face: int) -> tuple[int, float]:
    """Which border run lies nearest to a face on the flat, and how far, mm."""
    centre = flat.U[panel.F[face]].mean(axis=0)
    away = [float(np.linalg.norm(flat.U[r.vertices] - centre, axis=1).min()) for r in panel.border]
    near = int(np.argmin(away))
    return near, away[near]


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
            near, away = nearest_edge(panel, flat, face)
            places.append(
                WorstPlace(
                    face=face,
                    at=(float(centres[face, 0]), float(centres[face, 1])),
                    pct=float(sign * 100.0 * disc[face]),
                    edge=panel.border[near].name,
                    edge_mm=away,
                    edge_gain_mm=gains[near],
                )
            )
    return tuple(places)


def places_of(
    flat_set: FlatSet, strains: Sequence[Strain]
) -> tuple[tuple[tuple[WorstPlace, ...], ...], tuple[Deciding, ...]]:
    """The worst places of every panel of a set, and what decides whether it fits."""
    panels, flats, material = flat_set.panel_set.panels, flat_set.flats, flat_set.material
    each = list(zip(panels, flats, strains, strict=True))
    return (
        tuple(worst_places(*one) for one in each),
        tuple(deciding(*one, material) for one in each),
    )


def deciding(panel: Panel, flat: Flat, strain: Strain, material: Material) -> Deciding:
    """The strain that comes nearest to its limit, or goes farthest past it, and where.

    Of woven cloth it is the one along the direction with the least room, by the mean over a disc of
    the load; its percentage is that load of the direction's own limit.
    """
    stretch, squeeze = material.stretch_pct, material.squeeze_pct
    if material.isotropic:
        loads = [strain.stretch_disc / stretch.warp, strain.squeeze_disc / squeeze.warp]
        kind = int(loads[1].max() > loads[0].max())
        limit = (stretch.warp, squeeze.warp)[kind]
        face, load, direction = int(np.argmax(loads[kind])), 100 * float(loads[kind].max()), ""
    else:
        by_direction = directional_loads(panel.V, panel.F, flat.U, material, flat.grain_deg)
        discs = disc_means(
            panel.V[panel.F].mean(axis=1),
            face_areas(panel.V, panel.F),
            np.minimum(by_direction.max(axis=2).T, 1e6),
        )
        face, kind = (int(i) for i in np.unravel_index(int(np.argmax(discs)), discs.shape))
        towards = DIRECTIONS[int(np.argmax(by_direction[kind, face]))]
        limit = float(limit_towards((stretch, squeeze)[kind], np.array([towards]))[0])
        load, direction = float(discs[face, kind]), _direction(float(np.degrees(towards)))
    near, away = nearest_edge(panel, flat, face)
    return Deciding(
        kind="squeeze" if kind else "stretch",
        pct=load * limit,
        limit_pct=limit,
        direction=direction,
        edge=panel.border[near].name,
        edge_mm=away,
    )


def _direction(from_warp_deg: float) -> str:
    """A direction of the weave in words: along a thread within 10 degrees, else by its angle."""
    away = abs((from_warp_deg + 90.0) % 180.0 - 90.0)
    if away <= 10.0:
        return "along the warp"
    if away >= 80.0:
        return "along the weft"
    return "on the bias" if 35.0 <= away <= 55.0 else f"{away:.0f}° off the warp"
