"""Bevels: the angle at which thick edges meet, and how far the longer face's edge lies out."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from flatten.geometry.curves import arc_length
from flatten.geometry.plane_curves import beside
from flatten.geometry.triangles import face_cross
from flatten.records.drawing import Polyline
from flatten.records.material import Material
from flatten.records.panels import Panel, PanelSet, Seam
from flatten.template.piece import Edge, EdgeText, Piece

Array = NDArray[np.float64]

REACH_MM = 4.0  # spread of the weights with which normals beside a seam are averaged
WIDE_MM2 = 1000.0  # beyond this much of a panel nothing weighs any more
LEAST_DEG = 4.0  # a half-angle that never exceeds this is cut square
STEEPEST_DEG = 60.0
STEP_DEG = 5.0
REPEAT_MM = 80.0  # a long stretch of one angle says so again
SHORT_MM = 12.0  # a stretch shorter than this takes its neighbour's angle


def half_angles(panel_set: PanelSet, seam: Seam) -> Array:
    """(k,) half the angle between the two panels' normals at each vertex of a seam, radians.

    Positive where the outside is the longer face (a ridge), negative in a valley. Normals are
    averaged beside the seam with Gaussian weights of two spreads, and extrapolated to the seam
    itself, so that the smooth curvature of a panel is not taken for a fold.
    """
    a, b = (panel_set.panels[side.panel] for side in seam.sides)
    places = a.V[seam.sides[0].vertices]
    middles = 0.5 * (places + b.V[seam.sides[1].vertices])
    (na, ca), (nb, cb) = (_beside(panel, middles) for panel in (a, b))
    turn = np.arctan2(np.linalg.norm(np.cross(na, nb), axis=2), np.einsum("rij,rij->ri", na, nb))
    ridge = np.einsum("rij,rij->ri", na - nb, ca - cb)
    near, far = turn * np.sign(ridge)
    most = np.radians(STEEPEST_DEG)
    return np.clip(0.5 * (2.0 * near - far), -most, most)


def _beside(panel: Panel, places: Array) -> tuple[Array, Array]:
    """(2, k, 3) mean normals and mean places of a panel near each place, at both reaches.

    Weighted by area and nearness, over the nearest faces that make up `WIDE_MM2` or more.
    """
    centre = panel.V[panel.F].mean(axis=1)
    # Only faces near the seam can count; the tree over them is small.
    margin = 8.0 * REACH_MM
    low, high = places.min(axis=0) - margin, places.max(axis=0) + margin
    close = np.nonzero(((centre > low) & (centre < high)).all(axis=1))[0]
    if len(close) == 0:
        close = np.arange(len(centre))
    centre, cross = centre[close], face_cross(panel.V, panel.F[close])
    # Where the mesh is finest, as many faces as fill the wider of the two reaches.
    small = float(np.percentile(np.linalg.norm(cross, axis=1), 10)) / 2.0
    k = min(int(np.clip(WIDE_MM2 / max(small, 1e-9), 96, 768)), len(centre))
    distance, found = KDTree(centre).query(places, k=k)
    distance, found = np.reshape(distance, (-1, k)), np.reshape(found, (-1, k))
    size = np.linalg.norm(cross, axis=1)[found]
    normals, middles = [], []
    for reach in (REACH_MM, 2.0 * REACH_MM):
        # A coarse mesh has no face within reach; the nearest one then decides.
        spread = np.maximum(reach, distance[:, :1])
        weight = np.exp(-0.5 * (distance / spread) ** 2)
        normal = np.einsum("ij,ijc->ic", weight, cross[found])
        area = weight * size
        normals.append(normal / np.maximum(np.linalg.norm(normal, axis=1), 1e-300)[:, None])
        middles.append(np.einsum("ij,ijc->ic", area, centre[found]) / area.sum(axis=1)[:, None])
    return np.array(normals), np.array(middles)


@dataclass(frozen=True, eq=False, kw_only=True)
class Fold:
    """How two boards meet along a seam, once for both its sides.

    half : (k,) half-angles at the seam's vertices, radians, as `half_angles` gives them
    share : (k,) where each vertex lies along the seam on the body, 0 to 1
    stretches : (start, end, degrees) in the seam's direction, 0 to 1, of one rounded half-angle;
        none where the seam is cut square throughout
    length : of the seam on the body, mm
    """

    half: Array
    share: Array
    stretches: tuple[tuple[float, float, float], ...]
    length: float


def fold_along(panel_set: PanelSet, seam: Seam) -> Fold:
    """The fold along a seam, its half-angles rounded to `STEP_DEG` in stretches."""
    half = half_angles(panel_set, seam)
    side = seam.sides[0]
    reach = arc_length(panel_set.panels[side.panel].V[side.vertices])
    length = float(reach[-1])
    share = reach / max(length, 1e-300)
    return Fold(
        half=half, share=share, stretches=_stretches(share, np.degrees(half), length), length=length
    )


def _stretches(
    share: Array, angle_deg: Array, length: float
) -> tuple[tuple[float, float, float], ...]:
    """Stretches of one rounded angle; those shorter than `SHORT_MM` join the one before."""
    if np.abs(angle_deg).max() < LEAST_DEG:
        return ()
    at = np.linspace(0.0, 1.0, max(int(length / 4.0), 2) + 1)
    value = np.interp(at, share, angle_deg)
    step = np.round(value / STEP_DEG) * STEP_DEG + 0.0  # no minus zero
    step[np.abs(value) < LEAST_DEG] = 0.0
    starts = [0]
    for i in range(1, len(at)):
        if step[i] != step[starts[-1]]:
            if (at[i] - at[starts[-1]]) * length < SHORT_MM and len(starts) > 1:
                starts.pop()
                if step[i] == step[starts[-1]]:
                    continue
            starts.append(i)
    if len(starts) > 1 and (1.0 - at[starts[-1]]) * length < SHORT_MM:
        starts.pop()
    return tuple(
        (float(at[first]), float(at[last]), float(step[first]))
        for first, last in pairwise([*starts, len(at) - 1])
    )


def set_bevels(
    piece: Piece, panel_set: PanelSet, material: Material, folds: dict[int, Fold]
) -> None:
    """Bevels of every butt edge: the set-out of the longer face's edge, and the printed steps.

    folds : by seam, filled here as they are needed
    The neutral surfaces of two boards meet on the net line; the outer faces, (1 - K) t beyond it,
    meet (1 - K) t tan(half) farther out, the inner ones K t tan(half) in a valley.
    """
    t, k = material.thickness_mm, material.k
    if not material.bevel or t <= 0.0:
        return
    for i, edge in enumerate(piece.edges):
        if edge.seam < 0 or edge.joint != "butt" or edge.dart:
            continue
        if edge.seam not in folds:
            folds[edge.seam] = fold_along(panel_set, panel_set.seams[edge.seam])
        fold = folds[edge.seam]
        if not fold.stretches:
            continue
        angle = fold.half if edge.with_seam else fold.half[::-1]
        depth = np.where(angle > 0.0, (1.0 - k) * t, k * t)
        reach = arc_length(edge.points)
        place = reach / max(reach[-1], 1e-300)
        edge.setout = np.interp(place, edge.vertex_at, depth * np.tan(np.abs(angle)))
        _print_steps(piece, i, edge, fold)


def _print_steps(piece: Piece, index: int, edge: Edge, fold: Fold) -> None:
    """The half-angle in steps along an edge, and a tick where it changes side."""
    own = edge.vertex_at if edge.with_seam else 1.0 - edge.vertex_at[::-1]

    def on_edge(share: float) -> float:
        u = float(np.interp(share, fold.share, own))
        return (u if edge.with_seam else 1.0 - u) * edge.length

    side = 0.0
    for start, end, turn in fold.stretches:
        if turn and side and np.sign(turn) != side:
            _tick(piece, edge, on_edge(start))
            words = ("bevel changes side",)
            at = on_edge(start)
            piece.words.append(EdgeText(edge=index, wordings=words, at=at, needed=False))
        side = float(np.sign(turn)) or side
        run = (end - start) * fold.length
        count = max(1, int(np.ceil(run / REPEAT_MM))) if turn else 1
        for share in start + (end - start) * (np.arange(count) + 0.5) / count:
            at = on_edge(float(share))
            edge.bevels.append((at, turn))
            piece.words.append(EdgeText(edge=index, wordings=bevel_words(turn), at=at))
    edge.bevels.sort()


def bevel_words(turn: float) -> tuple[str, ...]:
    """How a bevel is written: its half-angle from square and which face is left long."""
    if turn == 0.0:
        return ("square", "sq")
    face = "face" if turn > 0.0 else "back"
    size = f"{abs(turn):.0f}"
    return (f"bevel {size}, {face} long", f"{size} {face} long", f"{size} {face}", size + face[0])


def _tick(piece: Piece, edge: Edge, at: float) -> None:
    ends = np.concatenate([beside(edge.points, at, off) for off in (0.0, -6.0)])
    piece.ink.append(Polyline(layer="DETAIL", points=ends))
