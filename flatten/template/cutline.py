"""The cut line: net edges grown by their allowances, darts opened or closed, hems folded back."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, Point, Polygon

from flatten.geometry.plane_curves import along as along_curve
from flatten.geometry.plane_curves import beside, outward
from flatten.geometry.polygons import grow, largest
from flatten.template.piece import Edge, Piece

Array = NDArray[np.float64]

KNIFE_MM = 0.2  # width of the slit where a dart takes nothing away
SAME_MM = 0.002  # points of a cut line nearer than this are one
HEM_END_MM = 6.0  # of an edge, over which its direction at a hem's end is taken


@dataclass(frozen=True, eq=False, kw_only=True)
class Dart:
    """Two edges that close a dart: `first` runs in to the point, the next one out again.

    mouth : (2, 2) where the legs begin on the border; point : (2,) the dart's point
    """

    first: int
    second: int
    mouth: Array
    point: Array

    @property
    def intake(self) -> float:
        """Distance between the legs at the mouth, mm."""
        return float(np.linalg.norm(self.mouth[1] - self.mouth[0]))

    @property
    def axis(self) -> Array:
        """(2,) unit direction from the point to the middle of the mouth."""
        d = self.mouth.mean(axis=0) - self.point
        return d / max(float(np.linalg.norm(d)), 1e-300)

    @property
    def length(self) -> float:
        return float(np.linalg.norm(self.mouth.mean(axis=0) - self.point))

    @property
    def opens(self) -> bool:
        """True where the legs lie apart with the gap between them; else they cross."""
        legs = self.mouth - self.point
        return bool(legs[0, 0] * legs[1, 1] - legs[0, 1] * legs[1, 0] >= -1e-9)


def darts_of(edges: list[Edge]) -> list[Dart]:
    """The darts of a piece: pairs of neighbouring edges that are two sides of one dart."""
    found = []
    for i, edge in enumerate(edges):
        j = (i + 1) % len(edges)
        if edge.dart and edges[j].seam == edge.seam and len(edges) > 2:
            mouth = np.array([edge.points[0], edges[j].points[-1]])
            found.append(Dart(first=i, second=j, mouth=mouth, point=edge.points[-1]))
    return found


def cut_line(piece: Piece, *, folded: bool) -> None:
    """Sets the piece's cut line. `folded` : darts are folded (cloth), not cut out."""
    darts = {dart.first: dart for dart in darts_of(piece.edges)}
    points: list[Array] = []
    widths: list[Array] = []
    n = len(piece.edges)
    skip: set[int] = set()
    for i, edge in enumerate(piece.edges):
        if folded and i in darts:
            dart = darts[i]
            before, after = piece.edges[i - 1], piece.edges[(dart.second + 1) % n]
            points.append(np.array([dart.mouth[0], dart_cap(dart, after)]))
            widths.append(np.repeat([[before.allowance_mm], [after.allowance_mm]], 2, axis=1))
            skip.add(dart.second)
        elif i not in skip:
            points.append(edge.points[:-1])
            widths.append(edge.widths())
    # The edge after a dart whose second leg is the first edge of the border comes round again.
    if folded and any(d.second < d.first for d in darts.values()):
        points[0], widths[0] = points[0][:0], widths[0][:0]
    outline, wide = np.concatenate(points), np.concatenate(widths)
    keep = np.linalg.norm(np.roll(outline, -1, axis=0) - outline, axis=1) > 1e-7
    piece.cut = grow(outline[keep], wide[keep])
    if not folded:
        for dart in darts.values():
            _cut_out(piece, dart)
    for i in range(n):
        _fold_back(piece, piece.edges[i], piece.edges[(i + 1) % n], hem_first=True)
        _fold_back(piece, piece.edges[i], piece.edges[(i + 1) % n], hem_first=False)
    for eye in piece.cut.interiors:
        piece.inner.append(np.array(eye.coords)[:-1])
        x, y = eye.centroid.coords[0]
        piece.notes.append(
            f"its allowances meet round an opening at ({x:.0f}, {y:.0f}); slash between them"
        )
    piece.cut = without_repeats(piece.cut)


def without_repeats(outline: Polygon) -> Polygon:
    """An outline without its holes and without points on each other, where a knife would stop."""
    return Polygon(shapely.remove_repeated_points(outline.exterior, SAME_MM))


