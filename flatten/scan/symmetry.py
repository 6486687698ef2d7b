"""The left-right mirror plane of a cast, found by laying the reflected surface on itself.

The reflected samples are matched to the nearest samples that look the same way, and the plane is
moved to lessen the distances along their normals (point-to-plane registration: Chen & Medioni,
Object modelling by registration of multiple range images, Image and Vision Computing 10(3), 1992).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.geometry.sampling import Samples, sample_surface
from flatten.geometry.section import across
from flatten.records.cast import Symmetry

Array = NDArray[np.float64]

LARGEST_RMS_MM = 10.0
# A surface that misses its mirror image by less than this share of its half width is symmetric
# whatever else it is (a round tube too).
NEARLY_EXACT = 0.015
# Otherwise the plane must fit so much better than planes turned by 45 degrees: a limb is nearly
# round and is mirrored by any plane along it about as well.
DISTINCT = 0.35
# A cast so many times taller than wide is a limb, and only a nearly exact mirror plane counts.
LIMB = 2.2
SPACING_MM = 8.0
QUERIES = 3000
# Normals, scaled to millimetres, keep a sample from being matched through a thin place.
STIFF_MM = 20.0


@dataclass(frozen=True, eq=False, kw_only=True)
class MirrorFit:
    """A plane normal · x = height, the rms distance of the mirrored surface from the surface, and
    the share of it (by area) that has a counterpart at all."""

    normal: Array
    height: float
    rms_mm: float
    matched: float


class Mirrors:
    """Fits mirror planes to one cloud of samples; built once, asked for several first guesses."""

    def __init__(self, samples: Samples) -> None:
        self.middle = np.average(samples.points, axis=0, weights=samples.areas)
        self.points = samples.points - self.middle
        self.normals, self.areas = samples.normals, samples.areas
        self.reach = 2.5 * max(SPACING_MM, float(np.sqrt(np.median(samples.areas))))
        self.tree = KDTree(np.hstack([self.points, STIFF_MM * self.normals]))
        self.query = np.arange(0, len(self.points), max(1, len(self.points) // QUERIES))

    def fit(self, normal: Array, height: float, rounds: int = 25) -> MirrorFit:
        """The plane near the given one that mirrors the surface best, after so many rounds."""
        n = normal / np.linalg.norm(normal)
        d = height - float(self.middle @ n)
        p, weight = self.points[self.query], self.areas[self.query]
        r, m, paired = self._compare(n, d)
        for _ in range(rounds):
            if paired.sum() < 30:
                break
            # Parts of a body that are no mirror images of each other count little.
            spread = 3.0 * float(np.median(np.abs(r[paired]))) + 1.0
            w = weight * paired / (1 + (r / spread) ** 2) ** 2
            u = across(n)
            frame = np.column_stack([u, np.cross(n, u)])
            side, along = p @ n - d, m @ n
            J = np.column_stack(
                [-2 * (along[:, None] * (p @ frame) + side[:, None] * (m @ frame)), 2 * along]
            )
            A = J.T @ (w[:, None] * J)
            A += 1e-9 * np.trace(A) * np.eye(3)
            move = np.linalg.solve(A, -J.T @ (w * r))
            n = n + frame @ move[:2]
            n /= np.linalg.norm(n)
            d += float(move[2])
            r, m, paired = self._compare(n, d)
            if np.abs(move[:2]).max() < 2e-5 and abs(move[2]) < 2e-3:
                break
        matched = float(weight[paired].sum() / weight.sum())
        rms = np.inf
        if paired.any():
            rms = float(np.sqrt(np.average(r[paired] ** 2, weights=weight[paired])))
        return MirrorFit(normal=n, height=d + float(self.middle @ n), rms_mm=rms, matched=matched)

    def _compare(self, n: Array, d: float) -> tuple[Array, Array, NDArray[np.bool_]]:
        """Distance of each mirrored sample from the surface, the normal there, and whether there
        is a surface: beyond a rim the nearest sample lies to the side."""
        p, looks = self.points[self.query], self.normals[self.query]
        mirrored = p - 2 * (p @ n - d)[:, None] * n
        looks = looks - 2 * (looks @ n)[:, None] * n
        j = np.asarray(self.tree.query(np.hstack([mirrored, STIFF_MM * looks]))[1], dtype=np.int64)
        m = self.normals[j]
        off = mirrored - self.points[j]
        r = np.einsum("ij,ij->i", off, m)
        aside = np.linalg.norm(off - r[:, None] * m, axis=1)
        return r, m, (aside < self.reach) & (np.einsum("ij,ij->i", looks, m) > 0.5)


def find_symmetry(V: Array, F: NDArray[np.integer]) -> Symmetry | None:
    """The left-right mirror plane of a cast in its frame, or None where it has none.

    The plane is looked for within 20 degrees of x = const. None where the mirrored surface misses
    by more than 10 mm rms, or where, as on a limb, any other plane along the body mirrors it about
    as well.
    """
    return search_mirror(V, F).found


@dataclass(frozen=True, eq=False, kw_only=True)
class MirrorSearch:
    """The plane that mirrors a cast best (None where most of it has no counterpart), and that
    plane as the cast's symmetry where it is one."""

    best: MirrorFit | None
    found: Symmetry | None


def search_mirror(V: Array, F: NDArray[np.integer]) -> MirrorSearch:
    """What `find_symmetry` finds, and what it looked at, for whoever must say why there is none."""
    samples = sample_surface(V, F, SPACING_MM)
    mirrors = Mirrors(samples)
    middle = mirrors.middle
    starts = [np.array([np.cos(a), 0.0, np.sin(a)]) for a in np.radians([0.0, -12.0, 12.0])]
    fits = [mirrors.fit(n, float(n @ middle)) for n in starts]
    fits = [f for f in fits if abs(f.normal[0]) > np.cos(np.radians(20.0)) and f.matched > 0.7]
    if not fits:
        return MirrorSearch(best=None, found=None)
    best = min(fits, key=lambda f: f.rms_mm)
    none = MirrorSearch(best=best, found=None)
    side = samples.points @ best.normal - best.height
    half = float(np.sqrt(np.average(side**2, weights=samples.areas)))
    if best.rms_mm > LARGEST_RMS_MM:
        return none
    if best.rms_mm > NEARLY_EXACT * half:
        wide, tall, _ = np.ptp(samples.points, axis=0)
        if tall > LIMB * wide:
            return none
        # Planes turned by 45 degrees about the body: a limb, nearly round, fits those too.
        turned = []
        for sign in (1.0, -1.0):
            n = best.normal + sign * np.cross(best.normal, np.array([0.0, 1.0, 0.0]))
            n /= np.linalg.norm(n)
            turned.append(mirrors.fit(n, float(n @ middle), rounds=0).rms_mm)
        if best.rms_mm > DISTINCT * min(turned):
            return none
    sign = 1.0 if best.normal[0] > 0 else -1.0
    plane = Symmetry(point=best.normal * best.height, normal=sign * best.normal, rms_mm=best.rms_mm)
    return MirrorSearch(best=best, found=plane)
