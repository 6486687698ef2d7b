"""Trim lines: the garment ends there, and what lies beyond is dropped."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from flatten.errors import BadInput
from flatten.geometry.editmesh import EditMesh
from flatten.geometry.triangles import face_areas


def parts_of(
    F: NDArray[np.int64], A: NDArray[np.int64], open_edges: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """(m,) which part each face belongs to, numbered by their first faces; -1 for removed faces.

    F (m, 3), A (m, 3) faces across edges; parts end at borders and at `open_edges` (m, 3).
    """
    f, i = np.nonzero((A >= 0) & ~open_edges)
    m = len(F)
    graph = coo_array((np.ones(len(f), dtype=np.bool_), (f, A[f, i])), shape=(m, m))
    label = connected_components(graph, directed=False)[1]
    there = np.flatnonzero(F[:, 0] >= 0)
    _, first, inverse = np.unique(label[there], return_index=True, return_inverse=True)
    part = np.full(m, -1, dtype=np.int64)
    part[there] = np.argsort(np.argsort(first))[inverse]
    return part


@dataclass(frozen=True, eq=False, kw_only=True)
class TrimmedEdge:
    """What a trim line made.

    edges : (b, 2) new border edges, surface on the left; beyond : (c, 2) border edges cut off
    """

    line: int
    edges: NDArray[np.int64]
    beyond: NDArray[np.int64]


def drop_beyond(
    mesh: EditMesh, trims: Sequence[int], names: Sequence[str], notes: list[str]
) -> list[TrimmedEdge]:
    """Removes what lies beyond the trim lines, in place; says so in `notes`.

    The garment is the part that most trim lines bound; of two such, the one with more of the other
    lines and of the surface. `trims` are the lines' indices, `names` all lines' names.

    Returns
    -------
    one for every group of trim lines that touch one another

    Raises
    ------
    BadInput : a trim line does not part anything from the rest
    """
    m = int(mesh.used[1])
    F, A, C = mesh.F[:m], mesh.A[:m], mesh.C[:m]
    blocks = np.zeros(len(names), dtype=np.bool_)
    blocks[list(trims)] = True
    part = parts_of(F, A, (C >= 0) & blocks[C // 2])
    f, i = np.nonzero((C >= 0) & (A >= 0))
    start, end, line = F[f, i], F[f, (i + 1) % 3], C[f, i] // 2
    here, there = part[f], part[A[f, i]]
    length = np.linalg.norm(mesh.V[end] - mesh.V[start], axis=1)
    of_trim = blocks[line]
    area = np.bincount(part, face_areas(mesh.V, F))
    drawn = np.bincount(here[~of_trim], length[~of_trim], minlength=len(area))
    bounds = np.zeros(len(area))
    groups = _groups(trims, line[of_trim], start[of_trim], end[of_trim])
    for lines in groups:
        meeting = np.unique(here[np.isin(line, lines) & (here != there)])
        if len(meeting) == 0:
            raise BadInput(
                "the trim line parts nothing from the rest",
                f"line '{names[lines[0]]}'",
                "close it, or lead both its ends to a rim",
            )
        bounds[meeting] += 1
    share = area / area.sum() + drawn / max(float(drawn.sum()), 1e-300)
    kept = int(np.lexsort((-share, -bounds))[0])
    gone = part != kept
    beyond = _clusters(len(area), here, there, kept)
    border_face, border_edge = np.nonzero((A < 0) & (F[:, :1] >= 0))
    rims = np.column_stack([
        F[border_face, border_edge], F[border_face, (border_edge + 1) % 3]
    ])  # fmt: skip
    made = []
    for lines in groups:
        edge = np.isin(line, lines) & (here == kept) & (there != kept)
        lost = np.isin(beyond[part[border_face]], beyond[there[edge]])
        made.append(
            TrimmedEdge(
                line=lines[0],
                edges=np.column_stack([start[edge], end[edge]]),
                beyond=rims[lost],
            )
        )
        which = ", ".join(names[t] for t in lines)
        notes.append(f"trim {which}: the garment ends there")
    off = float(area.sum() - area[kept])
    notes.append(f"trimmed off {off / 100:.0f} cm² of {float(area.sum()) / 100:.0f} cm²")
    A[(A >= 0) & gone[A]] = -1
    C[(C >= 0) & blocks[C // 2]] = -1
    F[gone] = -1
    mesh.star[: mesh.used[0]] = -1
    left = np.flatnonzero(~gone)
    mesh.star[F[left].ravel()] = np.repeat(left, 3)
    return made


def _groups(
    trims: Sequence[int],
    line: NDArray[np.int64],
    start: NDArray[np.int64],
    end: NDArray[np.int64],
) -> list[list[int]]:
    """The trim lines in groups; lines that share a vertex are in one."""
    vertex = np.concatenate([start, end])
    owner = np.concatenate([line, line])
    order = np.argsort(vertex, kind="stable")
    same = vertex[order][1:] == vertex[order][:-1]
    a, b = owner[order][:-1][same], owner[order][1:][same]
    n = max(trims) + 1
    label = connected_components(coo_array((np.ones(len(a)), (a, b)), shape=(n, n)))[1]
    return [[t for t in trims if label[t] == g] for g in dict.fromkeys(label[list(trims)])]


def _clusters(
    parts: int, here: NDArray[np.int64], there: NDArray[np.int64], kept: int
) -> NDArray[np.int64]:
    """Which parts hang together once the kept one is away."""
    apart = (here != kept) & (there != kept)
    graph = coo_array((np.ones(apart.sum()), (here[apart], there[apart])), shape=(parts, parts))
    return connected_components(graph, directed=False)[1].astype(np.int64)
