"""Keeps the outside of an empty shell whose inside wall was scanned too.

The wall of a wrap is 1 to 2 mm thick, so the two sheets lie back to back: each point of one has a
point of the other close behind it that looks the opposite way. Which of the two is outside is told
by what can be seen from afar; the inside sees out only through the openings.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import KDTree

from flatten.geometry.sampling import Samples, sample_surface
from flatten.geometry.topology import face_components
from flatten.geometry.triangles import Array, Faces, face_areas
from flatten.scan.facing import seen_share

THICKEST_MM = 7.0
SPACING_MM = 4.0
STIFF_MM = 12.0  # a turn of one radian counts as so many millimetres in the search for partners
LEAST_SHARE = 0.015  # of the surface: less inside wall than that is a folded rim
SMALL_MM2 = 600.0


@dataclass(frozen=True, eq=False, kw_only=True)
class SheetResult:
    """F : the faces that stay (rows of the F given, in order); repairs, notes: what was left out"""

    F: NDArray[np.int32]
    repairs: Mapping[str, int | float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def outer_sheet(V: Array, F: Faces) -> SheetResult:
    """The mesh (mm) without the inside wall of a shell; a solid scan comes back as it is.

    The mesh may be of several parts, and the inside wall one of them: call this before small or
    second parts are judged. The faces of the inside may look inward or outward.
    """
    V = np.asarray(V, dtype=np.float64)
    F = np.asarray(F, dtype=np.int32)
    part = face_components(F)
    s = sample_surface(V, F, SPACING_MM, part)
    part_of = np.zeros(len(s.points), dtype=np.int64)
    part_of[s.of_face] = part
    partner, gap, behind = _partners(s, part_of)
    thin = partner >= 0
    if s.areas[thin].sum() < LEAST_SHARE * s.areas.sum():
        return SheetResult(F=F)
    seen = seen_share(s.points, s.normals, 2.5 * SPACING_MM)
    inside = np.zeros(len(s.points), dtype=bool)
    i = np.flatnonzero(thin)
    inside[i] = np.where(behind[i] == 0, seen[i] < seen[partner[i]] - 0.1, behind[i] > 0)
    face_inside = _settle(V, F, s, thin, inside, seen)
    if not face_inside.any():
        return SheetResult(F=F)
    areas = face_areas(V, F)
    share = float(areas[face_inside].sum() / areas.sum())
    if share < LEAST_SHARE:
        return SheetResult(F=F)
    wall = float(np.median(gap[inside & thin])) if (inside & thin).any() else 0.0
    return SheetResult(
        F=F[~face_inside],
        repairs={
            "inside_wall_faces": int(face_inside.sum()),
            "inside_wall_share_pct": round(100 * share, 1),
            "wall_mm": round(wall, 2),
        },
        notes=(
            f"the scan holds the inside of the shell too, {wall:.1f} mm behind the outside "
            f"({100 * share:.0f} % of the surface): the outside was kept",
        ),
    )


def _partners(s: Samples, part: NDArray[np.int64]) -> tuple[NDArray[np.int64], Array, Array]:
    """For each sample the one of the other sheet, or -1, and the wall's thickness there.

    The third is 0 where the sheets look opposite ways; where they look the same way, 1 if the
    sample lies behind its partner and -1 if before.
    """
    tree = KDTree(np.hstack([s.points, STIFF_MM * s.normals]))
    near = 2.0 * SPACING_MM + 1.2 * np.sqrt(s.areas)
    j = np.asarray(tree.query(np.hstack([s.points, -STIFF_MM * s.normals]))[1], dtype=np.int64)
    partner, across = _checked(s, j, near, -1.0)
    behind = np.zeros(len(s.points))
    labels = np.unique(part)
    if len(labels) > 1:
        # A loose inside sheet may look the same way as the outside.
        for label in labels[np.bincount(part)[labels] > 50]:
            mine = np.flatnonzero((part == label) & (partner < 0))
            other = np.flatnonzero(part != label)
            if not len(mine) or not len(other):
                continue
            close = KDTree(np.hstack([s.points[other], STIFF_MM * s.normals[other]]))
            _, k = close.query(np.hstack([s.points[mine], STIFF_MM * s.normals[mine]]))
            full = np.zeros(len(s.points), dtype=np.int64)
            full[mine] = other[k]
            same, same_across = _checked(s, full, near, 1.0)
            take = mine[same[mine] >= 0]
            partner[take], across[take] = same[take], same_across[take]
            behind[take] = np.sign(same_across[take])
    return partner, np.abs(across), behind


def _checked(
    s: Samples, j: NDArray[np.int64], near: Array, sense: float
) -> tuple[NDArray[np.int64], Array]:
    d = s.points[j] - s.points
    across = np.einsum("ij,ij->i", d, s.normals)
    aside = np.linalg.norm(d - across[:, None] * s.normals, axis=1)
    dot = sense * np.einsum("ij,ij->i", s.normals, s.normals[j])
    ok = (dot > 0.75) & (np.abs(across) < THICKEST_MM) & (aside < near)
    return np.where(ok, j, -1), across


def _settle(
    V: Array, F: NDArray[np.int32], s: Samples, thin: NDArray[np.bool_],
    inside: NDArray[np.bool_], seen: Array,
) -> NDArray[np.bool_]:  # fmt: skip
    """Which faces are inside: decided patch by patch, patches ending where the wall folds over."""
    n = np.cross(V[F[:, 1]] - V[F[:, 0]], V[F[:, 2]] - V[F[:, 0]])
    area = 0.5 * np.linalg.norm(n, axis=1)
    n /= np.maximum(2 * area[:, None], 1e-12)
    f, g = _neighbours(F)
    vote = np.where(thin, np.where(inside, -1.0, 1.0), 0.0)[s.of_face]
    bend = np.einsum("ij,ij->i", n[f], n[g])
    # Faces without a vote lie where the wall folds over: they must not lead from sheet to sheet.
    joined = (bend > 0.5) & (vote[f] == vote[g])
    graph = coo_matrix((np.ones(int(joined.sum())), (f[joined], g[joined])), shape=(len(F),) * 2)
    patch = connected_components(graph, directed=False)[1]
    weight = np.bincount(patch, area * vote)
    size = np.bincount(patch, area)
    state = np.where(np.abs(weight) > 0.1 * size, np.sign(weight), 0.0)
    # Small patches, and those without a vote, follow the neighbour they share most edges with.
    for _ in range(6):
        unsure = (state == 0) | (size < SMALL_MM2)
        a, b = patch[f], patch[g]
        cross = (a != b) & (unsure[a] | unsure[b])
        pull = np.zeros(len(size))
        np.add.at(pull, a[cross], np.where(unsure[b[cross]], 0.0, state[b[cross]]))
        np.add.at(pull, b[cross], np.where(unsure[a[cross]], 0.0, state[a[cross]]))
        change = unsure & (pull != 0)
        state[change] = np.sign(pull[change])
        size = np.where(change, SMALL_MM2, size)
        if not change.any():
            break
    loose = state == 0
    if loose.any():
        mean_seen = np.bincount(patch, area * seen[s.of_face]) / np.maximum(
            np.bincount(patch, area), 1e-12
        )
        state[loose] = np.where(mean_seen[loose] < 0.3, -1.0, 1.0)
    return state[patch] < 0


def _neighbours(F: NDArray[np.int32]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of faces that share an edge."""
    e = np.sort(np.concatenate([F[:, [0, 1]], F[:, [1, 2]], F[:, [2, 0]]]), axis=1).astype(np.int64)
    face = np.tile(np.arange(len(F)), 3)
    key = e[:, 0] * (int(F.max()) + 1) + e[:, 1]
    order = np.argsort(key, kind="stable")
    same = key[order][1:] == key[order][:-1]
    return face[order][:-1][same], face[order][1:][same]
