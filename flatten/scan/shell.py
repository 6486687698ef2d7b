"""The mended scan in millimetres and in the wearer's frame: one shell, its slit closed."""

from dataclasses import dataclass, field, replace
from typing import Literal, cast

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.geometry.smoothing import border_mask, smooth_positions
from flatten.geometry.topology import face_components
from flatten.geometry.triangles import Array, Faces, face_areas, vertex_normals
from flatten.records.job import GirthSpec, ScanSpec
from flatten.records.scan import Scan
from flatten.scan.denoise import drop_spikes, noise_level
from flatten.scan.girth import scale_by_girths
from flatten.scan.handles import cut_handles
from flatten.scan.holes import fill_small
from flatten.scan.manifold import face_parts_outward, make_manifold
from flatten.scan.mend import Mended
from flatten.scan.pose import find_frame
from flatten.scan.remesh import coarsen, remesh
from flatten.scan.sheets import outer_sheet
from flatten.scan.shells import drop_islands, refuse_second_shell
from flatten.scan.slit import close_slit
from flatten.scan.stand import cut_stand
from flatten.scan.tongues import trim_tongues
from flatten.scan.weld import keep_used
from flatten.units import choose_unit

# The scan is thinned to edges of this share of the working length before anything is measured.
FINE_SHARE = 0.35
# If the girths change the size by more than this, everything measured in mm is done again.
_SAME_SIZE = 1.1
MOST_FACES = 3_000_000
FEW_FACES = 100
# Noise of this share of the edges tilts faces by a quarter of a right angle and more.
ROUGH_SHARE = 0.15


