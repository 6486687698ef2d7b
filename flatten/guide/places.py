"""Where on the body a seam lies, which decides when it is closed."""

import numpy as np

from flatten.geometry.triangles import face_areas, face_normals
from flatten.records.panels import Panel, PanelSet, Seam

STAGES = (
    "Darts",
    "Seams within the front and the back",
    "Shoulders",
    "Sides",
    "Closure",
)
# A seam is a shoulder's where the body under it faces up by more than this share.
_FACING_UP = 0.6


def looks_forward(panel: Panel) -> bool:
    """Whether a panel is of the front: the mean of its outward normals points there."""
    area = face_areas(panel.V, panel.F)
    return float(area @ face_normals(panel.V, panel.F)[:, 2]) > 0.0


def seam_stage(panel_set: PanelSet, seam: Seam, joint: str, fixing: str) -> tuple[int, str, float]:
    """Rank and name of the stage in which a seam is closed, and mm from the wearer's middle.

    Openings come last, since the work is turned and worn through them.
    """
    side = seam.sides[0]
    panel = panel_set.panels[side.panel]
    P, N = panel.V[side.vertices], panel.N[side.vertices]
    cast = panel_set.cast
    middle = 0.5 * (cast.V[:, 0].min() + cast.V[:, 0].max())
    if cast.symmetry is not None:
        middle = float(cast.symmetry.point[0])
    away = float(np.abs(P[:, 0] - middle).mean())
    if seam.dart:
        rank = 0
    elif joint == "gap" or fixing in ("lace", "closure"):
        rank = 4
    else:
        one, other = (looks_forward(panel_set.panels[s.panel]) for s in seam.sides)
        across = 2 if float(N[:, 1].mean()) > _FACING_UP else 3
        rank = 1 if one == other else across
    return rank, STAGES[rank], away
