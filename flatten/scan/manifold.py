"""Makes any triangle soup an oriented manifold: pairs faces at edges, splits points, turns faces."""

from dataclasses import dataclass, field

import numpy as np
from numba import njit
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.geometry.halfedges import EdgeGroups, group_half_edges, opposites
from flatten.geometry.triangles import Array, face_areas

Ints = NDArray[np.int32]

# Two parts that meet at a crowded edge and both hold this share of the area are form, not dirt.
LARGE_SHARE = 0.05
# A one-sided place of at most this share of the edges is cut out and filled; more is refused.
ONE_SIDED_SHARE = 0.005
# A part whose volume, closed by cones, is below this share of its area to the power of 3/2 is flat.
FLAT_SHARE = 0.012


@dataclass(frozen=True, eq=False, kw_only=True)
class Manifold:
    """V, F : every edge has one or two faces that run along it opposite ways, every point one fan
    part : (m,) connected part of each face; counts : what was mended, by name"""

    V: Array
    F: Ints
    part: Ints
    counts: dict[str, int] = field(default_factory=dict)


@njit(cache=True)
def _flood(across, same):
    # Labels connected faces and whether each must be turned over to agree with its part's first.
    m = len(across) // 3
    part = np.full(m, -1, np.int32)
    turned = np.zeros(m, np.bool_)
    queue = np.empty(m, np.int32)
    parts = 0
    for seed in range(m):
        if part[seed] >= 0:
            continue
        part[seed] = parts
        queue[0] = seed
        head, tail = 0, 1
        while head < tail:
            f = queue[head]
            head += 1
            for h in range(3 * f, 3 * f + 3):
                if across[h] < 0:
                    continue
                g = across[h] // 3
                if part[g] < 0:
                    part[g] = parts
                    turned[g] = turned[f] != same[h]
                    queue[tail] = g
                    tail += 1
        parts += 1
    return part, turned


