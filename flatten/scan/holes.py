"""Tells holes in the scan from the cast's openings, and fills the holes."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.geometry.halfedges import border_cycles, opposites
from flatten.geometry.triangles import Array, face_areas, vertex_normals
from flatten.scan.loops import flatness, loop_length, smooth_curve

Ints = NDArray[np.int32]

# Lengths are compared with the square root of the surface's area, which is about the girth of a
# limb or a body. A border shorter than SMALL of it is a hole; up to MEDIUM it is one when it lies
# flush in the surface, as a hole does; the rim of an opening stands across the limb.
SMALL, MEDIUM, FLUSH = 0.15, 0.55, 0.72
TINY = 0.12
_LONGEST_FILL = 1500


@dataclass(frozen=True, eq=False, kw_only=True)
class Border:
    """One border loop and what it was taken for.

    vertices : (k,) in order, the surface on the left
    smooth_length : with raggedness smoothed out; flush : 0 the surface stands across the loop's
    plane (a tube's end) to 1 it lies in it (a hole)
    """

    vertices: Ints
    length: float
    smooth_length: float
    flatness: float
    flush: float
    centre: Array
    hole: bool


def find_borders(V: Array, F: Ints, reach: float) -> list[Border]:
    """Every border loop, longest first; `reach` is how far raggedness is smoothed, mm."""
    loops = border_cycles(F, opposites(F, len(V)))
    if not loops:
        return []
    N = vertex_normals(V, F)
    size = float(np.sqrt(face_areas(V, F).sum()))
    borders = []
    for loop in loops:
        P = V[loop]
        smooth = smooth_curve(P, reach)
        centre, axis, rms = flatness(smooth)
        length = loop_length(smooth)
        # Looked at a little way in: the very edge may be turned over or torn.
        beside = KDTree(P).query(V, distance_upper_bound=reach)[0] < reach
        flush = float(np.abs(N[beside] @ axis).mean())
        hole = length < SMALL * size or (length < MEDIUM * size and flush > FLUSH)
        borders.append(
            Border(
                vertices=loop,
                length=loop_length(P),
                smooth_length=length,
                flatness=rms,
                flush=flush,
                centre=centre,
                hole=hole,
            )
        )
    return sorted(borders, key=lambda b: -b.smooth_length)


@njit(cache=True)
def _least_area(P, banned):
    # Triangulation of a closed polygon in space with the least sum of squared-perimeter-weighted
    # areas; `banned[i, j]`: no new edge between corners i and j.
    k = len(P)
    cost = np.zeros((k, k))
    split = np.zeros((k, k), np.int32)
    for span in range(2, k):
        for i in range(k - span):
            j = i + span
            best, where = np.inf, -1
            if not (banned[i, j] and span < k - 1):
                for m in range(i + 1, j):
                    total = cost[i, m] + cost[m, j]
                    if total >= best:
                        continue
                    ux, uy, uz = P[m, 0] - P[i, 0], P[m, 1] - P[i, 1], P[m, 2] - P[i, 2]
                    vx, vy, vz = P[j, 0] - P[i, 0], P[j, 1] - P[i, 1], P[j, 2] - P[i, 2]
                    wx, wy, wz = vx - ux, vy - uy, vz - uz
                    x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
                    area = 0.5 * np.sqrt(x * x + y * y + z * z)
                    sides = ux * ux + uy * uy + uz * uz + vx * vx + vy * vy + vz * vz
                    sides += wx * wx + wy * wy + wz * wz
                    total += area + 0.02 * sides
                    if total < best:
                        best, where = total, m
            cost[i, j] = best
            split[i, j] = where
    faces = np.empty((k - 2, 3), np.int32)
    if not np.isfinite(cost[0, k - 1]):
        return faces[:0]
    stack = np.empty((k, 2), np.int32)
    stack[0, 0], stack[0, 1] = 0, k - 1
    top, count = 1, 0
    while top > 0:
        top -= 1
        i, j = stack[top, 0], stack[top, 1]
        if j - i < 2:
            continue
        m = split[i, j]
        faces[count, 0], faces[count, 1], faces[count, 2] = i, m, j
        count += 1
        stack[top, 0], stack[top, 1] = i, m
        stack[top + 1, 0], stack[top + 1, 1] = m, j
        top += 2
    return faces


def fill_loops(V: Array, F: Ints, loops: Sequence[Ints]) -> tuple[Array, Ints, NDArray[np.bool_]]:
    """Closes the given border loops with triangles between their own corners, or round a new centre.

    Barequet and Sharir, Filling gaps in the boundary of a polyhedron, CAGD 12(2), 1995 (least-area
    triangulation by dynamic programming).

    Returns
    -------
    V, F : with the new faces at the end; patch : (m,) bool, which faces are new
    """
    new: list[NDArray[np.integer]] = []
    extra: list[Array] = []
    edges = _edge_keys(F, len(V)) if len(loops) else None
    for loop in loops:
        k = len(loop)
        faces = np.zeros((0, 3), dtype=np.int32)
        if edges is not None and 3 <= k <= _LONGEST_FILL:
            # The border runs with the surface on its left; seen from outside, the filling runs the
            # other way round it.
            ring = loop[::-1]
            pairs = np.sort(np.stack(np.meshgrid(ring, ring, indexing="ij"), -1), axis=2)
            banned = np.isin(pairs[..., 0].astype(np.int64) * len(V) + pairs[..., 1], edges)
            faces = ring[_least_area(np.ascontiguousarray(V[ring]), banned)]
        if not len(faces):
            tip = len(V) + len(extra)
            extra.append(V[loop].mean(axis=0))
            faces = np.column_stack([np.roll(loop, -1), loop, np.full(k, tip)])
        new.append(faces)
    patch = np.zeros(len(F) + sum(map(len, new)), dtype=bool)
    patch[len(F) :] = True
    V = np.concatenate([V, *(p[None] for p in extra)]) if extra else V
    F = np.concatenate([F, *new]).astype(np.int32) if new else F
    return V, F, patch


def _edge_keys(F: Ints, n: int) -> NDArray[np.int64]:
    """Keys of the edges whose both ends lie on a border: all that a filling could double."""
    twin = opposites(F, n)
    border = np.zeros(n, dtype=bool)
    flat, after = F.ravel(), np.roll(F, -1, axis=1).ravel()
    h = twin < 0
    border[flat[h]] = border[after[h]] = True
    h = border[flat] & border[after]
    low, high = np.minimum(flat[h], after[h]), np.maximum(flat[h], after[h])
    return np.unique(low.astype(np.int64) * n + high)


def tell_holes(lengths: Sequence[float]) -> str:
    """The holes that are filled, longest first, in one sentence."""
    longest = sorted(lengths, reverse=True)
    sizes = ", ".join(f"{mm:.0f}" for mm in longest[:6])
    more = f" and {len(longest) - 6} smaller" if len(longest) > 6 else ""
    many = "s" if len(longest) > 1 else ""
    return f"{len(longest)} hole{many} filled, round their edges {sizes} mm{more}"


def fill_small(V: Array, F: Ints) -> tuple[Array, Ints, Array, tuple[float, ...]]:
    """Closes the borders that are so short that they can be no opening and no slit.

    Returns
    -------
    V, F : with the new faces at the end; centres (k, 3) of the new faces; lengths of the borders
    """
    limit = TINY * float(np.sqrt(face_areas(V, F).sum()))
    loops = border_cycles(F, opposites(F, len(V)))
    lengths = [loop_length(V[loop]) for loop in loops]
    small = [i for i, mm in enumerate(lengths) if mm < limit]
    V, F, new = fill_loops(V, F, [loops[i] for i in small])
    return V, F, V[F[new]].mean(axis=1), tuple(lengths[i] for i in small)
