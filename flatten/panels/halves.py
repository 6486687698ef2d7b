"""Cuts a cast that is its own mirror image alike on both sides: one half is evened, then mirrored.

Evening the triangles along cuts depends on the order of edits; left and right would differ by it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.geometry.editmesh import EditMesh
from flatten.panels.arcs import Arc, trace_arcs

FLIP = np.array([-1.0, 1.0, 1.0])
_SAME_MM = 1e-6


@dataclass(frozen=True, eq=False, kw_only=True)
class Halves:
    """The arcs of a mirrored mesh, parted where they cross the plane x = 0.

    pieces : parts of the arcs, then the plane's own stretches between them
    parts : for every arc, its pieces in order
    model : for every piece the one on the left, or in the plane, that it mirrors (itself there)
    back : whether it runs the other way than the mirror image of that
    """

    pieces: list[Arc]
    parts: list[list[int]]
    model: list[int]
    back: list[bool]


@dataclass(frozen=True, eq=False, kw_only=True)
class Mirrored:
    """V (n, 3), N (n, 3), F (m, 3): the left half and its mirror image; arcs : as they run then."""

    V: NDArray[np.float64]
    N: NDArray[np.float64]
    F: NDArray[np.int64]
    arcs: list[Arc]


def part_halves(mesh: EditMesh, arcs: Sequence[Arc]) -> Halves | None:
    """The halves of a mesh with its cuts in it, the plane's edges labelled as a cut, in place.

    None, and nothing done, where the mesh or its cuts are no exact mirror image of themselves.
    """
    if not arcs:
        return None
    faces = np.flatnonzero(mesh.F[: mesh.used[1], 0] >= 0)
    F = mesh.F[faces]
    V = mesh.V[: mesh.used[0]]
    used = np.unique(F)
    flat = np.abs(V[:, 0]) < _SAME_MM
    right = (V[F, 0] < 0) & ~flat[F]
    left = (V[F, 0] > 0) & ~flat[F]
    if (left.any(axis=1) & right.any(axis=1)).any():
        return None
    if KDTree(V[used]).query(V[used] * FLIP)[0].max() > _SAME_MM:
        return None
    pieces: list[Arc] = []
    parts: list[list[int]] = []
    for arc in arcs:
        chains = _parted(arc.vertices, flat)
        parts.append(list(range(len(pieces), len(pieces) + len(chains))))
        pieces += [Arc(line=arc.line, rim=arc.rim, vertices=chain) for chain in chains]
    found = _models(V, flat, pieces)
    if found is None:
        return None
    V[flat, 0] = 0.0
    f, i = np.nonzero(flat[F] & flat[np.roll(F, -1, axis=1)])
    plain = (mesh.C[faces[f], i] < 0) & (mesh.A[faces[f], i] >= 0) & left[f].any(axis=1)
    f, i = f[plain], i[plain]
    edges = np.column_stack([F[f, i], F[f, (i + 1) % 3], np.zeros(len(f), dtype=np.int64)])
    nodes = [v for piece in pieces for v in piece.vertices[flat[piece.vertices]].tolist()]
    none = np.empty((0, 2), dtype=np.int64)
    plane = trace_arcs(edges, none, np.empty(0, dtype=np.int64), nodes, {})
    across = mesh.A[faces[f], i]
    mesh.C[faces[f], i] = 0
    g, j = np.nonzero(mesh.A[across] == faces[f][:, None])
    mesh.C[across[g], j] = 0
    pieces += [Arc(line=-1, rim=-1, vertices=p.vertices) for p in plane]
    return Halves(pieces=pieces, parts=parts, model=found[0], back=found[1])


def join_halves(
    mesh: EditMesh,
    normals: NDArray[np.float64],
    chains: Sequence[Arc],
    halves: Halves,
    arcs: Sequence[Arc],
) -> Mirrored | None:
    """The evened left half with its mirror image; None where it does not end in the plane.

    chains : the pieces as they run now
    """
    F = mesh.F[: mesh.used[1]]
    F = F[F[:, 0] >= 0]
    F = F[mesh.V[F, 0].sum(axis=1) > 0]
    old = np.unique(F)
    V, N = mesh.V[old], normals[old].copy()
    V[np.abs(V[:, 0]) < _SAME_MM, 0] = 0.0
    if V[:, 0].min() < 0.0:
        return None
    new = np.full(len(mesh.V), -1, dtype=np.int64)
    new[old] = np.arange(len(old))
    G = new[F]
    on = V[:, 0] == 0.0
    twin = np.where(on, np.arange(len(V)), len(V) + np.cumsum(~on) - 1)
    N[on, 0] = 0.0
    N[on] /= np.linalg.norm(N[on], axis=1, keepdims=True)
    made: list[Arc] = []
    for arc, parts in zip(arcs, halves.parts, strict=True):
        rows = []
        for k in parts:
            chain = new[chains[halves.model[k]].vertices]
            if (chain < 0).any():
                return None
            if halves.model[k] != k:
                chain = twin[chain[::-1] if halves.back[k] else chain]
            rows.append(chain if not rows else chain[1:])
        made.append(Arc(line=arc.line, rim=arc.rim, vertices=np.concatenate(rows)))
    return Mirrored(
        V=np.concatenate([V, V[~on] * FLIP]),
        N=np.concatenate([N, N[~on] * FLIP]),
        F=np.concatenate([G, twin[G[:, ::-1]]]),
        arcs=made,
    )


def _parted(chain: NDArray[np.int64], flat: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    """A chain of vertices parted wherever it enters, leaves or crosses the plane."""
    on = flat[chain]
    if chain[0] == chain[-1] and on.any() and not on[0]:
        start = int(np.argmax(on))
        chain = np.concatenate([chain[start:-1], chain[: start + 1]])
        on = flat[chain]
    inside = np.arange(1, len(chain) - 1)
    stops = inside[on[inside] & ~(on[inside - 1] & on[inside + 1])]
    ends = [0, *stops.tolist(), len(chain) - 1]
    return [chain[a : b + 1] for a, b in pairwise(ends)]


def _models(
    V: NDArray[np.float64], flat: NDArray[np.bool_], pieces: Sequence[Arc]
) -> tuple[list[int], list[bool]] | None:
    """The model of every piece and whether it runs back; None where one has none."""
    model = list(range(len(pieces)))
    back = [False] * len(pieces)
    middles = np.array([V[p.vertices[~flat[p.vertices]]].sum(axis=0) for p in pieces])
    for k, piece in enumerate(pieces):
        if middles[k, 0] >= 0:
            continue
        for m in np.flatnonzero(np.abs(middles - middles[k] * FLIP).max(axis=1) < 1e-3).tolist():
            P, Q = V[piece.vertices], V[pieces[m].vertices] * FLIP
            if len(P) != len(Q):
                continue
            for way in (False, True):
                if np.abs(P - (Q[::-1] if way else Q)).max() < _SAME_MM:
                    model[k], back[k] = m, way
        if model[k] == k:
            return None
    return model, back