@dataclass(frozen=True, eq=False, kw_only=True)
class Shell:
    """V (n, 3) mm, cast frame, F (m, 3): one oriented manifold, outward, with holes still open.

    turn : (3, 3) file axes -> cast axes; scale : mm per file number; edge_mm : working length
    noise_mm : as measured, 0 if clean; slits : middle lines (k, 3), cast frame
    holes_mm : lengths round the small holes that are filled already; filled (k, 3) the centres of
        the faces that fill them, cast frame
    """

    V: Array
    F: NDArray[np.int32]
    turn: Array
    unit: str
    scale: float
    edge_mm: float
    noise_mm: float
    holes_mm: tuple[float, ...] = ()
    filled: Array
    slits: tuple[Array, ...] = ()
    repairs: dict[str, int | float | str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    @property
    def to_cast(self) -> Array:
        """(4, 4) file numbers -> cast frame, mm."""
        M = np.eye(4)
        M[:3, :3] = self.scale * self.turn
        return M


def make_shell(mended: Mended, scan: Scan, spec: ScanSpec, *, looking: bool = False) -> Shell:
    """Takes the unit, thins, turns outward, leaves the inside wall and the stand out, closes the
    slit, turns upright, scales by the girths. `looking` lets an unclear unit pass (flatten.units).

    Raises
    ------
    BadInput : the unit is not clear; more than one large shell; a girth misses the cast; edge_mm
        would make too many triangles or too few
    """
    unit = choose_unit(
        float(np.ptp(mended.V, axis=0).max()),
        asked=spec.unit,
        stated=scan.unit,
        girth_given=bool(spec.girths),
        looking=looking,
    )
    shell = _upright(mended, spec, unit.unit, unit.mm)
    better = _girth_scale(shell, spec)
    if not 1 / _SAME_SIZE < better < _SAME_SIZE:
        shell = _upright(mended, spec, unit.unit, unit.mm * better)
        better = _girth_scale(shell, spec)
    return replace(
        shell,
        V=shell.V * better,
        scale=shell.scale * better,
        filled=shell.filled * better,
        slits=tuple(s * better for s in shell.slits),
        notes=(unit.said, *shell.notes),
    )


def _upright(mended: Mended, spec: ScanSpec, unit: str, scale: float) -> Shell:
    V, F, part = mended.V * scale, mended.F, mended.part
    repairs: dict[str, int | float | str] = {}
    notes: list[str] = []
    edge = _edge(V, F, spec.edge_mm)
    if mean_edge(V, F) < FINE_SHARE * edge:
        V, F = coarsen(V, F, FINE_SHARE * edge)
        part = face_components(F) if part.any() else np.zeros(len(F), dtype=np.int32)
    F, turned, sure = face_parts_outward(V, F, part)
    if turned:
        repairs["faces_turned_outward"] = turned
        notes.append("the faces looked inward and were turned outward")
    if not sure:
        notes.append("the surface is too flat to tell its outside; the file's own side is taken")
    for left in (outer_sheet, lambda V, F: cut_stand(V, F, scale)):
        # Faces that noise has turned over look like the back of a thin wall.
        done = left(_calm(V, F), F)
        repairs |= done.repairs
        notes += done.notes
        if len(done.F) < len(F):
            V, F = _whole(V, done.F)
    refuse_second_shell(V / scale, F, face_components(F))
    trimmed = trim_tongues(V, F, edge)
    if trimmed.faces:
        V, F = _whole(V, trimmed.F)
        repairs["tongues_trimmed_mm2"] = round(trimmed.mm2, 1)
    V, spikes = drop_spikes(V, F)
    if spikes:
        repairs["spikes_taken_off"] = spikes
    noise = noise_level(V, F)
    if noise > 0:
        V = smooth_positions(V, F, passes=3, fixed=border_mask(F, len(V)))
        repairs["noise_mm"] = round(noise, 3)
    V, F, filled, holes = fill_small(V, F)
    whole = cut_handles(V, F)
    V, F = whole.V, whole.F
    filled = np.concatenate([filled, V[F[whole.patch]].mean(axis=1)])
    notes += whole.notes
    if whole.cut:
        repairs["handles_cut"] = whole.cut
    slit = close_slit(V, F, cast(Literal["close", "keep"], spec.slit))
    V, F = slit.V, slit.F
    repairs |= slit.repairs
    notes += slit.notes
    # A few large triangles show no form to a search by samples: it sees them cut up.
    seen = remesh(V, F, edge, rounds=1) if len(F) < FEW_FACES else None
    posed = (V, F) if seen is None else (seen.V, seen.F)
    frame = find_frame(*posed, _vector(spec.up), _vector(spec.front))
    notes += frame.notes
    turn = frame.R
    return Shell(
        V=V @ turn.T,
        F=F,
        turn=turn,
        unit=unit,
        scale=scale,
        edge_mm=edge,
        noise_mm=noise,
        holes_mm=holes,
        filled=filled @ turn.T,
        slits=tuple(s @ turn.T for s in slit.slits),
        repairs=repairs,
        notes=tuple(notes),
    )


def _whole(V: Array, F: NDArray[np.int32]) -> tuple[Array, NDArray[np.int32]]:
    """A part of a manifold as a manifold of its own: points that only touch parted, crumbs gone."""
    solid = make_manifold(*keep_used(V, F))
    islands = drop_islands(solid.V, solid.F, solid.part)
    return keep_used(solid.V, solid.F[islands.keep])


def _calm(V: Array, F: NDArray[np.int32]) -> Array:
    """Where a scan is rough, the points smoothed so that its faces look where the surface looks."""
    if noise_level(V, F) < ROUGH_SHARE * mean_edge(V, F):
        return V
    return smooth_positions(V, F, passes=8, fixed=border_mask(F, len(V)))


def _vector(direction: tuple[float, float, float] | None) -> Array | None:
    if direction is None:
        return None
    return np.array(direction) / np.linalg.norm(direction)


def _girth_scale(shell: Shell, spec: ScanSpec) -> float:
    if not spec.girths:
        return 1.0
    N = vertex_normals(shell.V, shell.F)
    return scale_by_girths(
        shell.V, shell.F, N, girths_in_cast(spec.girths, shell.to_cast), spec.tape_mm
    ).scale


def girths_in_cast(specs: tuple[GirthSpec, ...], to_cast: Array) -> list[GirthSpec]:
    """The same measurements with their points in the cast's frame."""
    moved = [to_cast[:3, :3] @ np.array(s.at) + to_cast[:3, 3] for s in specs]
    return [
        replace(s, at=(float(p[0]), float(p[1]), float(p[2])))
        for s, p in zip(specs, moved, strict=True)
    ]


def _edge(V: Array, F: Faces, asked: float | None) -> float:
    """The working length: the one asked for, if the cast can be meshed with it."""
    if asked is None:
        return working_edge(V, F)
    finest = float(np.sqrt(face_areas(V, F).sum() / (0.433 * MOST_FACES)))
    coarsest = float(np.ptp(V, axis=0).max()) / 8
    if not finest <= asked <= coarsest:
        raise BadInput(
            f"edge_mm = {asked:g} does not suit a cast of this size",
            "scan.edge_mm",
            f"use {finest:.2g} to {coarsest:.3g} mm, or leave it out",
        )
    return asked


def working_edge(V: Array, F: Faces) -> float:
    """Edge length in mm that suits the size: 5 mm from 300 mm upward, finer for smaller things."""
    extent = float(np.ptp(V, axis=0).max())
    thousand = float(np.sqrt(face_areas(V, F).sum() / (1000 * 0.433)))
    return float(np.clip(min(extent / 60, thousand), 0.02, 5.0))


def mean_edge(V: Array, F: Faces) -> float:
    """Edge length of the even mesh with as many faces on the same area."""
    return float(np.sqrt(face_areas(V, F).sum() / (0.433 * len(F))))
