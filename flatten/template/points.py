"""Point details (eyelets, rivets, slits, buttonholes) put on the panel they lie on, edges checked."""

from fnmatch import fnmatchcase

import numpy as np
import shapely
from numpy.typing import NDArray

from flatten.geometry.plane_curves import outward
from flatten.records.drawing import Circle, Polyline
from flatten.records.flat import FlatSet
from flatten.records.making import PointDetail
from flatten.records.material import Material, Ply
from flatten.template.piece import Piece

Array = NDArray[np.float64]

CANDIDATES = 24
FAR_MM = 25.0  # from the panels, beyond which a point is taken for a slip of the pen
SLIT_MM = 0.4  # width of the closed line that a slit is cut along


def usual_edge(point: PointDetail, material: Material) -> float:
    """Least distance from a point detail's middle to the cut line, mm (common practice).

    Rivets 20 in foam and 10 in other materials, eyelets 15 and 11; slits and buttonholes half
    their length and twice the thickness, at least 5.
    """
    foam = material.family == "foam"
    if point.kind == "rivet":
        return 20.0 if foam else 10.0
    if point.kind == "eyelet":
        return 15.0 if foam else 11.0
    return max(5.0, 2.0 * material.thickness_mm)


def opening_mm(point: PointDetail, material: Material) -> float:
    """Length of a slit, or of the buttonhole for a button: its diameter and its thickness."""
    return point.diameter_mm + (point.thickness_mm if point.kind == "buttonhole" else 0.0)


def place_points(
    pieces: list[Piece],
    flat_set: FlatSet,
    ply: Ply,
    points: tuple[PointDetail, ...],
    ups: list[Array],
) -> list[str]:
    """Draws every point of this ply on the panel nearest to it; what is wrong comes back as notes.

    A point is where the cast is at `at` (the scan file's own numbers). ups : (2,) the wearer's up on
    each flat; a slit at 0 degrees lies level on the wearer, at 90 upright.
    """
    notes = []
    panel_set, material = flat_set.panel_set, flat_set.material
    for point in points:
        if not any(fnmatchcase(ply.name, pattern) for pattern in point.plies):
            continue
        place = panel_set.cast.to_cast @ np.array([*point.at, 1.0])
        found = [_nearest(panel.V, panel.F, place[:3]) for panel in panel_set.panels]
        index = min(range(len(found)), key=lambda i: found[i][0])
        away, face, bary = found[index]
        if away > FAR_MM + abs(panel_set.offset_mm) + abs(panel_set.cast.offset_mm):
            notes.append(
                f"{point.kind} '{point.name}' lies {away:.0f} mm off every panel: left out"
            )
            continue
        U = flat_set.flats[index].U / (1.0 - material.shrink_pct / 100.0)
        centre = bary @ U[panel_set.panels[index].F[face]]
        _draw(pieces[index], point, material, centre, ups[index])
    return notes


def _draw(piece: Piece, point: PointDetail, material: Material, centre: Array, up: Array) -> None:
    name = f"{point.kind} '{point.name}'"
    half = 0.5 * opening_mm(point, material)
    turn = np.radians(point.angle_deg)
    along = np.cos(turn) * outward(up) + np.sin(turn) * up
    is_round = point.kind in ("eyelet", "rivet")
    ends = (
        np.array([centre]) if is_round else np.array([centre - half * along, centre + half * along])
    )
    shape = shapely.Point(centre).buffer(half) if is_round else shapely.LineString(ends)
    if not piece.cut.contains(shape.buffer(1.0)):
        piece.notes.append(f"{name} would break out of the piece: left out")
        return
    edge = min(piece.cut.exterior.distance(shapely.Point(p)) for p in ends)
    usual = usual_edge(point, material)
    if edge < usual:
        piece.notes.append(f"{name} lies {edge:.1f} mm from the edge; {usual:g} mm is usual")
    if is_round:
        x, y = centre.tolist()
        piece.ink.append(Circle(layer="HOLE", centre=(x, y), radius=half))
    elif material.family == "cloth":  # sewn first, then cut by hand
        across = np.array([-along[1], along[0]])
        piece.ink.append(Polyline(layer="DETAIL", points=ends))
        piece.ink += [
            Polyline(layer="DETAIL", points=np.array([end - 3.0 * across, end + 3.0 * across]))
            for end in ends
        ]
    else:
        ring = shapely.LineString(ends).buffer(SLIT_MM / 2, quad_segs=4).exterior
        piece.inner.append(np.array(ring.coords)[:-1])
        piece.ink.append(Polyline(layer="DETAIL", points=ends))


def _nearest(V: Array, F: NDArray[np.int32], p: Array) -> tuple[float, int, Array]:
    """Distance, face and barycentric place of about the nearest point of a mesh to p.

    Among the faces whose middles are nearest, each one's foot point is pulled into the face.
    """
    middle = V[F].mean(axis=1)
    near = np.argsort(np.linalg.norm(middle - p, axis=1), kind="stable")[:CANDIDATES]
    a, b, c = (V[F[near, i]] for i in range(3))
    e, f, d = b - a, c - a, p - a
    ee, ef, ff = (np.einsum("ij,ij->i", x, y) for x, y in ((e, e), (e, f), (f, f)))
    de, df = (np.einsum("ij,ij->i", d, y) for y in (e, f))
    area = np.maximum(ee * ff - ef * ef, 1e-300)
    v, w = (ff * de - ef * df) / area, (ee * df - ef * de) / area
    bary = np.clip(np.stack([1.0 - v - w, v, w], axis=1), 0.0, None)
    bary /= bary.sum(axis=1, keepdims=True)
    away = np.linalg.norm(np.einsum("ki,kij->kj", bary, V[F[near]]) - p, axis=1)
    best = int(np.argmin(away))
    return float(away[best]), int(near[best]), bary[best]
