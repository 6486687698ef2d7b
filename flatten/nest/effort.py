"""What making a ply by hand takes: lengths, counts, and the time they come to."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.geometry.curves import arc_length
from flatten.records.drawing import Polyline
from flatten.records.effort import Fastening, Handwork, Rates
from flatten.records.material import Material
from flatten.records.template import NetEdge, Template, TemplateSet

Array = NDArray[np.float64]

# mm a minute with a knife or shears, following curves (common practice).
CUTTING: dict[str, float] = {"foam": 600.0, "leather": 400.0, "cloth": 1500.0, "card": 1000.0}
CORNER_DEG = 30.0  # a turn of the cut line from which the blade is set anew
CORNER_REACH_MM = 2.0  # over which that turn counts, so that points on a curve are no corners
STITCH_MM = 4.0  # where no holes are drawn


@dataclass(frozen=True, kw_only=True)
class Joint:
    """One stretch of seam as it is to be closed, and how often.

    sides : edges, one a side (both where both belong to this ply); count : how many pieces have it
    """

    fixing: str
    sides: tuple[NetEdge, ...]
    count: int

    @property
    def length(self) -> float:
        return max(edge_length(edge) for edge in self.sides)

    @property
    def holes(self) -> tuple[int, ...]:
        return tuple(edge.holes for edge in self.sides)


def edge_length(edge: NetEdge) -> float:
    return float(np.linalg.norm(np.diff(edge.points, axis=0), axis=1).sum())


def joints_of(template_set: TemplateSet) -> list[Joint]:
    """Every stretch of seam once, then the joins between the parts of pieces; rims are left out."""
    return _seams_of(template_set) + [
        Joint(fixing=edge.fixing, sides=(edge,), count=template.quantity)
        for template, edge in template_set.split_edges
    ]


def _seams_of(template_set: TemplateSet) -> list[Joint]:
    """Every stretch of seam once, however many templates show it.

    Where the edges of every panel are known and all of them are to be cut, they are counted: a
    panel that is cut from its twin's template has its own. Else the templates' edges are; of two
    templates that show the same side (a facing lies behind its panel's edge) the longer edge
    counts.
    """
    if template_set.panel_edges and not template_set.every:
        known: dict[int, list[NetEdge]] = {}
        for (seam, _), edge in sorted(template_set.seam_edges.items()):
            known.setdefault(seam, []).append(edge)
        return [
            Joint(fixing=next((e.fixing for e in own if e.fixing), ""), sides=tuple(own), count=1)
            for _, own in sorted(known.items())
        ]
    templates = template_set.templates
    found: dict[int, dict[int, tuple[NetEdge, int]]] = {}
    for template in templates:
        for edge in template.net:
            if edge.seam < 0 or len(edge.points) < 2:
                continue
            sides = found.setdefault(edge.seam, {})
            old = sides.get(edge.side)
            if old is None or edge_length(edge) > edge_length(old[0]):
                sides[edge.side] = (edge, template.quantity)
    return [
        Joint(
            fixing=next((e.fixing for e, _ in sides.values() if e.fixing), ""),
            sides=tuple(edge for edge, _ in sides.values()),
            count=max(count for _, count in sides.values()),
        )
        for _, sides in sorted(found.items())
    ]


def cut_length(template: Template) -> float:
    """Length of all cut lines of one piece, mm."""
    return sum(
        float(np.linalg.norm(np.diff(loop, axis=0, append=loop[:1]), axis=1).sum())
        for loop in (template.cut, *template.inner)
    )


def corners(ring: Array) -> int:
    """Sharp corners of a closed line: where it turns by CORNER_DEG within CORNER_REACH_MM."""
    steps = np.diff(ring, axis=0, append=ring[:1])
    size = np.linalg.norm(steps, axis=1)
    keep = size > 1e-9
    P, n = ring[keep], int(keep.sum())
    if n < 3:
        return 0
    closed = np.vstack([P, P[:1]])
    at = arc_length(closed)
    total = at[-1]
    reach = min(CORNER_REACH_MM, total / 8.0)

    def point(s: Array) -> Array:
        s = s % total
        return np.column_stack([np.interp(s, at, closed[:, i]) for i in (0, 1)])

    here = at[:-1]
    a, b = P - point(here - reach), point(here + reach) - P
    cross, dot = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], (a * b).sum(axis=1)
    turn = np.degrees(np.abs(np.arctan2(cross, dot)))
    # Neighbouring points share one corner: the sharpest within reach counts.
    count, last = 0, -np.inf
    for i in np.nonzero(turn >= CORNER_DEG)[0]:
        if here[i] - last > 2.0 * reach:
            count, last = count + 1, here[i]
    return count


def ink_length(template: Template, layer: str) -> float:
    """Length of the lines of one layer on a template, mm."""
    total = 0.0
    for ink in template.ink:
        if isinstance(ink, Polyline) and ink.layer == layer:
            ring = np.vstack([ink.points, ink.points[:1]]) if ink.closed else ink.points
            total += float(np.linalg.norm(np.diff(ring, axis=0), axis=1).sum())
    return total


def handwork(
    template_set: TemplateSet,
    material: Material,
    rates: Rates | None = None,
    points: Sequence[Fastening] = (),
) -> Handwork:
    """Lengths, counts and the time for cutting, punching, gluing, stitching and fastening a ply.

    The details' share is what detail lines, scored lines and fasteners at points take: what a maker
    short of time could leave off.
    """
    rates = rates or Rates()
    templates = template_set.templates
    joints = joints_of(template_set)
    speed = dict(CUTTING) | dict(rates.cut_mm_per_min or {})

    pieces = sum(t.quantity for t in templates)
    cut = sum(t.quantity * cut_length(t) for t in templates)
    sharp = sum(t.quantity * sum(corners(r) for r in (t.cut, *t.inner)) for t in templates)
    mark = sum(t.quantity * ink_length(t, "DETAIL") for t in templates)
    score = sum(t.quantity * ink_length(t, "SCORE") for t in templates)
    at_points = [p.kind for p in points]
    set_points = sum(kind in ("eyelet", "rivet") for kind in at_points)
    holes = sum(j.count * sum(j.holes) for j in joints)
    stitched = [j for j in joints if j.fixing == "stitch"]
    seam = sum(j.count * j.length for j in stitched)
    # Cloth is sewn by machine; foam and leather are stitched by hand.
    sewn = material.family == "cloth"
    glued = sum(j.count * j.length for j in joints if j.fixing == "glue")
    stitches = sum(j.count * (max(j.holes) or round(j.length / STITCH_MM)) for j in stitched)
    rivets = sum(j.count * max(j.holes) for j in joints if j.fixing == "rivet")
    eyelets = sum(j.count * sum(j.holes) for j in joints if j.fixing == "lace")
    details = {
        "detail lines": mark / rates.mark_mm_per_min,
        "scoring": score / rates.score_mm_per_min,
        "fasteners at points": (
            len(at_points) * rates.hole_s + set_points * rates.fastener_s
        ) / 60.0,
    }  # fmt: skip
    minutes = {
        "cutting": cut / speed[material.family] + sharp * rates.corner_s / 60.0,
        "punching": holes * rates.hole_s / 60.0,
        "gluing": glued / rates.glue_mm_per_min,
        "stitching": seam / rates.sew_mm_per_min if sewn else stitches * rates.stitch_s / 60.0,
        "fasteners": (rivets + eyelets) * rates.fastener_s / 60.0 + eyelets * rates.lace_s / 60.0,
        **details,
    }
    return Handwork(
        pieces=pieces,
        cut_mm=cut,
        corners=sharp,
        holes=holes + len(at_points),
        stitches=stitches,
        stitch_mm=seam,
        glue_mm=glued,
        rivets=rivets + at_points.count("rivet"),
        eyelets=eyelets + at_points.count("eyelet"),
        mark_mm=mark,
        score_mm=score,
        minutes=tuple((kind, time) for kind, time in minutes.items() if time > 0.0),
        details=tuple((kind, time) for kind, time in details.items() if time > 0.0),
    )
