"""Level girths as a tape measures them, and the scale that makes them fit the wearer's."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.geometry.section import Chain, plane_section, tape_length
from flatten.records.cast import Girth
from flatten.records.job import GirthSpec

Array = NDArray[np.float64]
Faces = NDArray[np.integer]

UP = np.array([0.0, 1.0, 0.0])
# A tape lies straight over a gap; a section that is open for more than this is no tape level.
GAP_MM = 40.0
MOVE_MM = 60.0
STEP_MM = 2.5
ASTRAY = 0.25  # a girth this far from the fitted one was not taken on this cast
OTHER_UNITS = (
    ("inches, not centimetres", 2.54),
    ("centimetres, not inches", 1 / 2.54),
    ("a unit ten times larger", 10.0),
    ("a unit ten times smaller", 0.1),
)


@dataclass(frozen=True, eq=False, kw_only=True)
class LevelGirth:
    """A tape laid level round the body.

    mm : its length; level : the height y it lies at, moved_mm from the one asked for
    section : (k, 3) the points of the section it goes round; closed : no opening is spanned
    """

    mm: float
    level: float
    moved_mm: float
    section: Array
    closed: bool
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class ScaleResult:
    """scale : by how much the mesh is to be multiplied; girths : measured after that."""

    scale: float
    girths: tuple[Girth, ...]
    notes: tuple[str, ...] = ()


def allowed_difference(mm: float) -> float:
    """Allowed scan-to-tape difference, mm: 9 for large girths, 4 for small ones (ISO 20685)."""
    return 9.0 if mm > 500.0 else 4.0


def level_girth(V: Array, F: Faces, at: Array) -> LevelGirth:
    """The level girth nearest to the point `at` (mm, up is +y).

    The section's piece nearest to `at` is followed round the body, over gaps of up to 40 mm.
    Where an opening interrupts it (an armhole that the plane grazes), the level is moved by up to
    60 mm to the nearest one that runs round the body, which is said.

    Raises
    ------
    BadInput : no part of the surface lies at or near that level
    """
    at = np.asarray(at, dtype=np.float64)
    near = np.abs(V[:, 1] - at[1]) <= MOVE_MM + 30.0
    T = F[near[F].any(axis=1)]
    here = _loop_at(V, T, at, at[1])
    if here is None:
        low, high = V[:, 1].min(), V[:, 1].max()
        raise BadInput(
            f"no surface at the level of the girth point (y {at[1]:.0f} mm; the cast reaches from "
            f"{low:.0f} to {high:.0f})",
            "scan.girth.at",
            "give a point on the cast, in the scan file's own numbers",
        )
    notes = []
    away = float(np.linalg.norm(here.points - at, axis=1).min())
    if away > 100.0:
        notes.append(f"the girth point lies {away:.0f} mm away from the cast: check scan.girth.at")
    mm = tape_length(here.points, UP)
    if here.closed:
        return LevelGirth(
            mm=mm, level=float(at[1]), moved_mm=0.0, section=here.points, closed=True,
            notes=tuple(notes),
        )  # fmt: skip
    for k in range(1, int(MOVE_MM / STEP_MM) + 1):
        for move in (-k * STEP_MM, k * STEP_MM):
            loop = _loop_at(V, T, at + move * UP, at[1] + move)
            if loop is None or not loop.closed:
                continue
            there = tape_length(loop.points, UP)
            # The neck lies near an armhole too: it is another girth altogether.
            if 0.75 * mm < there < 1.33 * mm:
                notes.append(
                    f"the level at y {at[1]:.0f} mm grazes an opening; the girth was taken "
                    f"{abs(move):.1f} mm {'lower' if move < 0 else 'higher'}, where it closes"
                )
                return LevelGirth(
                    mm=there, level=float(at[1] + move), moved_mm=float(move), section=loop.points,
                    closed=True, notes=tuple(notes),
                )  # fmt: skip
    notes.append(
        f"the level at y {at[1]:.0f} mm runs through an opening; the tape was laid straight over it"
    )
    return LevelGirth(
        mm=mm, level=float(at[1]), moved_mm=0.0, section=here.points, closed=False,
        notes=tuple(notes),
    )  # fmt: skip


def _loop_at(V: Array, F: Faces, at: Array, level: float) -> Chain | None:
    """The section's piece nearest to `at`, joined over gaps; open if it spans an opening."""
    chains = plane_section(V, F, UP, level)
    if not chains:
        return None
    chains.sort(key=lambda c: float(np.linalg.norm(c.points - at, axis=1).min()))
    run, rest = chains[0].points, [c for c in chains[1:] if not c.closed]
    if chains[0].closed:
        return chains[0]
    widest = 0.0
    while True:
        # From the run's end to the nearest free end, or back to the run's own start.
        gap, which, turned = float(np.linalg.norm(run[0] - run[-1])), -1, False
        if len(run) < 4:
            gap = np.inf
        for i, c in enumerate(rest):
            for flip, end in ((False, c.points[0]), (True, c.points[-1])):
                d = float(np.linalg.norm(end - run[-1]))
                if d < gap:
                    gap, which, turned = d, i, flip
        widest = max(widest, gap)
        if which < 0:
            return Chain(points=run, closed=widest <= GAP_MM)
        other = rest.pop(which).points
        run = np.vstack([run, other[::-1] if turned else other])


