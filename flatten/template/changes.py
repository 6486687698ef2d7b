"""What has changed on a template since it was last issued, in the words of the bench."""

from collections.abc import Sequence
from dataclasses import replace
from fnmatch import fnmatchcase

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.linalg import svd
from shapely.geometry import LineString, Polygon

from flatten.errors import BadInput
from flatten.geometry.curves import arc_length, at_lengths
from flatten.records.drawing import Circle, Ink, Polyline
from flatten.records.issue import Change, EarlierRun
from flatten.records.template import NetEdge, Template, TemplateSet

Array = NDArray[np.float64]

SAME_MM = 0.3  # what a knife does not keep: two outlines nearer than this are one
PLACES = 24
COMPARED = ("SCORE", "DETAIL", "HOLE", "SNIP")


def list_changes(template_set: TemplateSet, earlier: EarlierRun) -> list[Change]:
    """A row for every template of a ply, then one for each that is no longer there."""
    ply = template_set.flat_set.ply
    rows = []
    for template in template_set.templates:
        before = earlier.templates.get(template.name)
        said = () if before is None else tuple(changes(template, before))
        if before is not None and earlier.materials.get(ply) != template_set.flat_set.material.name:
            said = (f"now in {template_set.flat_set.material.name}", *said)
        state = "new" if before is None else ("changed" if said else "same")
        rows.append(
            Change(ply=ply, piece=template.name, revision=template.revision, state=state, said=said)
        )
    now = {template.name for template in template_set.templates}
    rows += [
        Change(ply=ply, piece=name, revision=before.revision, state="dropped")
        for name, before in earlier.templates.items()
        if before.ply == ply and name not in now
    ]
    return rows


def choose_pieces(
    template_set: TemplateSet, patterns: Sequence[str], again: set[str] | None
) -> TemplateSet:
    """Only those templates that are to be drawn and cut: by name, and, if given, those in `again`.

    A pattern is held against a template's name with and without its ply's.
    """
    every = template_set.templates
    chosen = tuple(
        t
        for t in every
        if (again is None or t.name in again) and any(_is_meant(t, pattern) for pattern in patterns)
    )
    if len(chosen) == len(every):
        return template_set
    return replace(template_set, templates=chosen, every=every)


def check_pieces(patterns: Sequence[str], templates: Sequence[Template]) -> None:
    """Every pattern means at least one of all the job's templates.

    Raises
    ------
    BadInput : names the one that does not, and the pieces there are
    """
    for pattern in patterns:
        if templates and not any(_is_meant(t, pattern) for t in templates):
            names = ", ".join(f"'{t.name}'" for t in templates[:8])
            more = f" and {len(templates) - 8} more" if len(templates) > 8 else ""
            raise BadInput(
                f"no piece is called '{pattern}'",
                "--only or [output] pieces",
                f"there are {names}{more}",
            )


def _is_meant(template: Template, pattern: str) -> bool:
    names = (template.name, template.piece)
    return any(fnmatchcase(name, pattern) for name in names)


def changes(now: Template, before: Template) -> list[str]:
    """Sentences about all that differs by more than a knife keeps; none where nothing does.

    Both are drawn by the same rules, so that what did not change lies at the same place; where
    nothing does, the one is first laid on the other.
    """
    said = []
    if (now.face, now.quantity) != (before.face, before.quantity):
        said.append(f"cut {now.quantity}, {now.face} up (was {before.quantity}, {before.face} up)")
    if [(e.name, e.partner) for e in now.net] != [(e.name, e.partner) for e in before.net]:
        return [*said, "other edges than before"]
    turn, shift = _laid_on(now, before)
    outline = Polygon(np.concatenate([e.points[:-1] for e in before.net]))
    for edge, old in zip(now.net, before.net, strict=True):
        said += _edge_changes(edge, old, edge.points @ turn + shift, outline)
    if not said and _apart(_ring(now.cut) @ turn + shift, _ring(before.cut)) > SAME_MM:
        said.append("other cut line")
    for layer in COMPARED:
        if _inside_differs(now, before, layer, turn, shift, bool(said)):
            said.append("lines, holes or snips inside have changed")
            break
    return said


