"""Square to an edge: the way a slit is cut, by how the edge runs round it, not by its last chord."""

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.curves import arc_length
from flatten.geometry.plane_curves import CORNER_DEG, along, outward, turns

Array = NDArray[np.float64]

REACH_MM = 8.0  # of the edge to either side, over which its direction is taken
BEND_DEG = 5.0  # a smaller turn does not matter, whatever it is
LEAST_MM = 0.05


def across(points: Array, at: float) -> tuple[Array, Array]:
    """A place (2,) at a length along an edge, and the unit normal (2,) to its right there.

    Where a tight curve is drawn in few chords, a chord's own normal is far off the curve's: the
    direction is that between the places `REACH_MM` before and after. It is not taken past a bend
    between two straight runs: beside one a slit stands square to its own run, on it half way.
    """
    s = arc_length(points)
    place = along(points, at)[0][0]
    ends = np.concatenate([[0.0, s[-1]], _bends(points, s)])
    reach = min(REACH_MM, float(np.abs(ends - at).min()))
    if reach < LEAST_MM:
        t = along(points, np.array([at - LEAST_MM, at + LEAST_MM]))[1].sum(axis=0)
    else:
        before, after = along(points, np.array([at - reach, at + reach]))[0]
        t = after - before
    return place, outward(t / max(float(np.linalg.norm(t)), 1e-300))


def _bends(points: Array, s: Array) -> Array:
    """(b,) lengths along an edge where it bends between two runs.

    That is more than it turns elsewhere near by, or by as much as a corner.
    """
    turn = np.degrees(np.abs(turns(points)))
    inner = s[1:-1]
    total = np.concatenate([[0.0], np.cumsum(turn)])
    low = np.searchsorted(inner, inner - 2.0 * REACH_MM)
    high = np.searchsorted(inner, inner + 2.0 * REACH_MM, side="right")
    alone = (turn > BEND_DEG) & (turn > 0.5 * (total[high] - total[low]))
    return inner[alone | (turn > CORNER_DEG)]
