"""Trim lines: the garment ends there, and what lies beyond is dropped."""

from collections.abc import Sequence

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from flatten.errors import BadInput
from flatten.geometry.editmesh import EditMesh
from flatten.geometry.triangles import face_areas


@njit(cache=True)
def flood(F, A, C, blocks):
    """(m,) number of the part each face belongs to, parts ending at edges whose line blocks.

    Removed faces get -1. `blocks` says so for every line; the label of an edge is 2 line + side.
    """
    part = np.full(len(F), -1, np.int64)
    stack = np.empty(len(F), np.int64)
    parts = 0
    for seed in range(len(F)):
        if F[seed, 0] < 0 or part[seed] >= 0:
            continue
        part[seed] = parts
        stack[0] = seed
        top = 1
        while top > 0:
            top -= 1
            f = stack[top]
            for i in range(3):
                g = A[f, i]
                if g < 0 or part[g] >= 0 or (C[f, i] >= 0 and blocks[C[f, i] // 2]):
                    continue
                part[g] = parts
                stack[top] = g
                top += 1
        parts += 1
    return part


def drop_beyond(
    mesh: EditMesh, trims: Sequence[int], names: Sequence[str], notes: list[str]
) -> list[tuple[list[int], NDArray[np.int64]]]:
    """Removes what lies beyond the trim lines, in place; says so in `notes`.

    Trim lines that touch one another act as one. Of the parts that meet along it the largest
    (with all that hangs on it) is kept. `trims` are the lines' indices, `names` all lines' names.

    Returns
    -------
    for every such group of lines: its lines, and the (b, 2) border edges it made, surface on the
    left

    Raises
    ------
    BadInput : a trim line does not part anything from the rest
    """
    m = int(mesh.used[1])
    F, A, C = mesh.F[:m], mesh.A[:m], mesh.C[:m]
    blocks = np.zeros(len(names), dtype=np.bool_)
    blocks[list(trims)] = True
    part = flood(F, A, C, blocks)
    f, i = np.nonzero((C >= 0) & (A >= 0))
    of_trim = blocks[C[f, i] // 2]
    f, i = f[of_trim], i[of_trim]
    line = (C[f, i] // 2).astype(np.int64)
    here, there = part[f], part[A[f, i]]
    group = _groups(trims, line, F[f, i], F[f, (i + 1) % 3])
    area = np.bincount(part, face_areas(mesh.V, F), minlength=int(part.max()) + 1)
    drop = np.zeros(len(area), dtype=bool)
    for g in sorted(set(group.values())):
        lines = [t for t in trims if group[t] == g]
        own = np.isin(line, lines)
        sides = _sides(len(area), here[~own], there[~own])
        meeting = np.unique(sides[here[own]])
        if len(meeting) < 2:
            raise BadInput(
                "the trim line parts nothing from the rest",
                f"line '{names[lines[0]]}'",
                "close it, or lead both its ends to a rim",
            )
        size = np.bincount(sides, area)
        kept = meeting[size[meeting].argmax()]
        drop |= np.isin(sides, meeting[meeting != kept])
    gone = drop[part]
    made = []
    for g in sorted(set(group.values())):
        lines = [t for t in trims if group[t] == g]
        edge = np.isin(line, lines) & ~gone[f] & gone[A[f, i]]
        made.append((lines, np.column_stack([F[f[edge], i[edge]], F[f[edge], (i[edge] + 1) % 3]])))
        which = ", ".join(names[t] for t in lines)
        notes.append(f"trim {which}: the garment ends there")
    lost = float(area[drop].sum())
    notes.append(f"trimmed off {lost / 100:.0f} cm² of {float(area.sum()) / 100:.0f} cm²")
    across_gone = (A >= 0) & gone[A]
    A[across_gone] = -1
    C[(C >= 0) & blocks[C // 2]] = -1
    F[gone] = -1
    mesh.star[: mesh.used[0]] = -1
    kept_faces = np.flatnonzero(~gone)
    mesh.star[F[kept_faces].ravel()] = np.repeat(kept_faces, 3)
    return made


def _groups(
    trims: Sequence[int],
    line: NDArray[np.int64],
    start: NDArray[np.int64],
    end: NDArray[np.int64],
) -> dict[int, int]:
    """Group of each trim line; lines that share a vertex are in one."""
    vertex = np.concatenate([start, end])
    owner = np.concatenate([line, line])
    order = np.argsort(vertex, kind="stable")
    same = vertex[order][1:] == vertex[order][:-1]
    a, b = owner[order][:-1][same], owner[order][1:][same]
    n = max(trims) + 1
    label = connected_components(coo_matrix((np.ones(len(a)), (a, b)), shape=(n, n)))[1]
    return {t: int(label[t]) for t in trims}


def _sides(parts: int, here: NDArray[np.int64], there: NDArray[np.int64]) -> NDArray[np.int64]:
    """Which parts hang together when joined across all other trim lines."""
    graph = coo_matrix((np.ones(len(here)), (here, there)), shape=(parts, parts))
    return connected_components(graph, directed=False)[1]