def _edge_changes(edge: NetEdge, old: NetEdge, points: Array, outline: Polygon) -> list[str]:
    name, said = f"'{edge.name}'", []
    line = LineString(old.points)
    places = shapely.points(_spread(points))
    away = np.asarray(shapely.distance(line, places))
    inside = np.asarray(shapely.contains(outline, places))
    length, was = (float(arc_length(e.points)[-1]) for e in (edge, old))
    far = away > 0.5 * away.max()
    if away.max() > SAME_MM:
        middle = float(np.median(away[far]))
        way = "in" if inside[far].mean() > 0.5 else "out"
        said.append(f"{name} {middle:.0f} mm farther {way}" if middle >= 1.5 else f"{name} moved")
    if abs(length - was) > 2.0 * SAME_MM:
        said.append(f"{name} {length:.0f} mm long (was {was:.0f})")
    if (edge.joint, edge.fixing, edge.finish) != (old.joint, old.fixing, old.finish):
        now, then = (", ".join(w for w in (e.joint, e.fixing, e.finish) if w) for e in (edge, old))
        said.append(f"{name} {now} (was {then})")
    if abs(edge.allowance_mm - old.allowance_mm) > SAME_MM:
        said.append(f"{name} allowance {edge.allowance_mm:g} mm (was {old.allowance_mm:g})")
    if edge.holes != old.holes:
        said.append(f"{name} {edge.holes} holes (was {old.holes})")
    if [k for _, k in edge.notches] != [k for _, k in old.notches] or (
        not said and any(abs(a - b) > 1.0 for (a, _), (b, _) in zip(edge.notches, old.notches))  # noqa: B905
    ):
        said.append(f"{name} other match marks")
    return said


def _laid_on(now: Template, before: Template) -> tuple[Array, Array]:
    """(2, 2) and (2,): points @ turn + shift bring the new template onto the old one."""
    P, Q = (np.stack([_spread(e.points) for e in t.net]) for t in (now, before))
    for places, edge in zip(P, before.net, strict=True):  # an edge that was cut back lies there too
        if shapely.distance(LineString(edge.points), shapely.points(places)).max() < SAME_MM:
            return np.eye(2), np.zeros(2)
    p, q = P.reshape(-1, 2), Q.reshape(-1, 2)
    u, _, vt = svd((p - p.mean(axis=0)).T @ (q - q.mean(axis=0)))
    turn = u @ np.diag([1.0, np.sign(np.linalg.det(u @ vt))]) @ vt
    return turn, q.mean(axis=0) - p.mean(axis=0) @ turn


def _spread(points: Array) -> Array:
    """(PLACES, 2) places evenly along an edge."""
    total = float(arc_length(points)[-1])
    return at_lengths(points, total * np.linspace(0.0, 1.0, PLACES))


def _ring(points: Array) -> Array:
    return np.vstack([points, points[:1]])


def _apart(one: Array, other: Array) -> float:
    return float(shapely.hausdorff_distance(LineString(one), LineString(other), densify=0.02))


def _inside_differs(
    now: Template, before: Template, layer: str, turn: Array, shift: Array, moved: bool
) -> bool:
    """Whether what is drawn inside differs; what hangs on an edge that moved is not said again."""
    one = _shapes(now.ink, layer, turn, shift)
    other = _shapes(before.ink, layer, np.eye(2), np.zeros(2))
    if moved and layer in ("HOLE", "SNIP"):
        return False
    if len(one) != len(other):
        return True
    if not one:
        return False
    a, b = shapely.union_all(one), shapely.union_all(other)
    # Lines that end on an edge end elsewhere when it moves.
    return not moved and bool(shapely.hausdorff_distance(a, b) > SAME_MM)


def _shapes(
    ink: tuple[Ink, ...], layer: str, turn: Array, shift: Array
) -> list[LineString | Polygon]:
    shapes: list[LineString | Polygon] = []
    for item in ink:
        if item.layer != layer:
            continue
        if isinstance(item, Circle):
            centre = np.array(item.centre) @ turn + shift
            shapes.append(shapely.Point(centre).buffer(item.radius))
        elif isinstance(item, Polyline) and len(item.points) > 1:
            points = _ring(item.points) if item.closed else item.points
            shapes.append(LineString(points @ turn + shift))
    return shapes
