"""GLB and glTF: transforms, winding, colours, textures, and damage."""

import base64
import json
import struct
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
import trimesh
from PIL import Image

from flatten.errors import BadInput
from flatten.io.formats import read_scan

DATA = Path(__file__).parent / "data"
TRIANGLE = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0]], dtype="<f4")


def png(colour):
    out = BytesIO()
    Image.new("RGB", (2, 2), colour).save(out, "PNG")
    return out.getvalue()


def spec(*arrays, nodes, primitive, **more):
    """A glTF dictionary with one accessor per array, and its binary chunk."""
    kinds = {"f": 5126, "B": 5121, "H": 5123, "I": 5125}
    views, accessors, chunk = [], [], b""
    for array in arrays:
        width = {1: "SCALAR", 2: "VEC2", 3: "VEC3", 4: "VEC4"}[array.shape[1]]
        accessors.append(
            {"bufferView": len(views), "componentType": kinds[array.dtype.char],
             "count": len(array), "type": width}
        )  # fmt: skip
        views.append({"buffer": 0, "byteOffset": len(chunk), "byteLength": array.nbytes})
        chunk += array.tobytes() + b"\0" * (-array.nbytes % 4)
    return {
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": nodes,
        "meshes": [{"primitives": [primitive]}],
        "accessors": accessors,
        "bufferViews": views,
        "buffers": [{"byteLength": len(chunk)}],
        **more,
    }, chunk


def test_scene_transforms_are_applied():
    """Scale 0.001, a turn of 60 degrees and a move: the box as worked out when it was made."""
    scan = read_scan(DATA / "scene_transforms.glb")
    assert np.ptp(scan.V, axis=0) == pytest.approx([0.122, 0.227, 0.194], abs=0.0015)
    assert scan.unit == "m"


def test_reads_what_a_general_mesh_library_writes(tube, tmp_path):
    V, F = tube
    turn = trimesh.transformations.rotation_matrix(0.7, [1, 2, 3], [4, 5, 6])
    scene = trimesh.Scene()
    scene.add_geometry(trimesh.Trimesh(V, F, process=False), transform=turn)
    scene.export(tmp_path / "a.glb")
    scan = read_scan(tmp_path / "a.glb")
    expected = V @ turn[:3, :3].T + turn[:3, 3]
    assert np.allclose(scan.V[scan.F], expected[F], atol=1e-4)


def test_a_mirrored_node_keeps_the_outside_outside(write_glb):
    nodes = [{"mesh": 0, "scale": [-1, 1, 1]}]
    path = write_glb(*spec(TRIANGLE, nodes=nodes, primitive={"attributes": {"POSITION": 0}}))
    a, b, c = read_scan(path).V[read_scan(path).F[0]]
    assert np.cross(b - a, c - a)[2] > 0


@pytest.mark.parametrize(
    ("mode", "faces"),
    [(5, [[0, 1, 2], [2, 1, 3]]), (6, [[1, 2, 0], [2, 3, 0]])],
)
def test_strips_and_fans_turn_as_the_standard_says(write_glb, mode, faces):
    """glTF 2.0, section 3.7.2.1: the vertices of triangle i of a strip and of a fan."""
    P = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0]], dtype="<f4")
    primitive = {"attributes": {"POSITION": 0}, "mode": mode}
    path = write_glb(*spec(P, nodes=[{"mesh": 0}], primitive=primitive))
    assert read_scan(path).F.tolist() == faces