def dart_cap(dart: Dart, after: Edge) -> Array:
    """The tip of a folded dart's mouth, so that the fold ends level with the edge it lies on.

    Pressed toward the second leg, the fold's half beside that leg is the mirror image of what
    lies under it: the neighbouring edge, reflected in the leg, cut off by the dart's middle line.
    """
    leg = dart.mouth[1] - dart.point
    length = float(np.linalg.norm(leg))
    middle = dart.mouth.mean(axis=0)
    if not dart.opens or length < 1e-9 or dart.intake < 1e-6:
        return middle
    leg = leg / length
    t = after.points[1] - after.points[0]
    back = 2.0 * (t @ leg) * leg - t  # the edge's direction reflected in the leg
    axis = dart.axis
    cross = back[0] * axis[1] - back[1] * axis[0]
    if abs(cross) < 1e-9:
        return middle
    start = dart.mouth[1] - dart.point
    along = (back[0] * start[1] - back[1] * start[0]) / cross
    tip = dart.point + axis * along
    far = float(np.linalg.norm(tip - middle))
    return tip if along > 0.0 and far <= dart.intake else middle


def _cut_out(piece: Piece, dart: Dart) -> None:
    """Cuts a dart out, through whatever allowance lies beyond its mouth.

    Where it takes (almost) nothing away it is opened by the width of a knife.
    """
    legs = [piece.edges[dart.first].points, piece.edges[dart.second].points]
    n = len(piece.edges)
    before, after = piece.edges[dart.first - 1], piece.edges[(dart.second + 1) % n]
    away = outward(before.points[-1] - before.points[-2])
    away = away / np.linalg.norm(away)
    other = outward(after.points[1] - after.points[0])
    away = away + other / np.linalg.norm(other)
    size = float(np.linalg.norm(away))
    away = away / size if size > 0.2 else dart.axis
    through = away * 2.0 * max(before.allowance_mm, after.allowance_mm)
    wedge = Polygon(np.vstack([legs[0], legs[1][1:]]))
    if wedge.is_valid and wedge.area >= 0.5 * KNIFE_MM * piece.edges[dart.first].length:
        mouth = Polygon([dart.mouth[0], *(dart.mouth + through), dart.mouth[1]])
        # Beside a sharp corner the way through the allowance must not shave the piece itself.
        gone = shapely.union_all([wedge, mouth.difference(piece.net)]) if mouth.is_valid else wedge
    else:
        slit = np.vstack([dart.mouth[:1] + through, legs[0]])
        gone = LineString(slit).buffer(KNIFE_MM / 2, cap_style="square")
    piece.cut = largest(piece.cut.difference(gone))


def _away(points: Array) -> Array:
    """(2,) the way from a curve's start to the place `HEM_END_MM` along it."""
    return along_curve(points, HEM_END_MM)[0][0] - points[0]


def _fold_back(piece: Piece, edge: Edge, after: Edge, *, hem_first: bool) -> None:
    """Shapes the end of a turned hem so that it lies on the piece when it is folded back.

    At the corner the neighbour's cut line is reflected in the hem's net line: at a blunt corner
    the hem flares out to it, at a sharp one it is trimmed along it.
    """
    hem, side = (edge, after) if hem_first else (after, edge)
    if hem.finish != "turned" or side.finish == "turned" or hem.allowance_mm <= 0.0:
        return
    if hem.dart or side.dart:
        return
    corner = after.points[0]
    # Directions away from the corner: `along` on the hem, `rise` on the neighbour.
    back, ahead = _away(edge.points[::-1]), _away(after.points)
    along, rise = (back, ahead) if hem_first else (ahead, back)
    along, rise = along / np.linalg.norm(along), rise / np.linalg.norm(rise)
    down = outward(-along if hem_first else along)  # off the piece, square to the hem
    height = -float(rise @ down)
    if height < 0.7:  # sharper than 45 degrees, blunter than 135, or hollow
        return
    width = hem.allowance_mm
    lean = float(rise @ along) / height  # how far the neighbour leans over the piece, per mm up
    reach = -side.allowance_mm / height  # where its cut line meets the hem's net line
    foot, end = corner + along * reach, corner + along * (reach + lean * width) + down * width
    far = corner - along * (3.0 * width + side.allowance_mm + abs(lean) * width)
    beyond = Polygon([foot, end, far + down * 2.0 * width, far])
    low = end + down * width
    beyond = shapely.union_all([beyond, Polygon([end, low, far + down * 2.0 * width])])
    near = Point(corner).buffer(4.0 * width + 2.0 * side.allowance_mm)
    # It leaves the hem's own cut line where the direction was taken, so that no step is left.
    at = hem.length - HEM_END_MM if hem_first else HEM_END_MM
    flare = Polygon([corner, beside(hem.points, at, width)[0], end, foot])
    cut = piece.cut.difference(beyond.intersection(near).difference(piece.net))
    if flare.is_valid:
        cut = shapely.union_all([cut, flare])
    cut = largest(cut)
    if cut.is_valid and cut.buffer(1e-6).covers(piece.net):
        piece.cut = cut
