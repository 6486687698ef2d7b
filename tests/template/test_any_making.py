"""Whatever the panel and however it is made: what comes out can be cut, punched and read."""

from dataclasses import replace

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon

from flatten.errors import BadInput
from flatten.geometry.freespace import text_box
from flatten.geometry.polygons import signed_area
from flatten.records.drawing import Circle, Text
from flatten.records.making import FINISHES, MARKS, SplitChoice, StitchChoice
from flatten.records.material import JointChoice
from flatten.records.panels import PanelMark
from flatten.template.build import build_templates
from flatten.template.spec import TemplateSpec

JOINTS = ("butt", "seam", "lap", "gap")
FIXINGS = ("glue", "stitch", "lace", "rivet", "closure")


@st.composite
def outlines(draw) -> np.ndarray:
    """Corners of a panel: round, spiky, deeply concave, a sliver, a comb or an armhole; any size."""
    size = draw(st.sampled_from([3.0, 12.0, 40.0, 110.0, 280.0]))
    kind = draw(st.sampled_from(["star", "sliver", "comb", "armhole"]))
    if kind == "sliver":
        wide = draw(st.floats(0.01, 0.3))
        lean = draw(st.floats(-1.0, 1.0))
        return size * np.array([[0, 0], [2.0, 0], [2.0 + lean, wide], [lean, wide]])
    if kind == "comb":
        teeth = draw(st.integers(2, 4))
        deep = draw(st.floats(0.2, 1.5))
        x = np.linspace(0.0, 2.0, 2 * teeth)
        top = [(a, 1.0 if k % 4 in (0, 3) else 1.0 - 0.6 * deep) for k, a in enumerate(x)]
        return size * np.array([(0.0, 0.0), (2.0, 0.0), *top[::-1]])
    if kind == "armhole":
        deep, half = draw(st.floats(0.2, 0.9)), draw(st.floats(0.3, 0.95))
        t = np.linspace(0.0, np.pi, 9)
        hole = np.column_stack([1.0 + half * np.cos(t), 1.2 - deep * np.sin(t)])
        return size * np.array([(0.0, 0.0), (2.0, 0.0), (2.0, 1.2), *hole, (0.0, 1.2)])
    n = draw(st.integers(3, 9))
    radius = np.array(draw(st.lists(st.floats(0.08, 1.0), min_size=n, max_size=n)))
    gap = np.array(draw(st.lists(st.floats(0.2, 1.0), min_size=n, max_size=n)))
    angle = np.cumsum(gap / gap.sum()) * 2 * np.pi
    return size * radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])


def mark_on(panel, flat, share: float, closed: bool) -> tuple[PanelMark, ...]:
    """A ring of vertices about the panel's middle, closed or open; none where it would leave the panel."""
    inner = np.setdiff1d(
        np.arange(len(panel.V)), np.concatenate([r.vertices for r in panel.border])
    )
    middle = flat.U.mean(axis=0)
    away = np.linalg.norm(flat.U[inner] - middle, axis=1)
    near = inner[away <= max(share * away.max(initial=0.0), 1e-9)]
    hull = shapely.MultiPoint(flat.U[near]).convex_hull
    border = Polygon(np.concatenate([flat.U[r.vertices[:-1]] for r in panel.border]))
    if not isinstance(hull, Polygon) or not border.contains(hull):
        return ()
    ring = np.array(hull.exterior.coords)[:-1]
    at = [int(near[np.argmin(np.linalg.norm(flat.U[near] - p, axis=1))]) for p in ring]
    faces = [int(np.argmax((v == panel.F).any(axis=1))) for v in at]
    bary = np.array([(panel.F[f] == v).astype(float) for f, v in zip(faces, at, strict=True)])
    kind = "detail" if closed else "score"
    return (PanelMark(line="mark", kind=kind, face=np.array(faces), bary=bary, closed=closed),)


