"""Hoops read back from the file: true overlaps, shared register marks, whole details."""

from collections import defaultdict
from dataclasses import replace

import ezdxf
import numpy as np
import pytest
from shapely.geometry import LineString, box
from shapely.ops import unary_union

from flatten.drawing.hoops import hoop_sheet
from flatten.geometry.surface_points import face_tree
from flatten.io.dxf import write_dxf
from flatten.records.panels import PanelMark
from flatten.template.build import build_templates
from flatten.template.hoops import OVERLAP_MM
from flatten.template.spec import TemplateSpec


def crosses(lines, arm):
    """Middles of the level crosses with arms of a length."""
    level = [a for a in lines if len(a) == 2 and abs(a[0, 1] - a[1, 1]) < 1e-6]
    upright = [a for a in lines if len(a) == 2 and abs(a[0, 0] - a[1, 0]) < 1e-6]
    found = []
    for a in level:
        middle = a.mean(axis=0)
        for b in upright:
            if np.abs(b.mean(axis=0) - middle).max() < 1e-6 and np.ptp(a[:, 0]) == pytest.approx(
                2 * arm, abs=1e-6
            ):
                found.append(middle)
    return found


@pytest.mark.parametrize("face", ["face", "back"])
def test_fields_of_a_detail_overlap_truly(forms, tmp_path, face):
    """A ring of 200 x 120 in a 100 x 70 hoop: neighbours agree on what lies in their overlap."""
    panel, flat = forms.rectangle(260, 200)
    turn = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    ring = np.column_stack([130 + 100 * np.cos(turn), 100 + 60 * np.sin(turn)])
    face_at, bary, _ = face_tree(panel.V, panel.F).nearest(np.column_stack([ring, 0 * turn]))
    mark = PanelMark(line="wave", kind="detail", face=face_at, bary=bary, closed=True)
    panel = replace(panel, marks=(mark,))
    templates = build_templates(
        forms.join([(panel, flat)], []), forms.ply(face=face), TemplateSpec(hoop_mm=(100.0, 70.0))
    )
    (template,) = templates.templates
    drawing = hoop_sheet(templates)
    path = tmp_path / "hoops.dxf"
    write_dxf(drawing, path)
    doc = ezdxf.readfile(path)
    fields = {}
    for insert in doc.modelspace().query("INSERT"):
        lines, frame = [], None
        for entity in insert.virtual_entities():
            if entity.dxftype() != "LWPOLYLINE" or entity.dxf.layer not in ("DETAIL", "STOCK"):
                continue
            points = np.array([p[:2] for p in entity.get_points()])
            if entity.dxf.layer == "STOCK":
                frame = points
            else:
                lines.append(points)
        (middle,) = crosses(lines, 8.0)
        assert sorted(np.ptp(frame, axis=0)) == pytest.approx([70.0, 100.0])
        fields[insert.dxf.name] = (lines, frame, middle)
    hoopings = template.hoopings
    assert len(hoopings) == len(fields) == hoopings[0].count >= 6

    # Laid back on the template by their centre crosses, the pieces of the ring make it whole.
    drawn = defaultdict(list)
    shared = defaultdict(int)
    for hooping, (lines, frame, middle) in zip(hoopings, fields.values(), strict=True):
        shift = hooping.corners.mean(axis=0) - middle
        for line in lines:
            if len(line) > 2:
                drawn[hooping.number].append(LineString(line + shift))
        for place in crosses(lines, 4.0):
            shared[tuple(np.round(place + shift, 5))] += 1
        assert np.allclose(
            sorted(map(tuple, frame + shift)), sorted(map(tuple, hooping.corners)), atol=1e-6
        )
    assert set(shared.values()) == {2}  # every mark in just two fields, at one place
    whole = unary_union([line for lines in drawn.values() for line in lines])
    sign = -1.0 if face == "back" else 1.0
    there = LineString(np.vstack([ring, ring[:1]]) * [sign, 1.0])
    assert there.within(whole.buffer(0.05))
    for a in hoopings:
        for b in hoopings:
            both = box(*bounds(a)).intersection(box(*bounds(b)))
            if b.number <= a.number or both.is_empty or min(spans(both)) < 1e-9:
                continue
            assert min(spans(both)) >= OVERLAP_MM - 1e-9
            one, other = (unary_union(drawn[h.number]).intersection(both) for h in (a, b))
            assert one.hausdorff_distance(other) < 1e-4 if not one.is_empty else other.is_empty


def bounds(hooping):
    return (*hooping.corners.min(axis=0), *hooping.corners.max(axis=0))


def spans(shape):
    x0, y0, x1, y1 = shape.bounds
    return x1 - x0, y1 - y0


def test_what_fits_the_hoop_has_one_field_squared_up_with_the_grain(forms):
    flat_set = forms.join([forms.rectangle(60, 90)], [])
    spec = TemplateSpec(hoop_mm=(100.0, 70.0))
    (template,) = build_templates(flat_set, forms.ply(), spec).templates
    (hooping,) = template.hoopings
    assert (hooping.count, hooping.of, len(hooping.registers)) == (1, "front", 0)
    assert spans(box(*bounds(hooping))) == pytest.approx((70.0, 100.0))
    assert hooping.corners.mean(axis=0) == pytest.approx([30.0, 45.0])
