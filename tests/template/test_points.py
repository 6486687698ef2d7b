"""Eyelets, rivets, slits and buttonholes: where they go, how long they are, how near an edge."""

import numpy as np
import pytest
from shapely.geometry import Polygon

from flatten.records.drawing import Circle, Polyline
from flatten.records.making import PointDetail
from flatten.template.build import build_templates
from flatten.template.spec import TemplateSpec


def template(forms, family, *points, face="face"):
    flat_set = forms.join([forms.rectangle(180, 240, name="front")], [], forms.material(family))
    spec = TemplateSpec(points=points)
    return build_templates(flat_set, forms.ply(face=face), spec).templates[0]


def test_a_rivet_lies_where_the_body_has_it(forms):
    rivet = PointDetail(name="a", kind="rivet", at=(60.3, 150.7, 4.0), diameter_mm=3.2)
    for face, sign in (("face", 1.0), ("back", -1.0)):
        made = template(forms, "leather", rivet, face=face)
        (hole,) = [k for k in made.ink if isinstance(k, Circle)]
        assert hole.centre == pytest.approx((sign * 60.3, 150.7), abs=1e-9)
        assert hole.radius == 1.6
        assert made.notes == ()


def test_a_buttonhole_is_the_button_and_its_thickness_long(forms):
    # Common practice: diameter plus thickness.
    hole = PointDetail(
        name="b", kind="buttonhole", at=(90, 120, 0), diameter_mm=15, thickness_mm=3, angle_deg=90
    )
    (ring,) = template(forms, "leather", hole).inner
    low_x, low_y, high_x, high_y = Polygon(ring).bounds
    assert (high_y - low_y, high_x - low_x) == pytest.approx((18.4, 0.4), abs=1e-6)
    assert ((low_x + high_x) / 2, (low_y + high_y) / 2) == pytest.approx((90, 120))
    sewn = template(forms, "cloth", hole)
    assert sewn.inner == ()  # cut by hand once it is sewn
    lines = [k.points for k in sewn.ink if isinstance(k, Polyline) and k.layer == "DETAIL"]
    assert float(np.linalg.norm(np.diff(lines[0], axis=0))) == pytest.approx(18.0)


@pytest.mark.parametrize(
    ("x", "said"),
    [(6.0, "6.0 mm from the edge; 10 mm is usual"), (1.0, "break out"), (-90.0, "off every panel")],
)
def test_a_point_too_near_an_edge_is_said(forms, x, said):
    rivet = PointDetail(name="c", kind="rivet", at=(x, 120, 0), diameter_mm=3)
    made = template(forms, "leather", rivet)
    assert any("rivet 'c'" in note and said in note for note in made.notes)
    assert sum(isinstance(k, Circle) for k in made.ink) == (1 if x > 5 else 0)


def test_a_point_goes_to_the_plies_that_it_names(forms):
    rivet = PointDetail(name="d", kind="rivet", at=(90, 120, 0), diameter_mm=3, plies=("cov*",))
    assert not any(isinstance(k, Circle) for k in template(forms, "leather", rivet).ink)