def test_texture_transform_and_flip(write_glb):
    """KHR_texture_transform: scale, then turn, then offset; then v from the lower edge."""
    uv = np.array([[0, 0], [1, 0], [0, 1]], dtype="<f4")
    picture = png((9, 8, 7))
    image = np.frombuffer(picture.ljust(-(-len(picture) // 4) * 4, b"\0"), np.uint8)[:, None]
    primitive = {"attributes": {"POSITION": 0, "TEXCOORD_0": 1}, "material": 0}
    moved = {"scale": [2, 3], "rotation": np.pi / 2, "offset": [0.5, 0.25]}
    found, chunk = spec(
        TRIANGLE, uv, image, nodes=[{"mesh": 0}], primitive=primitive,
        materials=[{"pbrMetallicRoughness": {"baseColorTexture": {
            "index": 0, "extensions": {"KHR_texture_transform": moved}}}}],
        textures=[{"source": 0}],
        images=[{"bufferView": 2, "mimeType": "image/png"}],
        extensionsRequired=["KHR_texture_transform"],
    )  # fmt: skip
    scan = read_scan(write_glb(found, chunk))
    assert scan.uv is not None
    # Standard's matrix: translation x rotation [c s; -s c] x scale.
    u = np.array([0.5, 0.5, 0.5 + 3.0])
    v = np.array([0.25, 0.25 - 2.0, 0.25])
    assert scan.uv[0] == pytest.approx(np.column_stack([u, 1 - v]), abs=1e-6)
    assert scan.textures[0][0, 0].tolist() == [9, 8, 7]


def test_float_colours_are_linear_light_and_byte_colours_are_taken_as_they_are(write_glb):
    """IEC 61966-2-1: linear 0.21586 is sRGB 128 of 255."""
    linear = np.full((3, 3), 0.21586, dtype="<f4")
    plain = np.full((3, 4), 128, dtype="u1")
    primitive = {"attributes": {"POSITION": 0, "COLOR_0": 1}}
    for colors in (linear, plain):
        scan = read_scan(
            write_glb(*spec(TRIANGLE, colors, nodes=[{"mesh": 0}], primitive=primitive))
        )
        assert scan.colors is not None
        assert (scan.colors == 128).all()


def test_gltf_with_its_buffer_inside_or_beside(tmp_path):
    found, chunk = spec(TRIANGLE, nodes=[{"mesh": 0}], primitive={"attributes": {"POSITION": 0}})
    found["asset"] = {"version": "2.0"}
    (tmp_path / "a b.bin").write_bytes(chunk)
    for uri in ("a%20b.bin", "data:;base64," + base64.b64encode(chunk).decode()):
        found["buffers"][0]["uri"] = uri
        (tmp_path / "a.gltf").write_text(json.dumps(found))
        assert read_scan(tmp_path / "a.gltf").V.tolist() == TRIANGLE.tolist()


def test_a_buffer_outside_the_folder_is_not_read(tmp_path):
    folder = tmp_path / "scans"
    folder.mkdir()
    found, chunk = spec(TRIANGLE, nodes=[{"mesh": 0}], primitive={"attributes": {"POSITION": 0}})
    found["asset"] = {"version": "2.0"}
    (tmp_path / "out.bin").write_bytes(chunk)
    found["buffers"][0]["uri"] = "../out.bin"
    (folder / "a.gltf").write_text(json.dumps(found))
    with pytest.raises(BadInput, match="is not beside it"):
        read_scan(folder / "a.gltf")


def test_a_sparse_accessor_moves_some_vertices(write_glb):
    found, chunk = spec(
        TRIANGLE, np.array([[1]], dtype="<u2"), np.array([[7, 8, 9]], dtype="<f4"),
        nodes=[{"mesh": 0}], primitive={"attributes": {"POSITION": 0}},
    )  # fmt: skip
    found["accessors"][0]["sparse"] = {
        "count": 1,
        "indices": {"bufferView": 1, "componentType": 5123},
        "values": {"bufferView": 2},
    }
    assert read_scan(write_glb(found, chunk)).V[1].tolist() == [7, 8, 9]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"asset": {"version": "1.0"}}, "only glTF 2"),
        ({"extensionsRequired": ["KHR_draco_mesh_compression"]}, "without compression"),
        ({"nodes": [{"mesh": 0, "children": [0]}]}, "reached twice"),
        ({"nodes": [{"mesh": 4}]}, r"no meshes\[4\]"),
        ({"nodes": [{"mesh": 0, "scale": [1, 1, "x"]}]}, r"nodes\[0\].scale: should be 3 numbers"),
        ({"nodes": [{"mesh": 0, "rotation": [0, 0, 0, 0]}]}, "no unit quaternion"),
        ({"nodes": [{}]}, "holds no triangles"),
        ({"buffers": [{"byteLength": 10**12}]}, "should hold"),
        ({"bufferViews": [{"buffer": 0, "byteLength": 10**12}]}, "beyond its buffer"),
        ({"accessors": [{"bufferView": 0, "componentType": 5126, "count": 4 * 10**9,
                         "type": "VEC3"}]}, "reach beyond their buffer view"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named(write_glb, change, said):
    found, chunk = spec(TRIANGLE, nodes=[{"mesh": 0}], primitive={"attributes": {"POSITION": 0}})
    path = write_glb({**found, **change}, chunk)
    with pytest.raises(BadInput, match=said):
        read_scan(path)


def test_indices_and_coordinates_are_checked(write_glb):
    primitive = {"attributes": {"POSITION": 0}, "indices": 1}
    far = np.array([[0], [1], [3]], dtype="<u4")
    with pytest.raises(BadInput, match="index 2 refers to vertex 3 of 3"):
        read_scan(write_glb(*spec(TRIANGLE, far, nodes=[{"mesh": 0}], primitive=primitive)))
    broken = TRIANGLE.copy()
    broken[1, 1] = np.nan
    with pytest.raises(BadInput, match="vertex 1 is not made of finite numbers"):
        read_scan(
            write_glb(*spec(broken, nodes=[{"mesh": 0}], primitive={"attributes": {"POSITION": 0}}))
        )


def test_a_file_shorter_than_it_says_is_refused(write_glb):
    path = write_glb(
        *spec(TRIANGLE, nodes=[{"mesh": 0}], primitive={"attributes": {"POSITION": 0}})
    )
    data = path.read_bytes()
    path.write_bytes(data[:-8])
    with pytest.raises(BadInput, match=f"says it has {len(data):,} bytes"):
        read_scan(path)
    path.write_bytes(data[:8] + struct.pack("<I", 16) + data[12:])
    with pytest.raises(BadInput, match="no JSON chunk"):
        read_scan(path)
