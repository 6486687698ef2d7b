"""How well the two sides of every seam meet on the flats, stretch by stretch."""

from collections.abc import Mapping

import numpy as np

from flatten.geometry.curves import arc_length
from flatten.records.flat import FlatSet, SeamReport


def report_seams(
    flat_set: FlatSet,
    holes: dict[tuple[int, int], int],
    joined: Mapping[int, tuple[str, str]] | None = None,
) -> tuple[SeamReport, ...]:
    """One row for each seam stretch; `holes[seam, side]` counts the stitch holes on a side.

    `joined[seam]` is the joint and fixing that the ply gives a seam; the line's own where missing.

    The mismatch is flat side 0 minus side 1 with the wanted ease taken off, mm, over the whole
    stretch; the worst cumulative one is its largest size at any vertex.
    """
    rows = []
    joined = joined or {}
    panels = flat_set.panel_set.panels
    for index, seam in enumerate(flat_set.panel_set.seams):
        flat = [arc_length(flat_set.flats[s.panel].U[s.vertices]) for s in seam.sides]
        surface = [arc_length(panels[s.panel].V[s.vertices]) for s in seam.sides]
        gap = flat[0] - flat[1]
        if seam.ease is not None:
            gap = gap - seam.ease * (1 if seam.ease_side == 0 else -1)
        a, b = seam.sides
        joint, fixing = joined.get(index, (seam.joint, seam.fixing))
        rows.append(
            SeamReport(
                ply=flat_set.ply,
                line=seam.line,
                name=seam.name,
                joint=joint,
                fixing=fixing,
                panels=(panels[a.panel].name, panels[b.panel].name),
                surface_mm=(float(surface[0][-1]), float(surface[1][-1])),
                flat_mm=(float(flat[0][-1]), float(flat[1][-1])),
                holes=(holes.get((index, 0), 0), holes.get((index, 1), 0)),
                mismatch_mm=float(gap[-1]),
                worst_cumulative_mm=float(np.abs(gap).max()),
            )
        )
    return tuple(rows)