def scale_by_girths(
    V: Array, F: Faces, N: Array, specs: Sequence[GirthSpec], tape_mm: float
) -> ScaleResult:
    """The scale at which the girths fit the wearer's in the least-squares sense.

    Parameters
    ----------
    V, F, N : the posed mesh (mm, up is +y) and its unit outward normals (n, 3)
    specs : tape measurements, `at` in the frame of V
    tape_mm : the wrap's thickness; a girth is measured after it is taken off along N, one with
        `over_wrap` before

    A girth of the scaled surface less the tape is scale * girth - what the tape takes. What it
    takes is measured on the offset section (2 pi tape round a convex section, less where the
    normals are not level), so the scale is found by repeating a linear fit.

    Raises
    ------
    BadInput : a girth's level misses the cast, or the girths contradict one another
    """
    if not specs:
        return ScaleResult(scale=1.0, girths=())
    notes: list[str] = []
    levels = []
    for spec in specs:
        level = level_girth(V, F, np.array(spec.at))
        name = _named(spec)
        notes += [f"{name}: {note}" for note in level.notes]
        levels.append(level)
    asked = np.array([spec.mm for spec in specs])
    bare = np.array([level.mm for level in levels])
    scale = float(bare @ asked / (bare @ bare))
    measured = scale * bare
    for _ in range(8):
        tape = [0.0 if spec.over_wrap else tape_mm / scale for spec in specs]
        measured = scale * np.array(
            [_offset_girth(V, F, N, x, t) for x, t in zip(levels, tape, strict=True)]
        )
        taken = scale * bare - measured
        better = float(bare @ (asked + taken) / (bare @ bare))
        done = abs(better - scale) < 1e-7 * scale
        scale = better
        if done:
            break
    girths = tuple(
        Girth(
            at=np.array(spec.at) * scale,
            measured_mm=float(mm),
            asked_mm=spec.mm,
            over_wrap=spec.over_wrap,
            allowed_mm=allowed_difference(spec.mm),
        )
        for spec, mm in zip(specs, measured, strict=True)
    )
    for girth, spec in zip(girths, specs, strict=True):
        if abs(girth.measured_mm / spec.mm - 1.0) > ASTRAY:
            raise BadInput(
                f"the girths do not agree with one another: to fit them all this one would be "
                f"{girth.measured_mm:.0f} mm",
                _named(spec),
                "check each tape measurement, its point and its unit",
            )
    notes += _remarks(girths, scale)
    return ScaleResult(scale=scale, girths=girths, notes=tuple(notes))


def _offset_girth(V: Array, F: Faces, N: Array, level: LevelGirth, tape: float) -> float:
    """The girth at the same level once the surface is moved inward by `tape`."""
    if tape == 0.0:
        return level.mm
    # Only faces that can reach the level; an inward move changes a height by at most `tape`.
    y = V[:, 1][F]
    T = F[(y.min(axis=1) <= level.level + abs(tape)) & (y.max(axis=1) >= level.level - abs(tape))]
    used, T = np.unique(T, return_inverse=True)
    moved = V[used] - tape * N[used]
    at = level.section[0]
    loop = _loop_at(moved, T.reshape(-1, 3), at, level.level)
    return tape_length(loop.points, UP) if loop is not None else level.mm


def _named(spec: GirthSpec) -> str:
    return f"girth of {spec.mm:.0f} mm{' over the wrap' if spec.over_wrap else ''}"


def _remarks(girths: tuple[Girth, ...], scale: float) -> list[str]:
    said = []
    for g in girths:
        asked = g.asked_mm or 0.0
        off = g.measured_mm - asked
        if abs(off) > g.allowed_mm:
            said.append(
                f"a girth does not fit: the tape said {asked:.1f} mm, the scaled cast measures "
                f"{g.measured_mm:.1f} mm ({off:+.1f}; ISO 20685 allows {g.allowed_mm:.0f}): check "
                "the tape, the point, and whether the cast sprang open"
            )
    if abs(scale - 1) > 0.03:
        hint = "".join(
            f"; the file may be in {unit}" for unit, r in OTHER_UNITS if abs(scale / r - 1) < 0.06
        )
        said.append(f"the girths make the cast {scale:.4f} times the size its unit says{hint}")
    return said