@njit(cache=True)
def _fans(F, across, n):
    # One point for every fan of faces: union-find over corners, joined across paired edges.
    root = np.arange(F.size).astype(np.int32)
    flat = F.ravel()
    for h in range(len(across)):
        g = across[h]
        if g < h:
            continue
        for i in range(4):
            x = h if i < 2 else 3 * (h // 3) + (h + 1) % 3
            y = g if i % 2 == 0 else 3 * (g // 3) + (g + 1) % 3
            if flat[x] != flat[y]:
                continue
            while root[x] != x:
                root[x] = root[root[x]]
                x = root[x]
            while root[y] != y:
                root[y] = root[root[y]]
                y = root[y]
            root[max(x, y)] = min(x, y)
    new = np.empty(F.size, np.int32)
    taken = np.zeros(n, np.bool_)
    source = np.empty(F.size, np.int32)
    copies = n
    for c in range(F.size):
        x = c
        while root[x] != x:
            x = root[x]
        if x == c:
            v = flat[c]
            if taken[v]:
                new[c] = copies
                source[copies - n] = v
                copies += 1
            else:
                taken[v] = True
                new[c] = v
        else:
            new[c] = new[x]
    return new.reshape(F.shape), source[: copies - n].copy()


def make_manifold(V: Array, F: Ints) -> Manifold:
    """Pairs, splits and turns until F is an oriented manifold, perhaps of several parts.

    F (m, 3) has no duplicate or degenerate faces. At an edge with more than two faces the flattest
    pair stays joined, the others are let go; at a point that only joins two fans, it is doubled.

    Raises
    ------
    BadInput : large parts share an edge; or the surface is one-sided
    """
    across, same, crowded = _pair_faces(V, F)
    part, turned = _flood(across, same)
    if len(crowded):
        _refuse_large_parts(V, F, crowded, part)
    wrong = _one_sided(across, same, turned)
    dropped = 0
    for _ in range(3):
        if not len(wrong):
            break
        if len(wrong) > ONE_SIDED_SHARE * len(F):
            at = V[F[wrong[0] // 3]].mean(axis=0)
            raise BadInput(
                "the surface has only one side, like a twisted strip",
                f"near {place(at)}",
                "cut it or rebuild the scan there",
            )
        # A small one-sided spot of a large scan: taken out with its neighbours, filled later.
        bad = np.zeros(len(V), dtype=bool)
        bad[F[wrong // 3]] = True
        keep = ~bad[F].any(axis=1)
        dropped += int(np.count_nonzero(~keep))
        F = F[keep]
        across, same, crowded = _pair_faces(V, F)
        part, turned = _flood(across, same)
        wrong = _one_sided(across, same, turned)
    if len(wrong):
        at = V[F[wrong[0] // 3]].mean(axis=0)
        raise BadInput(
            "the surface has only one side", f"near {place(at)}", "rebuild the scan there"
        )
    turned = _least_turning(F, part, turned)
    F = np.where(turned[:, None], F[:, ::-1], F).astype(np.int32)
    # Turning a face renumbers its edges: edge i of (a, b, c) is edge (1 - i) mod 3 of (c, b, a).
    across = _turn_edges(across, turned)
    F, source = _fans(F, across, len(V))
    V = np.concatenate([V, V[source]])
    V, F, part = _part_doubled_edges(V, F, part)
    counts = {
        "edges_with_many_faces": len(crowded),
        "faces_one_sided": dropped,
        "faces_turned": int(np.count_nonzero(turned)),
        "points_split": len(source),
    }
    return Manifold(
        V=V,
        F=F,
        part=part,
        counts={name: count for name, count in counts.items() if count},
    )


def _part_doubled_edges(V: Array, F: Ints, part: Ints) -> tuple[Array, Ints, Ints]:
    """Gives a point of its own to every edge beyond the first that runs between the same two points.

    Faces let go at a crowded edge keep both its ends where the surface joins them by another way
    round each end. A point in the middle tells the edges apart; nothing moves.
    """
    while True:
        across, same, _ = _pair_faces(V, F)
        order, start = groups = group_half_edges(F, len(V))
        doubled = np.flatnonzero(
            (groups.sizes > 2) | ((groups.sizes == 2) & same[order[start[:-1]]])
        )
        if not len(doubled):
            return V, F, part
        flat, after = F.ravel(), np.roll(F, -1, axis=1).ravel()
        opposite = np.roll(F, -2, axis=1).ravel()
        points: list[Array] = []
        taken: set[int] = set()
        rows: dict[int, tuple[int, int, int]] = {}
        new: list[tuple[int, int, int]] = []
        origin: list[int] = []
        for k in doubled.tolist():
            edges = {
                frozenset((h, int(across[h]) if across[h] >= 0 and not same[h] else h))
                for h in order[start[k] : start[k + 1]].tolist()
            }
            # The pair that stays joined keeps the edge; where there is none, any face may.
            for edge in sorted(edges, key=lambda e: (-len(e), min(e)))[1:]:
                if any(h // 3 in taken for h in edge):
                    continue  # a face is cut once a round
                middle = len(V) + len(points)
                points.append(0.5 * (V[flat[min(edge)]] + V[after[min(edge)]]))
                for h in edge:
                    taken.add(h // 3)
                    rows[h // 3] = (flat[h], middle, opposite[h])
                    new.append((middle, after[h], opposite[h]))
                    origin.append(h // 3)
        F = F.copy()
        F[list(rows)] = list(rows.values())
        F = np.concatenate([F, np.array(new, dtype=np.int32)])
        part = np.concatenate([part, part[origin]])
        V = np.concatenate([V, points])


def split_along(F: Ints, n: int, loop: Ints) -> tuple[Ints, Ints]:
    """Parts the oriented manifold F (m, 3) along a closed path of edges.

    Returns
    -------
    source : (k,) the vertex that each new vertex n, n + 1, ... is a copy of
    F : (m, 3) with the faces on one side of the path on the copies
    """
    across = opposites(F, n)
    after = np.roll(F, -1, axis=1).ravel()
    follows = np.full(n, -1, dtype=np.int64)
    follows[loop] = np.roll(loop, -1)
    flat = F.ravel()
    across[(follows[flat] == after) | (follows[after] == flat)] = -1
    F, source = _fans(np.ascontiguousarray(F), across, n)
    return source, F


def place(p: Array) -> str:
    """A point as people write it, to four digits."""
    digits = (np.format_float_positional(x, 4, fractional=False, trim="-") for x in p + 0.0)
    return "(" + ", ".join(digits) + ")"


def _pair_faces(V: Array, F: Ints) -> tuple[Ints, NDArray[np.bool_], Ints]:
    """Face across each half edge.

    Returns
    -------
    across : (3m,) the half edge that each is paired with, -1 at a border
    same : (3m,) whether both run the same way, so that one face must be turned
    crowded : (k,) a half edge of every edge with more than two faces
    """
    order, start = groups = group_half_edges(F, len(V))
    first = start[:-1][groups.sizes == 2]
    a, b = order[first], order[first + 1]
    many = np.flatnonzero(groups.sizes > 2)
    if len(many):
        a2, b2 = _flattest_pairs(V, F, groups, many)
        a, b = np.concatenate([a, a2]), np.concatenate([b, b2])
    across = np.full(F.size, -1, dtype=np.int32)
    across[a], across[b] = b, a
    same = np.zeros(F.size, dtype=bool)
    flat = F.ravel()
    same[a] = same[b] = flat[a] == flat[b]
    return across, same, order[start[:-1][many]]


def _flattest_pairs(
    V: Array, F: Ints, groups: EdgeGroups, many: NDArray[np.integer]
) -> tuple[Ints, Ints]:
    """Half edges paired at edges of more than two faces, flattest first, same turning preferred."""
    flat = F.ravel()
    after = np.roll(F, -1, axis=1).ravel()
    opposite = np.roll(F, -2, axis=1).ravel()
    a, b = [], []
    for k in many.tolist():
        h = groups.order[groups.start[k] : groups.start[k + 1]]
        axis = V[after[h[0]]] - V[flat[h[0]]]
        axis = axis / max(float(np.linalg.norm(axis)), 1e-300)
        wing = V[opposite[h]] - V[flat[h[0]]]
        wing = wing - np.outer(wing @ axis, axis)
        wing /= np.maximum(np.linalg.norm(wing, axis=1, keepdims=True), 1e-300)
        score = wing @ wing.T + 0.5 * (flat[h][:, None] == flat[h][None, :])
        np.fill_diagonal(score, np.inf)
        for _ in range(len(h) // 2):
            i, j = np.unravel_index(int(np.argmin(score)), score.shape)
            if not np.isfinite(score[i, j]) or score[i, j] > 0.5:
                break
            a.append(h[i])
            b.append(h[j])
            score[[i, j], :] = np.inf
            score[:, [i, j]] = np.inf
    return np.array(a, dtype=np.int32), np.array(b, dtype=np.int32)


def _refuse_large_parts(V: Array, F: Ints, crowded: Ints, part: Ints) -> None:
    share = np.bincount(part, face_areas(V, F))
    share /= share.sum()
    groups = group_half_edges(F, len(V))
    edge = np.empty(F.size, dtype=np.int32)
    edge[groups.order] = np.repeat(np.arange(len(groups.sizes)), groups.sizes)
    for h in crowded.tolist():
        e = edge[h]
        faces = groups.order[groups.start[e] : groups.start[e + 1]] // 3
        large = np.unique(part[faces][share[part[faces]] > LARGE_SHARE])
        if len(large) > 1:
            f, i = divmod(h, 3)
            p, q = V[F[f, i]], V[F[f, (i + 1) % 3]]
            raise BadInput(
                f"{len(faces)} faces share one edge",
                f"the edge from {place(p)} to {place(q)}",
                "an edge of a surface has two faces at most: separate the parts that meet there",
            )


def _one_sided(across: Ints, same: NDArray[np.bool_], turned: NDArray[np.bool_]) -> Ints:
    """Half edges whose two faces cannot agree."""
    h = np.flatnonzero(across >= 0)
    g = across[h]
    wrong = same[h] != (turned[h // 3] != turned[g // 3])
    return h[wrong].astype(np.int32)


def _least_turning(F: Ints, part: Ints, turned: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Turns the fewer faces of every part, so that the file's own direction is kept."""
    if not len(F):
        return turned
    more = np.bincount(part, turned) * 2 > np.bincount(part)
    return turned != more[part]


def _turn_edges(across: Ints, turned: NDArray[np.bool_]) -> Ints:
    h = np.arange(len(across), dtype=np.int32)
    moved = np.where(turned[h // 3], 3 * (h // 3) + (1 - h % 3) % 3, h).astype(np.int32)
    new = np.full_like(across, -1)
    new[moved] = np.where(across >= 0, moved[across], -1)
    return new


def enclosed_volume(V: Array, F: Ints) -> float:
    """Signed volume of F with every border closed by a cone: positive when F faces outward.

    The cones' tips are the borders' centroids; the sum over faces is the divergence theorem's.
    """
    across, _, _ = _pair_faces(V, F)
    origin = V[F].mean(axis=(0, 1))
    P = V - origin
    volume = np.einsum("ij,ij->", P[F[:, 0]], np.cross(P[F[:, 1]], P[F[:, 2]])) / 6.0
    h = np.flatnonzero(across < 0)
    if len(h):
        a, b = F.ravel()[h], np.roll(F, -1, axis=1).ravel()[h]
        tips = _loop_centres(P, a, b)
        volume += np.einsum("ij,ij->", tips, np.cross(P[b], P[a])) / 6.0
    return float(volume)


def _loop_centres(P: Array, a: Ints, b: Ints) -> Array:
    """(k, 3) for every border edge a -> b the length-weighted centre of its loop."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    graph = coo_matrix((np.ones(len(a)), (a, b)), shape=(len(P), len(P)))
    label = connected_components(graph, directed=False)[1][a]
    weight = np.linalg.norm(P[a] - P[b], axis=1)
    middle = 0.5 * (P[a] + P[b]) * weight[:, None]
    size = np.maximum(np.bincount(label, weight), 1e-300)
    centre = np.column_stack([np.bincount(label, middle[:, k]) for k in range(3)]) / size[:, None]
    return centre[label]


def face_parts_outward(V: Array, F: Ints, part: NDArray[np.integer]) -> tuple[Ints, int, bool]:
    """Turns every part that faces inward.

    Returns
    -------
    F : turned; count : faces turned; sure : False where a part is so flat that its outside cannot
        be told and the file's own direction was kept
    """
    F = F.copy()
    count, sure = 0, True
    for k in range(int(part.max()) + 1 if len(part) else 0):
        mine = np.flatnonzero(part == k)
        area = float(face_areas(V, F[mine]).sum())
        volume = enclosed_volume(V, F[mine])
        if abs(volume) < FLAT_SHARE * area**1.5:
            sure = False
        elif volume < 0:
            F[mine] = F[mine][:, ::-1]
            count += len(mine)
    return F, count, sure
