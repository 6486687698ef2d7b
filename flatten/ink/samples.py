"""The scan's surface as points with a normal, a colour and an area: from vertices or a texture."""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.errors import BadInput
from flatten.geometry.both import in_two
from flatten.geometry.pointgrid import PointGrid, near, point_grid
from flatten.geometry.topology import border_half_edges, face_components
from flatten.geometry.triangles import face_areas, face_cross
from flatten.records.scan import Scan

CELL_MM = 5.0
TEXTURE_STEP_MM = 1.3  # spacing of samples on a textured surface
SMALL_PART = 0.02  # a separate part with less than this share of the area is no body
NORMAL_RADIUS_MM = 4.5


@dataclass(frozen=True, eq=False, kw_only=True)
class Samples:
    """Points on the scanned surface, in the order of `grid`.

    P : (k, 3) mm; N : (k, 3) unit normals, smoothed; C : (k, 3) colour 0 to 255
    W : (k,) area that a point stands for, mm²; spacing : mm between neighbours
    tree : of P, for neighbours by number
    """

    P: NDArray[np.float64]
    N: NDArray[np.float64]
    C: NDArray[np.float64]
    W: NDArray[np.float64]
    grid: PointGrid
    tree: KDTree
    spacing: float


def welded(V: NDArray[np.float64], F: NDArray[np.integer]) -> tuple[np.ndarray, np.ndarray]:
    """(n,) the first vertex at the same place within 0.01 mm, and F (m, 3) in those."""
    low = V.min(axis=0)
    ijk = np.rint((V - low) / 0.01).astype(np.int64)
    span = ijk.max(axis=0) + 1
    key = (ijk[:, 0] * span[1] + ijk[:, 1]) * span[2] + ijk[:, 2]
    _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
    same = first[inverse.ravel()]
    return same, same[F]


def sound_faces(V: NDArray[np.float64], F: NDArray[np.integer]) -> NDArray[np.int64]:
    """Faces of F (welded) to read: with area, once each, in parts of more than crumbs."""
    key = np.sort(F, axis=1)
    whole = (key[:, 0] != key[:, 1]) & (key[:, 1] != key[:, 2])
    n = np.int64(len(V))
    # Three indices do not fit one key for large meshes; the sum of two products does, closely
    # enough to be told apart together with the smallest index.
    order = np.lexsort((key[:, 2], key[:, 0] * n + key[:, 1]))
    k = key[order]
    fresh = np.ones(len(k), dtype=bool)
    fresh[1:] = (k[1:] != k[:-1]).any(axis=1)
    once = np.zeros(len(k), dtype=bool)
    once[order[fresh]] = True
    index = np.flatnonzero(whole & once)
    area = face_areas(V, F[index])
    index, area = index[area > 1e-9], area[area > 1e-9]
    if len(index) == 0:
        return index
    part = face_components(F[index])
    size = np.bincount(part, area)
    return index[size[part] > SMALL_PART * size.sum()]


@njit(cache=True)
def _texture_points(V, N, F, uv, image, divide, first, P, Q, C, W):  # pragma: no cover - compiled
    """Every face cut into divide² triangles; each becomes a point with its mean texel colour."""
    h, w = image.shape[0], image.shape[1]
    fine = 4
    for f in range(F.shape[0]):
        n = divide[f]
        at = first[f]
        for i in range(n):
            for j in range(2 * (n - i) - 1):
                up = j % 2 == 0
                # Lower corner of this small triangle in barycentric steps of 1/n.
                a, b = i, j // 2
                if up:
                    b0, c0, sign = a / n, b / n, 1.0
                else:
                    b0, c0, sign = (a + 1) / n, (b + 1) / n, -1.0
                r = g = s = 0.0
                count = 0
                for p in range(fine):
                    for q in range(2 * (fine - p) - 1):
                        if q % 2 == 0:
                            x, y = p + 1.0 / 3.0, q // 2 + 1.0 / 3.0
                        else:
                            x, y = p + 2.0 / 3.0, q // 2 + 2.0 / 3.0
                        wb = b0 + sign * x / (fine * n)
                        wc = c0 + sign * y / (fine * n)
                        wa = 1.0 - wb - wc
                        u = wa * uv[f, 0, 0] + wb * uv[f, 1, 0] + wc * uv[f, 2, 0]
                        v = wa * uv[f, 0, 1] + wb * uv[f, 1, 1] + wc * uv[f, 2, 1]
                        # Places outside the image repeat, as the formats say.
                        px = int(np.floor((u - np.floor(u)) * w))
                        py = int(np.floor((1.0 - (v - np.floor(v))) * h))
                        px, py = min(max(px, 0), w - 1), min(max(py, 0), h - 1)
                        r += image[py, px, 0]
                        g += image[py, px, 1]
                        s += image[py, px, 2]
                        count += 1
                mb = b0 + sign / (3.0 * n)
                mc = c0 + sign / (3.0 * n)
                ma = 1.0 - mb - mc
                for d in range(3):
                    P[at, d] = ma * V[F[f, 0], d] + mb * V[F[f, 1], d] + mc * V[F[f, 2], d]
                    Q[at, d] = N[f, d]
                C[at, 0], C[at, 1], C[at, 2] = r / count, g / count, s / count
                W[at] = W[at] / (n * n)
                at += 1


