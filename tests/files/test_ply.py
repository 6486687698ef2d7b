"""PLY against files packed by hand and by another library."""

import struct

import numpy as np
import pytest
import trimesh
from PIL import Image

from flatten.errors import BadInput
from flatten.io.formats import read_scan


@pytest.mark.parametrize("order", ["<", ">", "ascii"])
def test_every_storage_gives_the_same_mesh(tube, write_ply, order):
    V, F = tube
    colors = np.arange(len(V) * 3).reshape(-1, 3).astype(np.uint8)
    scan = read_scan(write_ply(V, F, order=order, colors=colors))
    assert (V == scan.V).all()
    assert (F == scan.F).all()
    assert (scan.colors == colors).all()
    assert scan.unit is None


@pytest.mark.parametrize("encoding", ["binary", "ascii"])
def test_reads_what_a_general_mesh_library_writes(tube, tmp_path, encoding):
    V, F = tube
    mesh = trimesh.Trimesh(V, F, process=False)
    mesh.visual.vertex_colors = np.full((len(V), 4), [10, 200, 30, 255], dtype=np.uint8)
    mesh.export(tmp_path / "a.ply", encoding=encoding)
    scan = read_scan(tmp_path / "a.ply")
    assert np.allclose(scan.V, V)
    assert (F == scan.F).all()
    assert scan.colors is not None
    assert (scan.colors == [10, 200, 30]).all()


def test_mixed_polygons_after_a_foreign_element_with_lists_and_extra_columns(tmp_path):
    """Rows of differing length are walked; an element before the faces is stepped over."""
    header = (
        b"ply\r\nformat binary_big_endian 1.0\r\nelement vertex 5\r\n"
        b"property double x\r\nproperty uchar quality\r\nproperty double y\r\nproperty double z\r\n"
        b"element edge 2\r\nproperty list ushort short spare\r\n"
        b"element face 2\r\nproperty list uint uint vertex_index\r\nproperty uchar flags\r\n"
        b"end_header\r\n"
    )
    corners = [(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0), (0.5, 2, 0)]
    body = b"".join(struct.pack(">dBdd", x, 9, y, z) for x, y, z in corners)
    body += struct.pack(">Hhh", 2, 7, 7) + struct.pack(">H", 0)
    body += struct.pack(">I4IB", 4, 0, 1, 2, 3, 1) + struct.pack(">I3IB", 3, 3, 2, 4, 1)
    path = tmp_path / "a.ply"
    path.write_bytes(header + body)
    scan = read_scan(path)
    assert len(scan.F) == 3
    assert (np.array(corners) == scan.V).all()
    assert {tuple(sorted(f)) for f in scan.F.tolist()} >= {(2, 3, 4)}
    assert scan.notes == ("1 faces of more than three corners were split",)


def test_a_triangle_strip_turns_every_second_triangle(tmp_path):
    """Strip of five, a break, a strip of three; the outside stays outside."""
    path = tmp_path / "a.ply"
    path.write_text(
        "ply\nformat ascii 1.0\nelement vertex 6\nproperty float x\nproperty float y\n"
        "property float z\nelement tristrips 1\nproperty list int int vertex_indices\nend_header\n"
        "0 0 0\n1 0 0\n0 1 0\n1 1 0\n0 2 0\n1 2 0\n9 0 1 2 3 4 -1 2 3 4\n"
    )
    scan = read_scan(path)
    assert scan.F.tolist() == [[0, 1, 2], [2, 1, 3], [2, 3, 4], [2, 3, 4]]
    a, b, c = (scan.V[scan.F[:, i]] for i in range(3))
    assert (np.cross(b - a, c - a)[:, 2] > 0).all()


