"""3MF: unit, transforms, components and damage, in packages made by hand."""

import zipfile

import numpy as np
import pytest

from flatten.errors import BadInput
from flatten.io.formats import read_scan


def mesh(V, F):
    points = "".join(f'<vertex x="{x!r}" y="{y!r}" z="{z!r}"/>' for x, y, z in V.tolist())
    faces = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in F.tolist())
    return f"<mesh><vertices>{points}</vertices><triangles>{faces}</triangles></mesh>"


def one(V, F, item=""):
    return (
        f'<resources><object id="1" type="model">{mesh(V, F)}</object></resources>'
        f'<build><item objectid="1" {item}/></build>'
    )


@pytest.mark.parametrize(("stated", "unit"), [("millimeter", "mm"), ("inch", "in"), ("meter", "m")])
def test_the_mesh_and_the_unit_it_states(tube, write_3mf, stated, unit):
    V, F = tube
    scan = read_scan(write_3mf(one(V, F), unit=stated))
    assert (V == scan.V).all()
    assert (F == scan.F).all()
    assert scan.unit == unit
    assert read_scan(write_3mf(one(V, F), unit=stated), unit="cm").unit == "cm"


def test_microns_become_millimetres(tube, write_3mf):
    V, F = tube
    scan = read_scan(write_3mf(one(V * 1000, F), unit="micron"))
    assert np.allclose(scan.V, V)
    assert scan.unit == "mm"
    assert "microns" in scan.notes[0]


def test_components_and_items_are_moved_as_rows_from_the_left(tube, write_3mf):
    """Core specification 3.3: [x y z 1] times the 4 by 3 matrix, inner transform first."""
    V, F = tube
    quarter = "0 1 0 -1 0 0 0 0 1 10 0 0"  # x -> y, y -> -x, then 10 along x
    model = (
        f'<resources><object id="1">{mesh(V, F)}</object><object id="2"><components>'
        f'<component objectid="1" transform="{quarter}"/></components></object></resources>'
        '<build><item objectid="2" transform="1 0 0 0 1 0 0 0 -1 0 0 5"/></build>'
    )
    scan = read_scan(write_3mf(model))
    expected = np.column_stack([10 - V[:, 1], V[:, 0], 5 - V[:, 2]])
    assert np.allclose(scan.V, expected)
    # The item mirrors, so the faces are turned round to keep the outside out.
    assert (F[:, ::-1] == scan.F).all()


@pytest.mark.parametrize(
    ("model", "said"),
    [
        ("<resources/><build><item objectid='1'/></build>", "object 1 is missing"),
        ("<resources><object id='1'><components><component objectid='1'/></components></object>"
         "</resources><build><item objectid='1'/></build>", "made of itself"),
        ("<resources/><build/>", "holds no triangles"),
        ("<resources><object id='1'><mesh><vertices><vertex x='1' y='2'/></vertices></mesh>"
         "</object></resources>", "attribute 'z' is missing"),
        ("<resources", "XML is damaged"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named(write_3mf, model, said):
    with pytest.raises(BadInput, match=said):
        read_scan(write_3mf(model))


def test_numbers_and_indices_are_checked(tube, write_3mf):
    V, F = tube
    with pytest.raises(BadInput, match="triangle 0 refers to a vertex that is not there"):
        read_scan(write_3mf(one(V, F + len(V))))
    W = V.copy()
    W[3, 0] = np.nan
    with pytest.raises(BadInput, match="vertex 3 is not made of finite numbers"):
        read_scan(write_3mf(one(W, F)))


def test_entities_are_not_expanded(tmp_path):
    path = tmp_path / "a.3mf"
    with zipfile.ZipFile(path, "w") as package:
        package.writestr(
            "3D/3dmodel.model", '<!DOCTYPE m [<!ENTITY a "b">]><model unit="&a;"></model>'
        )
    with pytest.raises(BadInput, match="its own entities"):
        read_scan(path)


def test_objects_may_lie_in_other_parts(tube, tmp_path):
    """The production extension: a component names the part its object is in."""
    V, F = tube
    path = tmp_path / "a.3mf"
    main = (
        '<model unit="millimeter" xmlns:p="urn:3mf:production"><resources><object id="9">'
        '<components><component objectid="1" '
        'p:path="/3D/Objects/b.model" transform="1 0 0 0 1 0 0 0 1 0 0 7"/></components></object>'
        '</resources><build><item objectid="9"/></build></model>'
    )
    other = f'<model><resources><object id="1">{mesh(V, F)}</object></resources><build/></model>'
    with zipfile.ZipFile(path, "w") as package:
        package.writestr("3D/Objects/b.model", other)
        package.writestr("3D/3dmodel.model", main)
    scan = read_scan(path)
    assert np.allclose(scan.V, V + (0, 0, 7))
    with zipfile.ZipFile(path, "w") as package:
        package.writestr("3D/3dmodel.model", main)
    with pytest.raises(BadInput, match=r"'3D/Objects/b.model' is missing"):
        read_scan(path)
