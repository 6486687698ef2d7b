"""Flats of panels that are exact mirror images, averaged so that they mirror each other too."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.records.panels import Panel

Array = NDArray[np.float64]

_SAME_MM = 1e-3
# Flats farther apart than this are different solutions, not one within the solver's tolerance.
_CLOSE_MM = 1.0
_GRAIN_RAD = 1e-3


def mirror_flats(panels: Sequence[Panel], flats: Sequence[Array], grain: Array) -> list[Array]:
    """The flats (n, 2), left and right the mean of both; as they are unless every panel is
    another's mirror image in x = 0, or its own, and the flats nearly are.

    All or none: only so partner edges keep their equal lengths, being averaged alike. Directions
    that differ by an angle d shorten a mean by d² / 8 of itself, which is nothing here.

    grain : (p,) radians, the direction of the grain on each flat
    """
    found = [mirror_partner(panel, panels) for panel in panels]
    pairs = [pair for pair in found if pair is not None]
    if len(pairs) < len(panels):
        return list(flats)
    done = [np.empty(0)] * len(panels)
    for k, (other, at) in enumerate(pairs):
        turn = grain[k] + grain[other] - np.pi
        if abs(np.remainder(turn + 0.5 * np.pi, np.pi) - 0.5 * np.pi) > _GRAIN_RAD:
            return list(flats)
        if other < k:
            done[k] = done[other][at] * [-1, 1]
            continue
        P, Q = flats[k] - flats[k].mean(axis=0), flats[other][at] * [-1, 1]
        Q = Q - Q.mean(axis=0)
        u, _, v = np.linalg.svd(Q.T @ P)  # Kabsch, Acta Cryst. A32, 1976
        Q = Q @ (u @ np.diag([1.0, np.linalg.det(u @ v)]) @ v)
        if np.linalg.norm(Q - P, axis=1).max() > _CLOSE_MM:
            return list(flats)
        done[k] = 0.5 * (P + Q)
    return done


def mirror_partner(panel: Panel, panels: Sequence[Panel]) -> tuple[int, NDArray[np.int64]] | None:
    """The panel that mirrors this one in x = 0, and its vertex for each of this one's."""
    V = panel.V * [-1, 1, 1]
    for k, other in enumerate(panels):
        if len(other.V) == len(V) and np.abs(other.V.mean(axis=0) - V.mean(axis=0)).max() < 1e-3:
            gap, at = KDTree(other.V).query(V)
            if gap.max() < _SAME_MM and np.unique(at).size == len(V):
                return k, np.asarray(at, dtype=np.int64)
    return None
