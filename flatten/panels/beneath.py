"""What lies beneath a ply at every place: the thickness of the plies worn under it, where they are."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.surface_points import face_tree
from flatten.records.panels import Panel


@dataclass(frozen=True, eq=False, kw_only=True)
class Layer:
    """One making that lies beneath: its panels as cut from the cast, and how thick it is, mm.

    panels : None where it covers the whole cast
    """

    thickness_mm: float
    panels: tuple[Panel, ...] | None = None


def thickness_at(places: NDArray[np.float64], layers: Sequence[Layer]) -> NDArray[np.float64]:
    """(n,) mm of material between the cast and what is worn over the layers, at places on the cast.

    places : (n, 3) mm. Over the edge of a layer the ply above comes down to the next within the
    layer's own thickness (a slope of 45 degrees: what it bridges it cannot touch).
    """
    total = np.zeros(len(places))
    for layer in layers:
        if layer.panels is None:
            total += layer.thickness_mm
            continue
        if not layer.panels or layer.thickness_mm <= 0.0 or len(places) == 0:
            continue
        starts = np.cumsum([0, *(len(panel.V) for panel in layer.panels)])
        V = np.concatenate([panel.V for panel in layer.panels])
        F = np.concatenate([p.F + s for p, s in zip(layer.panels, starts[:-1], strict=True)])
        _, _, gap = face_tree(V, F).nearest(places)
        total += np.clip(layer.thickness_mm - gap, 0.0, None)
    return total
