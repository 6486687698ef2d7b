"""Closes the slit by which the wearer was cut free of the wrap: gaping, lapped or stepped.

The slit joins two rims, so on the mesh the two openings and the slit are one long border loop; or
it ends inside the surface. The under side of a lap is trimmed, a step is shared between both sides
and faded out, and the gap is bridged by a strip that leaves each side in its own direction (cubic
Hermite rungs). What counts as an opening stays open.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.topology import compact, face_components
from flatten.geometry.triangles import Array, Faces, face_areas
from flatten.scan.borders import trace_borders
from flatten.scan.manifold import make_manifold, place
from flatten.scan.slit_lap import trim_laps
from flatten.scan.slit_sides import SHORTEST_MM, SlitSides, find_slits
from flatten.scan.slit_strip import bridge, share_step

# Narrower than this a lap is a step, and its under side is left as it is.
LAP_MM = 1.5


@dataclass(frozen=True, eq=False, kw_only=True)
class SlitResult:
    """V, F : the mesh with its slits closed; the old vertices come first where none was trimmed
    slits : middle of each closed slit as a polyline (k, 3), from end to end
    repairs : counts and millimetres; notes : what was closed, where, how wide
    """

    V: Array
    F: NDArray[np.int32]
    slits: tuple[Array, ...] = ()
    repairs: Mapping[str, int | float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def close_slit(V: Array, F: Faces, mode: Literal["close", "keep"] = "close") -> SlitResult:
    """Finds and closes every slit of an oriented manifold in mm, whatever its pose.

    With "keep" the surface is closed all the same, so that it can be meshed as one piece; the
    polylines are then meant as opening seams along which the panels part again.
    """
    V = np.asarray(V, dtype=np.float64)
    F = np.asarray(F, dtype=np.int32)
    border = trace_borders(V, F, SHORTEST_MM)
    slits = find_slits(V, F, border)
    if not slits:
        return SlitResult(V=V, F=F)
    first = slits
    notes = [_told(slit, mode) for slit in slits]
    lapped = [s for s in slits if float(np.quantile(s.gap, 0.25)) < -LAP_MM]
    trimmed = 0
    if lapped:
        F2, trimmed = trim_laps(V, F, lapped)
        F2, used = compact(F2)
        whole = make_manifold(V[used], F2.astype(np.int32))
        V, F = _without_crumbs(whole.V, whole.F)
        slits = find_slits(V, F, trace_borders(V, F, SHORTEST_MM))
    lines = []
    V = share_step(V, F, slits)
    for slit in slits:
        V, F, line = bridge(V, F, slit)
        lines.append(line)
    repairs: dict[str, int | float] = {
        "slits_closed" if mode == "close" else "slits_kept": len(slits),
        "slit_length_mm": round(sum(s.length_mm for s in slits), 1),
        "slit_widest_mm": round(max(float(np.abs(s.gap).max()) for s in first), 1),
    }
    if trimmed:
        repairs["slit_faces_trimmed"] = trimmed
    return SlitResult(V=V, F=F, slits=tuple(lines), repairs=repairs, notes=tuple(notes))


def _without_crumbs(V: Array, F: NDArray[np.int32]) -> tuple[Array, NDArray[np.int32]]:
    """Drops the small loose pieces that trimming may leave."""
    part = face_components(F)
    area = np.bincount(part, face_areas(V, F))
    keep = area[part] > 0.01 * area.max()
    if keep.all():
        return V, F
    F2, used = compact(F[keep])
    return V[used], F2.astype(np.int32)


def _told(slit: SlitSides, mode: str) -> str:
    middle, most = float(np.median(slit.gap)), slit.gap[int(np.abs(slit.gap).argmax())]
    step = float(np.quantile(np.abs(slit.step), 0.75))
    ends = ["a rim" if mouth else "a point inside" for mouth in slit.mouths]
    if middle < -LAP_MM:
        how = f"laps by {-middle:.0f} mm (at most {-most:.0f})"
        more = "; the girths across it are shorter by that than they were on the wearer"
    elif step > 1.5 and step > abs(middle):
        how, more = f"is stepped by {step:.0f} mm", ""
    else:
        how = f"gapes by {middle:.0f} mm (at most {most:.0f})"
        more = "; the girths across it are longer by that than they were on the wearer"
    if step > 1.5 and "stepped" not in how:
        how += f", one side {step:.0f} mm higher"
    was = "closed" if mode == "close" else "kept as an opening seam"
    return (
        f"a slit of {slit.length_mm:.0f} mm from {ends[0]} near {place(slit.a.place[0])} to {ends[1]} near "
        f"{place(slit.a.place[-1])} {how}: {was}{more}; tape girths in the job set the size right"
    )
