"""Faces in plain colours: materials of OBJ and glTF, colour groups of 3MF.

OBJ and glTF files are written by trimesh or by hand. 3MF: Materials and Properties Extension 1.2,
chapter 3 (colour groups), "#RRGGBBAA", the triangle's own pid before the object's.
"""

import numpy as np
import pytest
import trimesh

from flatten.io.formats import read_scan

V = np.array([[0, 0, 0], [300, 0, 0], [0, 300, 0], [0, 0, 300.0]])
F = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]])
RED, BLUE = (230, 26, 51), (26, 26, 230)


def face_colours(scan):
    """The texel that the middle of every face looks at."""
    middle = scan.uv.mean(axis=1) % 1.0
    out = []
    for (u, v), k in zip(middle, scan.face_texture, strict=True):
        h, w = scan.textures[k].shape[:2]
        out.append(tuple(scan.textures[k][min(int((1 - v) * h), h - 1), min(int(u * w), w - 1)]))
    return [tuple(int(c) for c in colour) for colour in out]


def write_obj(folder, materials):
    (folder / "m.mtl").write_text(materials)
    rows = ["mtllib m.mtl", *(f"v {x} {y} {z}" for x, y, z in V)]
    for f, name in zip(F, ("red", "blue", "red", "none"), strict=True):
        rows += [f"usemtl {name}", "f " + " ".join(str(i + 1) for i in f)]
    (folder / "a.obj").write_text("\n".join(rows))
    return folder / "a.obj"


def test_the_diffuse_colours_of_an_obj(tmp_path):
    path = write_obj(tmp_path, "newmtl red\nKd 0.9 0.1 0.2\nnewmtl blue\nKd 0.1 0.1 0.9\n")
    grey = (200, 200, 200)
    assert face_colours(read_scan(path, "mm")) == [RED, BLUE, RED, grey]


@pytest.mark.parametrize("row", ["Kd nan 0 0", "Kd 0.1", "Kd spectral x.rfl", "Kd 1e999 0 0"])
def test_a_colour_that_cannot_be_read_is_none(tmp_path, row):
    scan = read_scan(write_obj(tmp_path, f"newmtl red\n{row}\n"), "mm")
    assert not scan.has_colors


def test_one_colour_all_over_is_none(tmp_path):
    path = write_obj(tmp_path, "".join(f"newmtl {n}\nKd 1 0 0\n" for n in ("red", "blue", "none")))
    assert not read_scan(path, "mm").has_colors


def test_the_base_colours_of_a_glb(tmp_path):
    scene = trimesh.Scene()
    for k, colour in enumerate(((255, 0, 0, 255), (0, 0, 255, 255))):
        part = trimesh.Trimesh(V + 1000 * k, F, process=False)
        material = trimesh.visual.material.PBRMaterial(baseColorFactor=colour)
        part.visual = trimesh.visual.TextureVisuals(material=material)
        scene.add_geometry(part)
    scene.export(tmp_path / "a.glb")
    scan = read_scan(tmp_path / "a.glb", "mm")
    near = np.abs(scan.V).max(axis=1) < 500
    assert (scan.colors[near] == (255, 0, 0)).all()
    assert (scan.colors[~near] == (0, 0, 255)).all()


def test_the_colour_groups_of_a_3mf(write_3mf):
    points = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in V)
    paint = ('p1="0"', 'p1="1" p2="0" p3="0"', "", 'pid="6" p1="0"')
    faces = "".join(
        f'<triangle v1="{a}" v2="{b}" v3="{c}" {p}/>' for (a, b, c), p in zip(F, paint, strict=True)
    )
    body = (
        '<resources><colorgroup id="5"><color color="#E61A33FF"/><color color="#1A1AE6"/>'
        '</colorgroup><basematerials id="6"><base name="x" displaycolor="#00FF00"/></basematerials>'
        '<object id="1" type="model" pid="5" pindex="1"><mesh>'
        f"<vertices>{points}</vertices><triangles>{faces}</triangles></mesh></object></resources>"
        '<build><item objectid="1"/></build>'
    )
    assert face_colours(read_scan(write_3mf(body))) == [RED, BLUE, BLUE, (0, 255, 0)]