@njit(cache=True, nogil=True)
def _smooth_normals(
    first, last, P, N, W, start, low, shape, cell, radius, out
):  # pragma: no cover - compiled
    found = np.empty(4096, dtype=np.int64)
    for i in range(first, last):
        count = near(P[i, 0], P[i, 1], P[i, 2], radius, P, start, low, shape, cell, found)
        x = y = z = 0.0
        for q in range(count):
            j = found[q]
            dot = N[i, 0] * N[j, 0] + N[i, 1] * N[j, 1] + N[i, 2] * N[j, 2]
            if dot > 0.3:
                x += W[j] * N[j, 0]
                y += W[j] * N[j, 1]
                z += W[j] * N[j, 2]
        length = np.sqrt(x * x + y * y + z * z)
        if length > 0.0:
            out[i, 0], out[i, 1], out[i, 2] = x / length, y / length, z / length
        else:
            out[i] = N[i]


def scan_rims(scan: Scan, to_work: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """Points in order along the scan's large borders, mm; holes are left out.

    A rim is a border at least 150 mm round whose ends lie at least 45 mm apart.
    """
    V = scan.V @ to_work[:3, :3].T + to_work[:3, 3]
    _, G = welded(V, scan.F.astype(np.int64))
    G = G[sound_faces(V, G)]
    if len(G) == 0:
        return []
    b = border_half_edges(G)
    after: dict[int, list[int]] = {}
    for a, c in b.tolist():
        after.setdefault(a, []).append(c)
    rims = []
    while after:
        at = next(iter(after))
        loop = [at]
        while at in after:
            nexts = after[at]
            at_next = nexts.pop()
            if not nexts:
                del after[at]
            at = at_next
            loop.append(at)
        q = V[loop[:-1]]
        if len(q) < 8:
            continue
        length = float(np.linalg.norm(np.diff(V[loop], axis=0), axis=1).sum())
        if length > 150.0 and float(np.linalg.norm(np.ptp(q, axis=0))) > 45.0:
            rims.append(q)
    return rims


def _from_vertices(V, F, colours) -> tuple[np.ndarray, ...]:
    cross = face_cross(V, F)
    area = 0.5 * np.linalg.norm(cross, axis=1)
    N = np.zeros((len(V), 3))
    for corner in range(3):
        for axis in range(3):
            N[:, axis] += np.bincount(F[:, corner], cross[:, axis], minlength=len(V))
    W = np.bincount(F.ravel(), np.repeat(area / 3.0, 3), minlength=len(V))
    used = np.flatnonzero(W)
    N = N[used]
    length = np.linalg.norm(N, axis=1, keepdims=True)
    N = np.divide(N, length, out=np.zeros_like(N), where=length > 0)
    return V[used], N, colours[used].astype(np.float64), W[used]


def _from_texture(V, F, uv, texture, images) -> tuple[np.ndarray, ...]:
    parts = []
    for t, image in enumerate(images):
        f = np.flatnonzero(texture == t)
        if len(f) == 0:
            continue
        cross = face_cross(V, F[f])
        length = np.linalg.norm(cross, axis=1)
        side = np.linalg.norm(V[F[f]] - V[np.roll(F[f], -1, axis=1)], axis=2).max(axis=1)
        divide = np.clip(np.ceil(side / (1.6 * TEXTURE_STEP_MM)), 1, 60).astype(np.int64)
        first = np.concatenate([[0], np.cumsum(divide**2)])
        k = int(first[-1])
        P, Q, C = np.empty((k, 3)), np.empty((k, 3)), np.empty((k, 3))
        W = np.repeat(0.5 * length, divide**2)
        _texture_points(
            V, cross / length[:, None], F[f].astype(np.int64), uv[f].astype(np.float64),
            image, divide, first, P, Q, C, W,
        )  # fmt: skip
        parts.append((P, Q, C, W))
    return tuple(np.concatenate(p) for p in zip(*parts, strict=True))


def surface_samples(scan: Scan, to_work: NDArray[np.float64]) -> Samples:
    """Points of the scan's surface, brought to mm by `to_work` (4, 4).

    Raises
    ------
    BadInput : the scan has no colours, or no surface
    """
    if not scan.has_colors:
        raise BadInput(
            "the scan has no colours, so no pen lines can be read",
            scan.name,
            "export it with vertex colours or with its texture, or give [[line]] points",
        )
    V = scan.V @ to_work[:3, :3].T + to_work[:3, 3]
    F = scan.F.astype(np.int64)
    _, G = welded(V, F)
    if np.linalg.det(to_work[:3, :3]) < 0:
        G, F = G[:, ::-1], F[:, ::-1]
    keep = sound_faces(V, G)
    if len(keep) == 0:
        raise BadInput("the scan has no surface to read", scan.name, "give a mesh with faces")
    G = G[keep]
    textured = scan.has_texture and scan.uv is not None
    if textured and scan.uv is not None:
        texture = np.zeros(len(F), np.int64) if scan.face_texture is None else scan.face_texture
        uv = scan.uv[:, ::-1] if np.linalg.det(to_work[:3, :3]) < 0 else scan.uv
        P, N, C, W = _from_texture(V, G, uv[keep], texture[keep], scan.textures)
    else:
        assert scan.colors is not None
        P, N, C, W = _from_vertices(V, G, scan.colors)
    grid = point_grid(P, CELL_MM)
    P, N, C, W = (np.ascontiguousarray(a[grid.order]) for a in (P, N, C, W))
    spacing = float(np.sqrt(np.median(W)))
    smooth = np.empty_like(N)

    def part(first: int, last: int) -> None:
        _smooth_normals(
            first, last, P, N, W, grid.start, grid.low, grid.shape, grid.cell, NORMAL_RADIUS_MM,
            smooth,
        )  # fmt: skip

    in_two(lambda: part(0, len(P) // 2), lambda: part(len(P) // 2, len(P)))
    return Samples(P=P, N=smooth, C=C, W=W, grid=grid, tree=KDTree(P), spacing=spacing)
