"""Which connected parts of a scan are the cast: the largest, unless a second is large too."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.geometry.triangles import Array, face_areas
from flatten.scan.manifold import Ints, place

# A second part with more than this share of the largest one's area is not dropped unasked.
SECOND_SHARE = 0.2


@dataclass(frozen=True, eq=False, kw_only=True)
class Kept:
    """keep : (m,) bool, the faces that stay; part : the label, from 0, of each of those, the largest
    part first; counts and notes on what was left out"""

    keep: NDArray[np.bool_]
    part: Ints
    counts: dict[str, int] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def large_parts(V: Array, F: Ints, part: NDArray[np.integer]) -> NDArray[np.int64]:
    """Labels of the largest part and of those that are not small beside it, largest first."""
    area = np.bincount(part, face_areas(V, F))
    order = np.argsort(-area, kind="stable")
    return order[area[order] > SECOND_SHARE * area[order[0]]]


def drop_islands(V: Array, F: Ints, part: Ints) -> Kept:
    """Leaves out every part that is small beside the largest."""
    large = large_parts(V, F, part)
    label = np.full(int(part.max()) + 1, -1, dtype=np.int32)
    label[large] = np.arange(len(large), dtype=np.int32)
    keep = label[part] >= 0
    left = label[part[keep]]
    gone = np.flatnonzero(label < 0)
    if not len(gone):
        return Kept(keep=keep, part=left)
    area = np.bincount(part, face_areas(V, F))
    worst = gone[np.argmax(area[gone])]
    share = 100 * area[worst] / area.sum()
    notes = ()
    if share >= 0.1:
        at = V[F[part == worst]].mean(axis=(0, 1))
        notes = (
            f"{len(gone)} loose part{'s' if len(gone) > 1 else ''} left out, the largest "
            f"{share:.1f} % of the surface, near {place(at)}",
        )
    counts = {"islands": len(gone), "faces_on_islands": int(np.count_nonzero(~keep))}
    return Kept(keep=keep, part=left, counts=counts, notes=notes)


def refuse_second_shell(V: Array, F: Ints, part: NDArray[np.integer]) -> None:
    """One large part, or a question.

    V is in file numbers, so that the boxes named can be used as they are.

    Raises
    ------
    BadInput : two or more large parts; each is named with its size and the box that would keep it
    """
    large = large_parts(V, F, part)
    if len(large) < 2:
        return
    total = face_areas(V, F)
    area = np.bincount(part, total) / total.sum()
    said = []
    for k in large.tolist():
        P = V[F[part == k]].reshape(-1, 3)
        low, high = P.min(axis=0), P.max(axis=0)
        margin = 0.005 * (high - low)
        said.append(
            f"one of {np.count_nonzero(part == k)} faces, {100 * area[k]:.0f} % of the surface, "
            f"at {place(P.mean(axis=0))}, kept by keep = {{ low = {_list(low - margin)}, "
            f"high = {_list(high + margin)} }}"
        )
    raise BadInput(
        f"the scan holds {len(large)} large separate shells: {'; '.join(said)}",
        "scan.keep",
        "say which one is the cast with [scan] keep, or give each its own file",
    )


def _list(p: Array) -> str:
    return "[" + place(p)[1:-1] + "]"
