"""Templates and plans for the tests of the lay plan, and the independent look at a plan."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import shapely
from shapely.affinity import rotate, scale, translate
from shapely.geometry import Polygon

from flatten.records.bundled import bundled_material
from flatten.records.material import Material
from flatten.records.template import LayPlan, NetEdge, Template, TemplateSet

FOAM = replace(bundled_material("eva-foam-5-formed"), kerf_mm=0.0)
CLOTH = bundled_material("woven-cotton")


def template(outline, name="piece", **more) -> Template:
    points = np.asarray(outline, dtype=float)
    more.setdefault("grain_deg", 0.0)
    return Template(name=name, ply="base", panel=name, net=more.pop("net", ()), cut=points, **more)


def rectangle(w: float, h: float, name="piece", **more) -> Template:
    return template([(0, 0), (w, 0), (w, h), (0, h)], name, **more)


def edge(points, **more) -> NetEdge:
    return NetEdge(name="edge", points=np.asarray(points, dtype=float), **more)


def blob(seed: int, size: float = 120.0, count: int = 24) -> np.ndarray:
    rng = np.random.default_rng(seed)
    t = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    a, b = rng.uniform(0.0, 6.28, 2)
    r = 1.0 + 0.3 * np.sin(2 * t + a) + 0.15 * np.sin(3 * t + b)
    x, y = size * rng.uniform(0.4, 1.0, 2)
    return np.column_stack([x * r * np.cos(t), y * r * np.sin(t)])


def template_set(templates, material: Material = FOAM, notes=()):
    """What the lay plan reads of a template set; the flats are only there for drawings."""
    return TemplateSet(
        templates=tuple(templates),
        notes=tuple(notes),
        flat_set=SimpleNamespace(material=material, ply="base"),
    )


def laid(plan: LayPlan) -> list[tuple[int, Polygon]]:
    """(sheet, outline with its cut-outs) of every placement, by shapely's own affine maps."""
    out = []
    for place in plan.placements:
        t = plan.template_set.templates[place.template]
        shape = Polygon(t.cut, list(t.inner))
        if place.mirrored:
            shape = scale(shape, -1.0, 1.0, origin=(0, 0))
        shape = rotate(shape, place.angle_deg, origin=(0, 0))
        out.append((place.sheet, translate(shape, *place.at)))
    return out


def assert_sound(plan: LayPlan, ground, gap: float) -> None:
    """Every piece lies on the ground, none overlaps another, and the gap is kept to 0.01 mm."""
    pieces = laid(plan)
    grown = ground.buffer(0.001)
    for i, (sheet, a) in enumerate(pieces):
        assert grown.covers(a), f"placement {i} leaves the stock"
        for other, b in pieces[:i]:
            if other == sheet:
                assert a.distance(b) >= gap - 0.01
                assert shapely.area(a.intersection(b)) < 1e-6
