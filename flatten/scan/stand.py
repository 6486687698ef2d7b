"""Cuts off what is not the cast: a floor, a table, a lid over an opening, a stand on a post.

Only what a body cannot be is cut: a flat place with a sharp corner all round it, and a straight,
round, thin post. Everything less certain is named, with the box ([scan] keep) that would crop it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, KDTree

from flatten.geometry.sampling import Samples, sample_surface
from flatten.geometry.topology import border_half_edges, face_components
from flatten.geometry.triangles import Array, Faces, face_areas, face_normals
from flatten.scan.manifold import place
from flatten.scan.patches import FLAT_MM, LEAST_INNER, Patch, find_patches
from flatten.scan.post import find_post, is_post, main_axes

Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

SPACING_MM = 6.0
LEAST_MM2 = 2000.0  # a smaller flat place is left alone
STUFFING_MM2 = 2500.0
RING_MM = 24.0  # how far round a patch its surroundings are looked at
STEEP_DEG = 50.0  # they stand at least at this angle to it,
ONE_SIDED = 0.45  # and on all sides: the mean of the ways they look, level, is no longer than this
CLEAR_MM = 4.0  # a corner is rounded in a scan: so much of the wall goes with a floor
SOLE_MM = 70.0  # so far above a sole the leg
NARROWER = 0.5  # has no more than this share of its area; a lid is as wide as what it closes
FLANGE_MM = 60.0  # paper round a post closes an opening so far out,
FLANGE = 0.6  # and lies across the post: its normals have so large a share along it
ROD_SHARE = 0.45  # of the cast's surface: a separate rod has no more
THICKEST_ROD_MM = 400.0  # round
MOST_CUT = 0.75  # of the surface may go


@dataclass(frozen=True, eq=False, kw_only=True)
class StandResult:
    """F : the faces that stay (rows of the F given, in order); repairs, notes: what was cut off"""

    F: NDArray[np.int32]
    repairs: Mapping[str, int | float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class _Ring:
    """The surroundings of a patch: steepness in degrees, how one-sided they look (0 to 1), and the
    share of them that rises before it (1: a floor; 0: a lid)."""

    steep_deg: float
    one_sided: float
    rising: float


def cut_stand(V: Array, F: Faces, mm_per_number: float = 1.0) -> StandResult:
    """The mesh (mm, any pose, of one or several parts) without floor, lid and stand.

    mm_per_number : what one of the file's numbers is in mm. Places and boxes are named in the
        file's numbers; V is its vertices times this.
    """
    V = np.asarray(V, dtype=np.float64)
    F = np.asarray(F, dtype=np.int32)
    work = _Work(V, F, mm_per_number)
    if work.body is not None:
        work.cut_parts()
        work.cut_patches()
        work.cut_loose()
        work.cut_post()
    return StandResult(F=F[work.keep], repairs=work.repairs, notes=work.told())


class _Work:
    """The mesh while it is being cut: which faces stay, and what was said."""

    def __init__(self, V: Array, F: NDArray[np.int32], mm_per_number: float) -> None:
        self.V, self.F, self.mm = V, F, mm_per_number
        self.keep = np.ones(len(F), dtype=bool)
        self.repairs: dict[str, int | float] = {}
        self.notes: list[str] = []
        self.doubts: list[tuple[Mask, str]] = []
        self.part = face_components(F)
        self.samples = sample_surface(V, F, SPACING_MM, self.part)
        self.part_of = np.zeros(len(self.samples.points), dtype=np.int64)
        self.part_of[self.samples.of_face] = self.part
        self.patches, self.patch_of = find_patches(self.samples, self.part_of)
        self.body = next((k for k, p in enumerate(self.patches) if not p.flat), None)
        self.home = -1
        if self.body is not None:
            self.home = int(self.part_of[self.patches[self.body].samples[0]])

    def cut_parts(self) -> None:
        """Separate parts that are plates, boxes or rods; any other part is left to be asked for."""
        s, areas = self.samples, np.bincount(self.part_of, self.samples.areas)
        plane = np.array([p.rms_mm <= FLAT_MM for p in self.patches])[self.patch_of]
        flat = np.bincount(self.part_of, s.areas * plane, minlength=len(areas))
        for k in np.argsort(-areas):
            mine = self.part_of == k
            if k == self.home or mine.sum() < 12:
                continue
            small = areas[k] < ROD_SHARE * areas[self.home]
            if flat[k] > 0.5 * areas[k]:
                what = "a floor, a plate or a box"
            elif small and is_post(s.points[mine], THICKEST_ROD_MM):
                what = "a rod"
            else:
                continue
            drop = self.part == k
            self.count("stand_faces_cut", drop)
            where = self.place(s.points[mine].mean(axis=0))
            self.notes.append(f"{what} that stands apart near {where} was left out")
            self.keep &= ~drop

    def cut_patches(self) -> None:
        """Flat places with a corner all round are cut; other patches of that kind are named."""
        s = self.samples
        for k, patch in enumerate(self.patches):
            if self.part_of[patch.samples[0]] != self.home:
                continue
            if k == self.body or patch.area < (LEAST_MM2 if patch.flat else STUFFING_MM2):
                continue
            drop = (self.patch_of == k)[s.of_face]
            at = f"of {patch.area / 100:.0f} cm² near {self.place(s.points[patch.samples].mean(axis=0))}"
            if not patch.flat and is_post(s.points[self.patch_of == k]):
                self.notes.append(f"the post of a stand, {at}, was cut off")
                self.cut_rod(drop)
                continue
            ring = _ring(s, patch, self.patch_of == k, self.part_of)
            if ring.steep_deg < STEEP_DEG or ring.one_sided > ONE_SIDED:
                continue
            floor = ring.rising > 0.7
            if not patch.flat and patch.inner < LEAST_INNER:
                continue
            if not patch.flat:
                self.name(f"what looks like stuffing or part of a stand {at}", drop)
            elif not floor and _is_sole(s, patch, self.patch_of == self.body):
                self.name(f"a flat place {at}, perhaps a sole,", drop)
            else:
                drop = _with_corner(s, patch, drop, self.V[self.F], CLEAR_MM if floor else 1.0)
                self.count("floor_faces_cut" if floor else "lid_faces_cut", drop)
                self.notes.append(f"a {'floor' if floor else 'flat lid'} {at} was cut off")
                self.keep &= ~drop

    def cut_loose(self) -> None:
        """What hung on the cast only by what was cut."""
        rows = np.flatnonzero(self.keep & (self.part == self.home))
        label = face_components(self.F[rows])
        body = self.patch_of[self.samples.of_face[rows]] == self.body
        drop = np.zeros(len(self.F), dtype=bool)
        drop[rows[label != np.bincount(label[body]).argmax()]] = True
        if drop.any():
            self.count("stand_faces_cut", drop)
            areas = face_areas(self.V, self.F)
            share = 100 * float(areas[drop].sum() / areas.sum())
            if share >= 0.5:
                where = self.place(self.V[self.F[drop]].mean(axis=(0, 1)))
                self.notes.append(
                    f"a stand near {where}, {share:.0f} % of the surface, was cut off"
                )
            self.keep &= ~drop

    def cut_post(self) -> None:
        post = find_post(self.V, self.F[self.keep & (self.part == self.home)])
        if post is None:
            return
        beyond = (
            self.keep
            & (self.part == self.home)
            & (self.V[self.F].mean(axis=1) @ post.axis < post.level)
        )
        what = (
            f"a post {post.girth:.0f} mm round, {post.length:.0f} mm long, under "
            f"{self.place(post.at)}"
        )
        if post.sure and beyond.sum() < MOST_CUT * self.keep.sum():
            self.notes.append(f"{what}, was cut off with what lies beyond it")
            self.cut_rod(beyond, post.axis)
            self.cut_loose()
        else:
            self.name(f"what looks like {what},", beyond)

    def cut_rod(self, drop: Mask, axis: Array | None = None) -> None:
        """Cuts a post and what closes the opening round it: faces that lie across its axis."""
        P = self.V[self.F[drop]].mean(axis=1)
        line = main_axes(P)[0] if axis is None else axis
        rest = np.flatnonzero(self.keep & ~drop)
        Q = self.V[self.F[rest]].mean(axis=1)
        line = line if (Q.mean(axis=0) - P.mean(axis=0)) @ line > 0 else -line
        end = float(np.quantile(P @ line, 0.98))
        top = P[P @ line > end - 2 * SPACING_MM].mean(axis=0)
        off = (Q - top) - ((Q - top) @ line)[:, None] * line
        flange = np.abs(face_normals(self.V, self.F[rest]) @ line) > FLANGE
        flange &= (np.linalg.norm(off, axis=1) < FLANGE_MM) & (Q @ line < end + FLANGE_MM / 4)
        drop = drop.copy()
        drop[rest[flange]] = True
        self.count("stand_faces_cut", drop)
        self.keep &= ~drop

    def count(self, name: str, drop: Mask) -> None:
        self.repairs[name] = int(self.repairs.get(name, 0)) + int((drop & self.keep).sum())

    def place(self, point: Array) -> str:
        return place(point / self.mm)

    def name(self, what: str, drop: Mask) -> None:
        """Says what was left on, and the box that would crop it."""
        P = self.V[self.F[self.keep & ~drop]].reshape(-1, 3)
        low, high = (place(b / self.mm)[1:-1] for b in (P.min(axis=0), P.max(axis=0)))
        self.doubts.append(
            (
                drop,
                f"{what} was left on; if it is not the cast, crop it with [scan] "
                f"keep = {{ low = [{low}], high = [{high}] }}",
            )
        )

    def told(self) -> tuple[str, ...]:
        """What was cut, and what was doubted and is still there."""
        left = [said for drop, said in self.doubts if (drop & self.keep).sum() > 0.5 * drop.sum()]
        F = self.F[self.keep & (self.part == self.home)]
        if len(F) and not len(border_half_edges(F)):
            left.append(
                "the scan is closed all round: if paper or the scanning program closes an opening, "
                "crop it open with [scan] keep"
            )
        return (*self.notes, *left)


def _ring(s: Samples, patch: Patch, mine: Mask, part: Ints) -> _Ring:
    """What surrounds a patch, beyond the rounding of its corner."""
    inner = s.points[patch.samples]
    other = np.flatnonzero(~mine & (part == part[patch.samples[0]]))
    if not len(other):
        return _Ring(steep_deg=0.0, one_sided=1.0, rising=0.0)
    far, at = KDTree(inner).query(s.points[other], distance_upper_bound=RING_MM)
    close = np.isfinite(far)
    ring, near = other[close], patch.samples[np.asarray(at)[close]]
    if len(ring) < 8:
        return _Ring(steep_deg=0.0, one_sided=1.0, rising=0.0)
    w = s.areas[ring]
    facing = s.normals[near] if not patch.flat else np.broadcast_to(patch.normal, (len(ring), 3))
    dot = np.einsum("ij,ij->i", s.normals[ring], facing)
    steep = np.degrees(np.arccos(np.clip(dot, -1, 1)))
    order = np.argsort(steep)
    half = np.searchsorted(np.cumsum(w[order]), 0.5 * w.sum())
    level = s.normals[ring] - dot[:, None] * facing
    level /= np.maximum(np.linalg.norm(level, axis=1, keepdims=True), 1e-9)
    rise = np.einsum("ij,ij->i", s.points[ring] - s.points[near], facing) > 0
    return _Ring(
        steep_deg=float(steep[order[min(int(half), len(order) - 1)]]),
        one_sided=float(np.linalg.norm(np.average(level, axis=0, weights=w))),
        rising=float(np.average(rise, weights=w)),
    )


def _with_corner(s: Samples, patch: Patch, drop: Mask, corners: Array, clear: float) -> Mask:
    """The faces of a flat patch and what lies beside it within `clear` mm of its plane."""
    centre = corners.mean(axis=1)
    slab = np.flatnonzero(np.abs(centre @ patch.normal - patch.height) < clear)
    far, _ = KDTree(s.points[patch.samples]).query(
        centre[slab], distance_upper_bound=RING_MM + clear
    )
    more = drop.copy()
    more[slab[np.isfinite(far)]] = True
    return more


def _is_sole(s: Samples, patch: Patch, body: Mask) -> bool:
    """Whether the body above a flat place is much narrower than it, as a leg is above its foot."""
    height = patch.height - s.points @ patch.normal
    above = body & (np.abs(height - SOLE_MM) < 1.5 * SPACING_MM)
    if above.sum() < 8:
        return False
    axes = np.linalg.svd(patch.normal[None])[2][1:]
    flat = s.points @ axes.T
    # Only what stands over the place itself.
    over = flat[above]
    low, high = flat[patch.samples].min(axis=0), flat[patch.samples].max(axis=0)
    over = over[((over > low - RING_MM) & (over < high + RING_MM)).all(axis=1)]
    if len(over) < 8:
        return False
    return ConvexHull(over).volume < NARROWER * ConvexHull(flat[patch.samples]).volume
