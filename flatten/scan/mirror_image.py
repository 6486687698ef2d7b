"""Makes a nearly symmetric cast an exact mirror image of itself, vertex by vertex, in x = 0."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.errors import BadInput
from flatten.geometry.boxtree import box_tree, nearest_points
from flatten.geometry.halfedges import group_half_edges
from flatten.geometry.smoothing import border_mask, fair
from flatten.geometry.triangles import Array, vertex_normals
from flatten.records.cast import Symmetry
from flatten.scan.crop import half_space
from flatten.scan.remesh import remesh
from flatten.scan.sizing import by_bends
from flatten.scan.symmetry import search_mirror
from flatten.scan.weld import keep_used

Ints = NDArray[np.int32]

FLIP = np.array([-1.0, 1.0, 1.0])
# Waves of the difference between the sides that are shorter than this are not followed: they are
# the mesh's, or noise.
_WAVE_MM = 40.0
# Beside a rim the surface follows it over so many times the rim's own move.
_BLEND = 3.0
_BLEND_EDGES = 3.0
# A counterpart that looks another way, or lies farther aside than this share of its distance off
# the surface's normal, is none: the surface ends there.
_FACING = 0.5
_TOLD_MM = 5.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Evened:
    """V (n, 3), F (m, 3): the averaged cast, mirrored in x = 0; notes: what was done to it."""

    V: Array
    F: Ints
    notes: tuple[str, ...]


def mirror_plane(V: Array, F: Ints, within_mm: float) -> Symmetry:
    """The cast's mirror plane, if it mirrors the cast within `within_mm` rms.

    Raises
    ------
    BadInput : it does not, or the cast is a limb that every plane mirrors about as well
    """
    search = search_mirror(V, F)
    found, best = search.found, search.best
    if found is not None and found.rms_mm <= within_mm:
        return found
    if best is None:
        what = "no plane between left and right (within 20 degrees) mirrors 70 % of it"
    elif best.rms_mm > within_mm:
        what = f"it misses its mirror image by {best.rms_mm:.1f} mm rms, {within_mm:g} are allowed"
    else:
        what = f"other planes mirror it about as well ({best.rms_mm:.1f} mm rms), as on a limb"
    raise BadInput(
        f"the cast is not symmetric: {what}",
        "scan.symmetric",
        "leave symmetric out and draw both sides, or crop what only one side has with [scan.keep]",
    )


def to_plane(plane: Symmetry) -> Array:
    """(4, 4) rigid: brings the plane to x = 0, by the least turn."""
    n = plane.normal * (1.0 if plane.normal[0] >= 0 else -1.0)
    axis = np.cross(n, [1.0, 0.0, 0.0])
    K = np.array(
        [[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]], dtype=np.float64
    )
    M = np.eye(4)
    M[:3, :3] += K + K @ K / (1.0 + n[0])
    M[0, 3] = -float(plane.point @ n)
    return M


def average_sides(V: Array, F: Ints, edge_mm: float) -> Evened:
    """A cast whose mirror plane is x = 0, averaged with its mirror image.

    Every point moves half way to the mirrored surface, along the normals; points of a rim half
    way to the mirrored rim, and the surface beside it follows. The wearer's left half is kept and
    mirrored.

    Raises
    ------
    BadInput : as `mirror_halves` says
    """
    N = vertex_normals(V, F)
    tree = box_tree(V, F)
    # The nearest point of the mirrored surface, found by mirroring the point instead.
    hit, face = nearest_points(tree, V * FLIP, N * FLIP, _FACING)
    off = hit * FLIP - V
    along = np.einsum("ij,ij->i", off, N)
    aside = np.linalg.norm(off - along[:, None] * N, axis=1)
    move = 0.5 * along[:, None] * N
    free = (face < 0) | (aside > 0.5 * np.abs(along) + 0.5 * edge_mm)
    rim = border_mask(F, len(V))
    notes: list[str] = []
    if rim.any():
        at = np.flatnonzero(rim)
        half, farthest = _rim_moves(V[at])
        move[at] = half
        reach = np.maximum(_BLEND * np.linalg.norm(half, axis=1), _BLEND_EDGES * edge_mm)
        distance, near = KDTree(V[at]).query(V)
        free |= (distance < reach[near]) & ~rim
        free &= ~rim
        if farthest > _TOLD_MM:
            notes.append(_rim_note(V[at], 2 * half, V.mean(axis=0)))
    weight = np.full(len(V), (2 * np.pi / _WAVE_MM) ** 4)
    move[free] = 0.0
    move = fair(V, F, weight, free=free, field=move)
    X, G = mirror_halves(V + move, F, edge_mm)
    shift = np.abs(np.einsum("ij,ij->i", move, N))
    notes.insert(
        0,
        f"left and right averaged (symmetric = true): the surface was moved by "
        f"{np.sqrt((shift**2).mean()):.1f} mm rms, {shift.max():.1f} mm at most",
    )
    return Evened(V=X, F=G, notes=tuple(notes))


def _rim_moves(P: Array) -> tuple[Array, float]:
    """Half the way from each rim point to the mirrored rims, and the farthest whole way."""
    _, near = KDTree(P).query(P * FLIP)
    whole = P[near] * FLIP - P
    return 0.5 * whole, float(np.linalg.norm(whole, axis=1).max())


def _rim_note(P: Array, whole: Array, middle: Array) -> str:
    """Where the rims of the two sides differ most, and on which side the cast reaches farther."""
    size = np.linalg.norm(whole, axis=1)
    worst = int(np.argmax(size))
    x, y, z = P[worst]
    left = (x > 0) == (float(whole[worst] @ (middle - P[worst])) > 0)
    return (
        f"the cast reaches up to {size[worst]:.0f} mm farther on its {'left' if left else 'right'}"
        f" than on the other side (rim near x {abs(x):.0f}, y {y:.0f}, z {z:.0f} in the cast's"
        " frame): the averaged rim lies half way"
    )


def mirror_halves(V: Array, F: Ints, edge_mm: float) -> tuple[Array, Ints]:
    """The half x >= 0, evenly meshed, and its mirror image, welded in x = 0 exactly.

    Raises
    ------
    BadInput : the cast meets the plane in such a way that the halves make no manifold
    """
    # What lies very near the plane is cut to it, so that no slivers are left along it.
    V = V.copy()
    V[np.abs(V[:, 0]) < 0.2 * edge_mm, 0] = 0.0
    X, G = half_space(V, F, V[:, 0])
    X[len(V) :, 0] = 0.0
    X, G = _tidy(X, _welded(X, G))
    even = remesh(X, G, edge_mm, rounds=2, finer=by_bends(edge_mm))
    X, G = even.V.copy(), even.F
    on = border_mask(G, len(X)) & (np.abs(X[:, 0]) < 1e-6 * edge_mm)
    X[on, 0] = 0.0
    X, G = _tidy(X, G)
    on = X[:, 0] == 0.0
    if X[:, 0].min() < 0.0 or not on.any():
        raise _unmirrorable()
    twin = np.where(on, np.arange(len(X)), len(X) + np.cumsum(~on) - 1)
    Y = np.concatenate([X, X[~on] * FLIP])
    H = np.concatenate([G, twin[G[:, ::-1]]]).astype(np.int32)
    if group_half_edges(H, len(Y)).sizes.max() > 2:
        raise _unmirrorable()
    return Y, H


def pairs_across(V: Array) -> NDArray[np.int64]:
    """(n,) the mirrored partner of every vertex of an exactly mirrored cast."""
    return np.asarray(KDTree(V).query(V * FLIP)[1], dtype=np.int64)


def mirrored_mean(X: Array, pair: NDArray[np.int64]) -> Array:
    """A field of vectors or positions (n, 3), made equal to its mirror image to the last bit."""
    return 0.5 * (X + X[pair] * FLIP)


def _welded(V: Array, F: Ints) -> Ints:
    """Faces whose points at one place are one: a cut through a point of the plane makes another."""
    _, first, which = np.unique(V, axis=0, return_index=True, return_inverse=True)
    on = V[:, 0] == 0.0
    F = np.where(on, first[which.ravel()], np.arange(len(V)))[F].astype(np.int32)
    turned = np.roll(F, 1, axis=1)
    return F[(turned != F).all(axis=1)]


def _tidy(V: Array, F: Ints) -> tuple[Array, Ints]:
    """Without faces that lie in the plane, and without unused points."""
    return keep_used(V, F[~(V[F, 0] == 0.0).all(axis=1)])


def _unmirrorable() -> BadInput:
    return BadInput(
        "the cast's halves cannot be joined in its mirror plane",
        "scan.symmetric",
        "leave symmetric out and draw both sides",
    )
