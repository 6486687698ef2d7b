"""The frame in which ink is read: millimetres, and the cast's own axes where there is a cast."""

import numpy as np
from numpy.typing import NDArray

from flatten.records.cast import Cast
from flatten.records.scan import Scan
from flatten.units import choose_unit


def working_frame(scan: Scan, cast: Cast | None) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """(4, 4) from the scan file's numbers to mm, and what is to be said about the unit.

    Raises
    ------
    BadInput : there is no cast and the unit is not clear
    """
    if cast is not None:
        return cast.to_cast, ()
    used = scan.V[np.unique(scan.F)] if len(scan.F) else scan.V
    extent = float(np.ptp(used, axis=0).max()) if len(used) else 0.0
    choice = choose_unit(extent, stated=scan.unit)
    to_work = np.eye(4)
    to_work[:3, :3] *= choice.mm
    if len(used):
        to_work[:3, 3] = -choice.mm * used.mean(axis=0)
    return to_work, (choice.said,)
