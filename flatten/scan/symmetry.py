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
from flatten.records.cast import Symmetry

Array = NDArray[np.float64]

LARGEST_RMS_MM = 10.0
# A surface that misses its mirror image by less than this share of its half width is symmetric
# whatever else it is (a round tube too).
NEARLY_EXACT = 0.015
# Otherwise the plane must fit so much better than planes turned by 45 degrees: a limb is nearly
# round and is mirrored by any plane along it about as well.
DISTINCT = 0.35
SPACING_MM = 8.0
QUERIES = 4000


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
        self.samples = samples
        self.reach = max(2.5 * SPACING_MM, 2.5 * float(np.sqrt(np.median(samples.areas))))
        # Normals, scaled to millimetres, keep a sample from being matched through a thin place.
        self.stiff = 20.0
        self.tree = KDTree(np.hstack([samples.points, self.stiff * samples.normals]))
        step = max(1, len(samples.points) // QUERIES)
        self.query = np.arange(0, len(samples.points), step)

    def fit(self, normal: Array, height: float, rounds: int = 25) -> MirrorFit:
        """The plane near the given one that mirrors the surface best."""
        s, q = self.samples, self.query
        p, pn, weight = s.points[q], s.normals[q], s.areas[q]
        n, d, near, r = normal / np.linalg.norm(normal), height, np.zeros(0), np.zeros(0)
        for i in range(rounds):
            side = p @ n - d
            mirrored = p - 2 * side[:, None] * n
            looks = pn - 2 * (pn @ n)[:, None] * n
            _, j = self.tree.query(np.hstack([mirrored, self.stiff * looks]))
            gap = mirrored - s.points[j]
            m = s.normals[j]
            r = np.einsum("ij,ij->i", gap, m)
            aside = np.linalg.norm(gap - r[:, None] * m, axis=1)
            # Beyond a rim the nearest sample lies to the side: that point has no counterpart.
            near = (aside < self.reach) & (np.einsum("ij,ij->i", looks, m) > 0.5)
            if near.sum() < 30 or i == rounds - 1:
                break
            spread = 1.5 * float(np.median(np.abs(r[near]))) + 0.5
            w = weight * near / (1 + (r / (2 * spread)) ** 2) ** 2
            u = np.cross(n, np.eye(3)[int(np.abs(n).argmin())])
            u /= np.linalg.norm(u)
            frame = np.column_stack([u, np.cross(n, u)])
            along = m @ n
            J = np.column_stack(
                [-2 * (along[:, None] * (p @ frame) + side[:, None] * (m @ frame)), 2 * along]
            )
            A = J.T @ (w[:, None] * J)
            A += 1e-9 * np.trace(A) * np.eye(3)
            step = np.linalg.solve(A, -J.T @ (w * r))
            # The height is held at the surface's own middle, so turning does not swing the plane.
            n = n + frame @ step[:2]
            n /= np.linalg.norm(n)
            d += step[2]
            if np.abs(step[:2]).max() < 1e-5 and abs(step[2]) < 1e-3:
                rounds = min(rounds, i + 2)
        matched = float(weight[near].sum() / weight.sum())
        rms = float(np.sqrt(np.average(r[near] ** 2, weights=weight[near]))) if near.any() else 1e9
        return MirrorFit(normal=n, height=float(d), rms_mm=rms, matched=matched)


def find_symmetry(V: Array, F: NDArray[np.integer]) -> Symmetry | None:
    """The left-right mirror plane of a cast in its frame, or None where it has none.

    The plane is looked for within 20 degrees of x = const. None where the mirrored surface misses
    by more than 10 mm rms, or where, as on a limb, any other plane along the body mirrors it about
    as well.
    """
    samples = sample_surface(V, F, SPACING_MM)
    mirrors = Mirrors(samples)
    middle = np.average(samples.points, axis=0, weights=samples.areas)
    starts = [np.array([np.cos(a), 0.0, np.sin(a)]) for a in np.radians([0.0, -12.0, 12.0])]
    fits = [mirrors.fit(n, float(n @ middle)) for n in starts]
    fits = [f for f in fits if abs(f.normal[0]) > np.cos(np.radians(20.0)) and f.matched > 0.7]
    if not fits:
        return None
    best = min(fits, key=lambda f: f.rms_mm)
    side = samples.points @ best.normal - best.height
    half = float(np.sqrt(np.average(side**2, weights=samples.areas)))
    if best.rms_mm > LARGEST_RMS_MM:
        return None
    if best.rms_mm > NEARLY_EXACT * half:
        # Planes turned by 45 degrees about the body: a limb, nearly round, fits those too.
        turned = []
        for sign in (1.0, -1.0):
            n = best.normal + sign * np.cross(best.normal, np.array([0.0, 1.0, 0.0]))
            n /= np.linalg.norm(n)
            turned.append(mirrors.fit(n, float(n @ middle), rounds=1).rms_mm)
        if best.rms_mm > DISTINCT * min(turned):
            return None
    sign = 1.0 if best.normal[0] > 0 else -1.0
    return Symmetry(point=best.normal * best.height, normal=sign * best.normal, rms_mm=best.rms_mm)