@st.composite
def makings(draw) -> tuple[str, float, TemplateSpec, dict]:
    family = draw(st.sampled_from(["foam", "leather", "cloth", "card"]))
    thick = draw(st.sampled_from([0.3, 2.0, 5.0, 10.0]))
    finish = draw(st.sampled_from(FINISHES))
    rows = draw(st.sampled_from([None, 1, 2]))
    spec = TemplateSpec(
        title="Tide warden",
        wearer="sample",
        rim_finish={"*": finish},
        stitch={"*": StitchChoice(rows=rows)} if rows else {},
        topstitch=draw(st.sampled_from([{}, {"*": (3.0,)}, {"*": (2.0, 8.0)}])),
        beneath_mm=draw(st.sampled_from([0.0, 5.0])),
        marks=draw(st.sampled_from(MARKS)),
        mock_up=draw(st.sampled_from([False, False, False, True])),
        hoop_mm=draw(st.sampled_from([None, None, (130.0, 180.0)])),
    )
    widths = {
        key: draw(st.sampled_from([0.0, 4.0, 10.0, 25.0])) for key in ("seam", "lap", "rim", "gap")
    }
    return family, thick, spec, widths


@settings(max_examples=20, deadline=None)
@given(data=st.data())
def test_no_cut_crosses_itself_no_hole_leaves_its_piece_and_no_word_is_cut(forms, data):
    corners = data.draw(outlines())
    family, thick, spec, widths = data.draw(makings())
    if signed_area(corners) < 0.0:
        corners = corners[::-1]
    if not Polygon(corners).is_valid or signed_area(corners) < 2.0:
        return
    n = len(corners)
    ring, at = forms.divided(corners, 5.0)
    panel, flat = forms.flat_panel(ring, at, name="one")
    if not len(panel.F):
        return
    marks = mark_on(panel, flat, data.draw(st.floats(0.1, 1.0)), data.draw(st.booleans()))
    panel, flat = forms.flat_panel(ring, at, name="one", marks=marks)
    twin = forms.flat_panel(
        (ring * [-1.0, 1.0])[::-1], [(len(ring) - 1 - i) % len(ring) for i in at][::-1], name="two"
    )
    # Some edges are joined to the mirror image, the others stay rims.
    joined = [i for i in range(n) if data.draw(st.booleans())]
    seams = [
        {
            "a": (0, i),
            "b": (1, (n - 2 - i) % n),
            "joint": data.draw(st.sampled_from(JOINTS)),
            "fixing": data.draw(st.sampled_from(FIXINGS)),
        }
        for i in joined
    ]
    flat_set = forms.join([(panel, flat), twin], seams, forms.material(family, t=thick, **widths))
    ply = forms.ply(
        face=data.draw(st.sampled_from(["face", "back"])),
        over=data.draw(st.sampled_from([None, "under"])),
        joints=data.draw(st.sampled_from([{}, {"*": JointChoice(fixing="stitch")}])),
    )
    if data.draw(st.booleans()):
        size = np.ptp(flat.U, axis=0) * data.draw(st.floats(0.1, 0.9))
        along = data.draw(st.sampled_from([(), (float(size[0]),)]))
        choice = SplitChoice(across_mm=(float(size[1]),), along_mm=along)
        spec = replace(spec, split={"one": choice})
    try:
        template_set = build_templates(flat_set, ply, spec)
    except BadInput as refused:  # a cut that leaves scraps is refused
        if "split of 'one'" in str(refused):
            return
        raise
    for template in template_set.templates:
        cut = Polygon(template.cut, list(template.inner))
        assert cut.is_valid, shapely.is_valid_reason(cut)
        assert np.linalg.norm(np.diff(template.cut, axis=0), axis=1).min() > 1e-3
        solid = Polygon(template.cut)
        for hole in template.inner:
            assert solid.covers(Polygon(hole))
        for item in template.ink:
            if isinstance(item, Circle):
                assert solid.contains(Point(item.centre).buffer(item.radius)), "hole outside"
            elif isinstance(item, Text):
                box = text_box(item)
                inside = cut.covers(box)
                assert inside or box.disjoint(solid), f"'{item.text}' across a cut"
            elif item.layer in ("NOTCH", "SNIP", "SCORE"):
                assert solid.buffer(1e-4).covers(LineString(item.points)), f"{item.layer} outside"
