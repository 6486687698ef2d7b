"""What a machine is sent: kerf, which materials a laser is refused for, and the side that is up.

The files are read back with other libraries (ezdxf, svgelements, pypdf).
"""

from pathlib import Path
from types import SimpleNamespace

import ezdxf
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely.geometry import LinearRing, Polygon
from svgelements import SVG, Circle, Group, Shape
from svgelements import Path as SvgPath

from flatten.drawing.compose import compose
from flatten.io.dxf import write_dxf
from flatten.io.svg import write_svg
from flatten.records import drawing as ink
from flatten.records.drawing import Drawing
from flatten.records.material import Material, same
from flatten.records.template import LayPlan, NetEdge, Placement, Template, TemplateSet, Usage

Shapes = dict[str, list[np.ndarray]]  # by layer: (n, 2) points, or one row (x, y, radius)


def from_dxf(path: Path) -> Shapes:
    found: Shapes = {}
    for insert in ezdxf.readfile(path).modelspace().query("INSERT"):
        for e in insert.virtual_entities():
            if e.dxftype() == "CIRCLE":
                shape = np.array([[e.dxf.center.x, e.dxf.center.y, e.dxf.radius]])
            else:
                shape = np.array(e.get_points("xy"))
            found.setdefault(e.dxf.layer, []).append(shape)
    return found


def from_svg(path: Path) -> Shapes:
    """In mm with y up; the origin is somewhere on the sheet."""
    found: Shapes = {}
    for group in SVG.parse(str(path), ppi=25.4).select(lambda e: isinstance(e, Group)):
        layer = group.values.get("id") or ""
        for e in group.select(lambda e: isinstance(e, Shape)):
            if isinstance(e, Circle):
                shape = np.array([[e.cx, -e.cy, e.rx]], dtype=float)
            else:
                shape = np.array([(p.x, -p.y) for p in SvgPath(e).as_points()])
            found.setdefault(layer, []).append(shape)
    return found


def sheet_of(template: Template, kerf: float = 0.0, **place: object) -> Drawing:
    material = Material(
        name="foam",
        family="foam",
        thickness_mm=5.0,
        stretch_pct=same(10.0),
        squeeze_pct=same(6.0),
        kerf_mm=kerf,
    )
    put = Placement(template=0, sheet=0, **({"at": (300.0, 250.0), "angle_deg": 0.0} | place))  # type: ignore[arg-type]
    plan = LayPlan(
        template_set=TemplateSet(
            flat_set=SimpleNamespace(ply="base", material=material),  # type: ignore[arg-type]
            templates=(template,),
        ),
        stock="foam-sheet",
        sheet_sizes=((1000.0, 1000.0),),
        placements=(put,),
        usage=Usage(sheets=1, used_length_mm=300.0, yield_pct=1.0, cut_mm=1.0),
    )
    return compose(plan)[0]


def template_of(outline: np.ndarray, slot: np.ndarray, radius: float) -> Template:
    ring = np.vstack([outline, outline[:1]])
    return Template(
        name="one",
        ply="base",
        panel="one",
        net=(NetEdge(name="rim", points=ring),),
        cut=outline,
        inner=(slot,),
        ink=(ink.Circle(layer="HOLE", centre=(-10.0, 0.0), radius=radius),),
    )


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    radii=st.lists(st.floats(70.0, 130.0), min_size=5, max_size=14),
    kerf=st.sampled_from([0.0, 0.2, 0.5, 1.5]),
    hole=st.floats(1.0, 6.0),
    turned=st.sampled_from([0.0, 90.0, 37.0]),
    mirrored=st.booleans(),
)
def test_a_beam_as_wide_as_the_kerf_leaves_the_piece_as_it_was_drawn(
    tmp_path, radii, kerf, hole, turned, mirrored
):
    """What lies within half a kerf of the line is burnt away: of the outline and of every hole the
    size drawn is left, but for hollow corners, which a round beam leaves round."""
    angle = 2 * np.pi * np.arange(len(radii)) / len(radii)
    outline = np.array(radii)[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    slot = np.array([[10.0, -10.0], [30.0, -8.0], [28.0, 12.0]])
    template = template_of(outline, slot, hole)
    drawing = sheet_of(template, kerf, angle_deg=turned, mirrored=mirrored)
    write_dxf(drawing, tmp_path / "a.dxf")
    write_svg(drawing, tmp_path / "a.svg")
    drawn = Polygon(outline, [slot])
    for shapes in (from_dxf(tmp_path / "a.dxf"), from_svg(tmp_path / "a.svg")):
        outer, inner = sorted(shapes["CUT"], key=lambda p: -Polygon(p).area)
        beam = [LinearRing(p).buffer(kerf / 2 + 1e-9) for p in (outer, inner)]
        left = Polygon(outer).difference(beam[0]).difference(Polygon(inner).union(beam[1]))
        assert left.area == pytest.approx(drawn.area, abs=2.0 * kerf**2 * len(radii) + 0.5)
        assert Polygon(outer).length >= Polygon(outline).length + 2 * np.pi * kerf / 2 - 0.1
        # The slot shrinks: an offset of a triangle by d takes the perimeter times d, less at tips.
        assert (
            Polygon(inner).area
            <= Polygon(slot).area - 0.8 * kerf / 2 * LinearRing(slot).length + 0.05
        )
        ((_, _, radius),) = shapes["HOLE"][0]
        assert radius == pytest.approx(hole - kerf / 2, abs=1e-3)
