"""From the file's triangles to clean shells, in the file's own numbers."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.geometry.triangles import Array
from flatten.records.job import KeepBox
from flatten.records.scan import Scan
from flatten.scan.crop import crop
from flatten.scan.manifold import make_manifold
from flatten.scan.shells import drop_islands
from flatten.scan.weld import keep_used, weld


@dataclass(frozen=True, eq=False, kw_only=True)
class Mended:
    """An oriented manifold without small islands; perhaps still of several large parts.

    V (n, 3) file numbers, F (m, 3); part (m,) which part each face belongs to
    """

    V: Array
    F: NDArray[np.int32]
    part: NDArray[np.int32]
    repairs: dict[str, int] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def mend(scan: Scan, keep: KeepBox | None) -> Mended:
    """Crops, welds, drops what is no surface, pairs faces, drops islands.

    Raises
    ------
    BadInput : nothing is left, or the triangles make no surface (see make_manifold)
    """
    V, F = scan.V, scan.F
    if keep is not None:
        V, F = crop(V, F, np.minimum(keep.low, keep.high), np.maximum(keep.low, keep.high))
        if not len(F):
            raise BadInput(
                "no part of the scan lies in the box to keep",
                "scan.keep",
                f"the scan reaches from {scan.V.min(axis=0)} to {scan.V.max(axis=0)}",
            )
    V, F, repairs = weld(V, F)
    if not len(F):
        raise BadInput("no face has an area", scan.name, "export the scan again as a mesh")
    solid = make_manifold(V, F)
    islands = drop_islands(solid.V, solid.F, solid.part)
    V, F = keep_used(solid.V, solid.F[islands.keep])
    return Mended(
        V=V,
        F=F,
        part=islands.part,
        repairs=repairs | solid.counts | islands.counts,
        notes=islands.notes,
    )
