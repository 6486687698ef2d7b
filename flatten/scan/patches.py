"""Parts a scan into smooth patches: stretches of surface with sharp corners all round them.

A body has creases, but none that runs all the way round a hand's breadth of skin. So a patch of
its own is a floor, a table, a lid or paper over an opening, a post or the foot of a stand.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import KDTree

from flatten.geometry.sampling import Samples
from flatten.geometry.triangles import Array

Ints = NDArray[np.int64]

REACH_MM = 10.0  # corners are looked for in the surroundings of each sample, so far at least
COARSEST_MM = 24.0  # where samples lie so far apart that more is needed, corners cannot be told
CORNER_DEG = (
    62.0  # more turning than that within twice the reach: a limb of 20 mm radius turns less
)
FLAT_MM = 1.6  # rms distance of a flat patch from its plane
LEAST_SLENDER = 0.4
LEAST_INNER = 0.3
MOST_CORNERS = 0.4  # of a part: it is too thin all over for its corners to say anything


@dataclass(frozen=True, eq=False, kw_only=True)
class Patch:
    """samples : (k,) those well inside it; area mm² of all that was counted to it

    normal · x = height is its best plane, which it leaves by rms_mm; slender : its spread across
        to along, 1 for a disk; inner : the share of the area that lies well inside
    """

    samples: Ints
    area: float
    normal: Array
    height: float
    rms_mm: float
    slender: float
    inner: float

    @property
    def flat(self) -> bool:
        """A plane place, neither a strip nor the side of a thin rod."""
        plane = self.rms_mm <= FLAT_MM
        return plane and self.slender >= LEAST_SLENDER and self.inner >= LEAST_INNER


def find_patches(s: Samples, part: Ints) -> tuple[list[Patch], Ints]:
    """The smooth patches, largest first, and the patch of every sample.

    part (k,) : the connected part of the mesh that each sample lies on; patches do not span parts

    Samples on a corner are counted to the nearest patch. A coarse mesh is one patch a part.
    """
    P = s.points
    reach = max(REACH_MM, 2.2 * float(np.sqrt(np.median(s.areas))))
    if reach > COARSEST_MM:
        return _gathered(s, part, part)
    tree = KDTree(P)
    i, j = tree.query_pairs(reach, output_type="ndarray").T
    same = part[i] == part[j]
    i, j = i[same], j[same]
    n = len(P)
    ones = np.ones(len(i))
    link = coo_matrix((ones, (i, j)), shape=(n, n)).tocsr()
    link = csr_matrix(link + link.T)
    # Normals averaged over the nearest neighbours: a scan's grain is not a corner.
    close = np.linalg.norm(P[i] - P[j], axis=1) < 0.7 * reach
    alike = close & (np.einsum("ij,ij->i", s.normals[i], s.normals[j]) > 0.3)
    mean = coo_matrix((ones[alike], (i[alike], j[alike])), shape=(n, n)).tocsr()
    weighted = s.normals * s.areas[:, None]
    N = weighted + mean @ weighted + mean.T @ weighted
    N /= np.maximum(np.linalg.norm(N, axis=1, keepdims=True), 1e-12)
    corner = _turning(link, N) > CORNER_DEG
    cornered = np.bincount(part, s.areas * corner) / np.maximum(np.bincount(part, s.areas), 1e-12)
    corner &= cornered[part] < MOST_CORNERS
    inner = ~corner[i] & ~corner[j]
    smooth = coo_matrix((ones[inner], (i[inner], j[inner])), shape=(n, n))
    label = connected_components(smooth, directed=False)[1]
    label[corner] = -1
    return _gathered(s, part, label)


def _turning(link: csr_matrix, N: Array) -> Array:
    """(n,) degrees: twice the largest angle between a sample's normal and its neighbours'."""
    rows = np.repeat(np.arange(len(N)), np.diff(link.indptr))
    dot = np.einsum("ij,ij->i", N[rows], N[link.indices])
    least = np.ones(len(N))
    np.minimum.at(least, rows, dot)
    return 2 * np.degrees(np.arccos(np.clip(least, -1, 1)))


def _gathered(s: Samples, part: Ints, label: Ints) -> tuple[list[Patch], Ints]:
    size = np.bincount(label[label >= 0], s.areas[label >= 0])
    order = np.argsort(-size, kind="stable")
    order = order[size[order] > 0]
    rank = np.full(len(size), -1)
    rank[order] = np.arange(len(order))
    inside = np.where(label >= 0, rank[label], -1)
    whole = inside.copy()
    # Corners, and crumbs between them, go to the nearest patch worth the name.
    lost = (inside < 0) | (size[order][inside] < 100.0)
    for k in np.unique(part[lost]):
        have = np.flatnonzero(~lost & (part == k))
        want = np.flatnonzero(lost & (part == k))
        if len(have):
            whole[want] = inside[have[KDTree(s.points[have]).query(s.points[want])[1]]]
        else:
            # A part all of corners is a patch of its own.
            whole[want] = len(order) + k
    names, whole = np.unique(whole, return_inverse=True)
    patches = []
    for k, name in enumerate(names.tolist()):
        mine = np.flatnonzero(inside == name)
        if not len(mine):
            mine = np.flatnonzero(whole == k)
        area = float(s.areas[whole == k].sum())
        patches.append(_fitted(s, mine, area))
    by_area = np.argsort([-p.area for p in patches], kind="stable")
    back = np.empty(len(by_area), dtype=np.int64)
    back[by_area] = np.arange(len(by_area))
    return [patches[k] for k in by_area], back[whole]


def _fitted(s: Samples, on: Ints, area: float) -> Patch:
    P, w = s.points[on], s.areas[on]
    middle = np.average(P, axis=0, weights=w)
    off = P - middle
    spread, axes = np.linalg.eigh(off.T @ (w[:, None] * off))
    normal = axes[:, 0]
    if normal @ (s.normals[on] * w[:, None]).sum(axis=0) < 0:
        normal = -normal
    rms = float(np.sqrt(np.average(((P - middle) @ normal) ** 2, weights=w)))
    # A plane is seen from one side: a thin tube has a best plane too, but looks both ways.
    if np.average(s.normals[on] @ normal, weights=w) < 0.9:
        rms = max(rms, 2 * FLAT_MM)
    return Patch(
        samples=on,
        area=area,
        normal=normal,
        height=float(middle @ normal),
        rms_mm=rms,
        inner=float(w.sum() / max(area, 1e-12)),
        slender=float(np.sqrt(max(spread[1], 0.0) / max(spread[2], 1e-12))),
    )
