"""The sewn-products profile (ASTM D6673-10): layers by number, one block per piece."""

from types import SimpleNamespace

import ezdxf
import numpy as np
import pytest

from flatten.errors import CannotWrite
from flatten.io.dxf_sewn import write_sewn_dxf
from flatten.records.drawing import Circle, Polyline, Text
from flatten.records.template import NetEdge, Template, TemplateSet

ANGLE = np.linspace(0, np.pi, 31)
# A half disk of radius 100: two corners, the rest a curve.
CUT = np.column_stack([100 * np.cos(ANGLE), 100 * np.sin(ANGLE)])


@pytest.fixture
def template_set():
    net = CUT * 0.9
    edges = (
        NetEdge(name="curve", points=net),
        NetEdge(name="straight", points=np.array([net[-1], net[0]])),
    )
    ink = (
        Polyline(layer="NET", points=net, closed=True),
        Polyline(layer="NOTCH", points=np.array([[0.0, 96.0], [0.0, 100.0]])),
        Polyline(layer="GRAIN", points=np.array([[10.0, 20.0], [10.0, 60.0]])),
        Polyline(layer="DETAIL", points=np.array([[-40.0, 30.0], [-10.0, 30.0]])),
        Circle(layer="HOLE", centre=(30.0, 40.0), radius=1.25),
        Text(text="größe 5°", at=(0.0, 10.0), height=5.0),
    )
    slot = np.array([[-20, 10], [-10, 10], [-10, 20], [-20, 20]], dtype=float)
    template = Template(
        name="left front", ply="cover", panel="left front", net=edges, cut=CUT, inner=(slot,),
        ink=ink, quantity=2,
    )  # fmt: skip
    flat_set = SimpleNamespace(material=SimpleNamespace(name="woven-cotton"))
    return TemplateSet(flat_set=flat_set, templates=(template, template))  # type: ignore[arg-type]


def test_each_piece_has_its_lines_on_the_layers_of_the_profile(template_set, tmp_path):
    path = tmp_path / "a.dxf"
    write_sewn_dxf(template_set, path, title="Tide warden", wearer="sample")
    document = ezdxf.readfile(path)
    audit = document.audit()
    assert (document.dxfversion, audit.errors, audit.fixes) == ("AC1009", [], [])
    assert len(document.modelspace().query("INSERT")) == 2
    block = document.blocks.get("PIECE-1")
    by_layer = {}
    for entity in block:
        by_layer.setdefault(entity.dxf.layer, []).append(entity)
    assert set(by_layer) == {"1", "2", "3", "4", "7", "8", "11", "13", "14", "15"}
    (boundary,) = by_layer["1"]
    assert boundary.is_closed
    corners = np.array([v.dxf.location for v in boundary.vertices])[:, :2]
    assert len(corners) == len(CUT)
    assert np.linalg.norm(corners, axis=1) == pytest.approx(100.0)
    # The two ends of the diameter are turn points, and the boundary starts at one.
    turns = np.array([p.dxf.location for p in by_layer["2"]])[:, :2]
    assert np.sort(turns[:, 0]) == pytest.approx([-100, 100])
    assert np.abs(corners[0]) == pytest.approx([100, 0], abs=1e-9)
    assert len(by_layer["3"]) == len(CUT) - 2
    assert tuple(by_layer["4"][0].dxf.location)[:2] == pytest.approx((0.0, 100.0))
    assert by_layer["4"][0].dxf.thickness == pytest.approx(4.0)
    assert tuple(by_layer["7"][0].dxf.end)[:2] == pytest.approx((10.0, 60.0))
    assert len(list(by_layer["14"][0].vertices)) == len(CUT)
    assert by_layer["13"][0].dxf.thickness == pytest.approx(2.5)
    words = [t.dxf.text for t in by_layer["15"]]
    assert words[:4] == [
        "PIECE NAME: left front",
        "SIZE: 1",
        "QUANTITY: 2",
        "MATERIAL: woven-cotton",
    ]
    assert words[-1] == "ANNOTATION: größe 5°"


def test_style_and_units_stand_beside_the_pieces(template_set, tmp_path):
    write_sewn_dxf(template_set, tmp_path / "a.dxf", title="Tide warden")
    space = ezdxf.readfile(tmp_path / "a.dxf").modelspace()
    words = [t.dxf.text for t in space.query("TEXT")]
    assert words == ["STYLE NAME: Tide warden", "SAMPLE SIZE: 1", "UNITS: METRIC"]
    first, second = space.query("INSERT")
    assert second.dxf.insert.x - first.dxf.insert.x > 200.0


def test_a_place_that_cannot_be_written_is_named(template_set, tmp_path):
    with pytest.raises(CannotWrite, match="none"):
        write_sewn_dxf(template_set, tmp_path / "none" / "a.dxf", title="t")