def test_a_texture_named_in_a_comment_is_read_with_the_faces_own_places(tmp_path):
    Image.new("RGB", (2, 2), (200, 10, 10)).save(tmp_path / "skin.png")
    path = tmp_path / "a.ply"
    path.write_text(
        "ply\nformat ascii 1.0\ncomment TextureFile skin.png\nelement vertex 3\nproperty float x\n"
        "property float y\nproperty float z\nelement face 1\n"
        "property list uchar int vertex_indices\nproperty list uchar float texcoord\nend_header\n"
        "0 0 0\n1 0 0\n0 1 0\n3 0 1 2 6 0 0.25 1 0.5 0 0.75\n"
    )
    scan = read_scan(path)
    assert scan.uv is not None
    assert scan.uv[0].tolist() == [[0, 0.25], [1, 0.5], [0, 0.75]]
    assert scan.textures[0].tolist() == [[[200, 10, 10]] * 2] * 2
    assert scan.face_texture is not None
    assert scan.face_texture.tolist() == [0]


def test_face_colours_reach_the_vertices(tmp_path):
    path = tmp_path / "a.ply"
    path.write_text(
        "ply\nformat ascii 1.0\nelement vertex 4\nproperty float x\nproperty float y\n"
        "property float z\nelement face 2\nproperty list uchar int vertex_indices\n"
        "property uchar red\nproperty uchar green\nproperty uchar blue\nend_header\n"
        "0 0 0\n1 0 0\n0 1 0\n1 1 0\n3 0 1 2 100 0 0\n3 2 1 3 200 0 0\n"
    )
    colors = read_scan(path).colors
    assert colors is not None
    assert colors[:, 0].tolist() == [100, 150, 150, 200]


def test_a_count_beyond_the_file_is_refused_without_room_for_it(tube, write_ply):
    path = write_ply(*tube)
    data = path.read_bytes()
    path.write_bytes(data.replace(f"vertex {len(tube[0])}".encode(), b"vertex 4000000000"))
    with pytest.raises(BadInput, match="4,000,000,000 vertex rows"):
        read_scan(path)


@pytest.mark.parametrize("order", ["<", "ascii"])
def test_a_cut_file_is_refused(tube, write_ply, order):
    path = write_ply(*tube, order=order)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * 0.6)])
    with pytest.raises(BadInput, match="ends before its"):
        read_scan(path)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("1 2 3\n", "1 abc 3\n", r"line 10: 'abc' is not a number"),
        ("1 2 3\n", "1 nan 3\n", r"line 10: a coordinate is not a finite number \(1 nan 3\)"),
        ("1 2 3\n", "1 1e400 3\n", r"line 10: a coordinate"),
        ("3 0 1 2\n", "3 0 1 7\n", r"face 1: a face refers to vertex 7, but there are 3"),
        ("3 0 1 2\n", "3 0 1 -1\n", r"face 1: a face refers to vertex -1"),
        ("3 0 1 2\n", "3 0 1 1.5\n", r"face 1: a face refers to vertex -1"),
        ("3 0 1 2\n", "-3 0 1 2\n", r"face 1: a list of -3 values"),
        ("3 0 1 2\n", "2 0 1\n", r"points but no faces"),
        ("float x", "float16 x", r"line 4: this PLY property is not understood"),
        ("vertex 3", "vertex -3", r"line 3: this PLY header line"),
        ("ascii 1.0", "zipped 1.0", r"line 2: unknown PLY format 'zipped'"),
        ("property float z\n", "", r"no vertices with x, y and z"),
    ],
)
def test_the_line_or_face_that_is_wrong_is_named(tmp_path, old, new, said):
    text = (
        "ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\n"
        "property float z\nelement face 1\nproperty list uchar int vertex_indices\nend_header\n"
        "1 2 3\n0 0 0\n0 1 0\n3 0 1 2\n"
    )
    path = tmp_path / "a.ply"
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(BadInput, match=said):
        read_scan(path)


def test_points_without_faces_are_named_for_what_they_are(tmp_path):
    path = tmp_path / "cloud.ply"
    path.write_text(
        "ply\nformat ascii 1.0\nelement vertex 1\nproperty float x\nproperty float y\n"
        "property float z\nend_header\n0 0 0\n"
    )
    with pytest.raises(BadInput, match="1 points but no faces"):
        read_scan(path)
