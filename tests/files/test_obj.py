"""OBJ: corners in every spelling, colours, materials and textures, and what is wrong by line."""

import numpy as np
import pytest
import trimesh
from PIL import Image

from flatten.errors import BadInput
from flatten.io.formats import read_scan


def write(folder, text, name="a.obj"):
    path = folder / name
    path.write_text(text)
    return path


def test_reads_what_a_general_mesh_library_writes(tube, tmp_path):
    V, F = tube
    mesh = trimesh.Trimesh(V, F, process=False)
    mesh.visual.vertex_colors = np.full((len(V), 4), [51, 102, 255, 255], dtype=np.uint8)
    mesh.export(tmp_path / "a.obj")
    scan = read_scan(tmp_path / "a.obj")
    assert np.allclose(scan.V, V)
    assert (F == scan.F).all()
    assert scan.colors is not None
    assert (scan.colors == [51, 102, 255]).all()


@pytest.mark.parametrize(
    "corners",
    ["1 2 3 4", "1/1 2/2 3/1 4/2", "1//1 2//1 3//1 4//1", "1/1/1 2/2/1 3/1/1 4/2/1",
     "-4 -3 -2 -1", "1/1 2 3//1 4/2/1", "1 2 3 4 # a remark", "1 2 \\\n3 4"],
)  # fmt: skip
def test_every_spelling_of_a_face_is_the_same_face(tmp_path, corners):
    path = write(
        tmp_path,
        "o thing\nv 0 0 0\nv 2 0 0\nv 2 1 0\nv 0 1 0\nvt 0 0\nvt 1 1\nvn 0 0 1\ns off\n"
        f"f {corners}\n",
    )
    scan = read_scan(path)
    area = np.cross(*(scan.V[scan.F[:, i]] - scan.V[scan.F[:, 0]] for i in (1, 2)))[:, 2] / 2
    assert area.tolist() == [1.0, 1.0]


def test_negative_numbers_count_back_from_where_they_stand(tmp_path):
    path = write(
        tmp_path,
        "v 0 0 0\nv 1 0 0\nv 0 1 0\nf -3 -2 -1\nv 5 0 0\nv 6 0 0\nv 5 1 0\nf -3 -2 -1\n",
    )
    assert read_scan(path).F.tolist() == [[0, 1, 2], [3, 4, 5]]


def test_a_concave_polygon_keeps_its_area(tmp_path):
    """An arrow head of six corners: area by the shoelace formula (common knowledge)."""
    xy = [(0, 0), (4, 0), (4, 4), (3, 1), (1, 3), (0, 4)]
    text = "".join(f"v {x} {y} 7\n" for x, y in xy) + "f 1 2 3 4 5 6\n"
    scan = read_scan(write(tmp_path, text))
    a, b, c = (scan.V[scan.F[:, i]] for i in range(3))
    twice = np.cross(b - a, c - a)[:, 2]
    x, y = np.array(xy, dtype=float).T
    shoelace = abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2
    assert twice.min() >= 0
    assert twice.sum() / 2 == pytest.approx(shoelace)


def test_colours_may_be_fractions_or_bytes(tmp_path):
    fractions = "v 0 0 0 1 0 0.5\nv 1 0 0 0 0 0\nv 0 1 0 0 1 0\nf 1 2 3\n"
    bytes_ = "v 0 0 0 255 0 128\nv 1 0 0 0 0 0\nv 0 1 0 0 255 0\nf 1 2 3\n"
    for text in (fractions, bytes_):
        colors = read_scan(write(tmp_path, text)).colors
        assert colors is not None
        assert colors.tolist() == [[255, 0, 128], [0, 0, 0], [0, 255, 0]]


SQUARE = (
    "v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\nv 0 2 0\nvt 0 0\nvt 1 0\nvt 1 1\nvt 0 1\n"
    "usemtl skin\nf 1/1 2/2 3/3\nusemtl bare\nf 1/1 3/3 4/4\nusemtl tape\nf 4/1 3/2 5/3\n"
)


def test_each_face_has_the_texture_of_its_material(tmp_path):
    Image.new("RGB", (3, 2), (255, 0, 0)).save(tmp_path / "my skin.png")
    Image.new("L", (1, 1), 90).save(tmp_path / "tape.jpg")
    (tmp_path / "a.mtl").write_text(
        "newmtl skin\nKd 1 1 1\nmap_Kd -o 0 0 0 -clamp on my skin.png\nnewmtl bare\nKd 0 0 0\n"
        "newmtl tape\nmap_Kd C:\\Users\\somebody\\tape.jpg\n"
    )
    scan = read_scan(write(tmp_path, "mtllib a.mtl\n" + SQUARE))
    assert scan.face_texture is not None
    assert scan.face_texture.tolist() == [0, -1, 1]
    assert [t.shape for t in scan.textures] == [(2, 3, 3), (1, 1, 3)]
    assert scan.textures[0][0, 0].tolist() == [255, 0, 0]
    assert scan.uv is not None
    assert scan.uv[0].tolist() == [[0, 0], [1, 0], [1, 1]]


def test_a_missing_texture_is_a_note(tmp_path):
    (tmp_path / "a.mtl").write_text("newmtl skin\nmap_Kd not_there.png\n")
    scan = read_scan(write(tmp_path, "mtllib a.mtl\n" + SQUARE))
    assert len(scan.F) == 3
    assert not scan.has_texture
    assert "not_there.png" in scan.notes[0]


def test_an_unreadable_texture_is_a_note(tmp_path):
    (tmp_path / "skin.png").write_bytes(b"\x89PNG\r\n\x1a\n" + b"\0" * 50)
    (tmp_path / "a.mtl").write_text("newmtl skin\nmap_Kd skin.png\n")
    scan = read_scan(write(tmp_path, "mtllib a.mtl\n" + SQUARE))
    assert not scan.has_texture
    assert "cannot be read" in scan.notes[0]


@pytest.mark.parametrize("reference", ["../secret.png", "../other/../secret.png", "link.png"])
def test_no_path_leads_out_of_the_scans_folder(tmp_path, reference):
    folder = tmp_path / "scans"
    folder.mkdir()
    Image.new("RGB", (2, 2), (1, 2, 3)).save(tmp_path / "secret.png")
    (folder / "link.png").symlink_to(tmp_path / "secret.png")
    (folder / "a.mtl").write_text(f"newmtl skin\nmap_Kd {reference}\n")
    scan = read_scan(write(folder, "mtllib a.mtl\n" + SQUARE))
    assert scan.textures == ()
    (folder / "a.mtl").unlink()
    (tmp_path / "b.mtl").write_text("newmtl skin\nmap_Kd link.png\n")
    scan = read_scan(write(folder, "mtllib ../b.mtl\n" + SQUARE))
    assert "../b.mtl" in scan.notes[0]
    # An absolute path is not followed either.
    scan = read_scan(write(folder, f"mtllib {tmp_path / 'b.mtl'}\n" + SQUARE))
    assert "b.mtl" in scan.notes[0]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("f 1 2 9", r"line 4: this row refers to vertex 9, but there are 3"),
        ("f 0 1 2", r"line 4: this row refers to vertex 0"),
        ("f -4 1 2", r"line 4: this row refers to vertex -4"),
        ("f 1 2 x", r"line 4: 'x' is not a corner"),
        ("f 1 2 3.5", r"line 4: '3.5' is not a corner"),
        ("v 1 2", r"line 4: 2 numbers where 3 are needed"),
        ("v 1 2 three", r"line 4: 'three' is not a number"),
        ("v 1 2 nan\nv 0 -inf 0", r"line 4: a coordinate is not a finite number .*2 such vertices"),
        ("v 1_0 2 3", r"line 4: '1_0' is not a number"),
        ("l 1 2", r"points but no faces"),
    ],
)
def test_the_line_that_is_wrong_is_named(tmp_path, row, said):
    path = write(
        tmp_path, f"v 0 0 0\nv 1 0 0\nv 0 1 0\n{row}\n" + ("" if "but no" in said else "f 1 2 3\n")
    )
    with pytest.raises(BadInput, match=said):
        read_scan(path)


def test_names_match_whatever_their_capitals_encoding_or_new_name(tmp_path):
    Image.new("RGB", (2, 2), (5, 6, 7)).save(tmp_path / "Häut.PNG")
    (tmp_path / "anna.mtl").write_bytes("newmtl skin\nmap_Kd häut.png\n".encode("cp1252"))
    scan = read_scan(write(tmp_path, "mtllib before.mtl\n" + SQUARE, "anna.obj"))
    assert scan.textures[0][0, 0].tolist() == [5, 6, 7]


def test_a_byte_order_mark_hides_no_vertex(tmp_path):
    path = tmp_path / "a.obj"
    path.write_bytes(b"\xef\xbb\xbfv 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n")
    assert len(read_scan(path).V) == 3


def test_lines_that_say_nothing_known_are_noted(tmp_path):
    text = "v 0 0 0\nv 1 0 0\n%% junk\nv 0 1 0\nhello world\nf 1 2 3\n"
    scan = read_scan(write(tmp_path, text))
    assert scan.notes == ("2 lines that say nothing known were left out (the first is line 3)",)


def test_a_texture_place_beyond_any_number_is_set_to_nothing(tmp_path, recwarn):
    Image.new("RGB", (2, 2), (5, 6, 7)).save(tmp_path / "skin.png")
    (tmp_path / "a.mtl").write_text("newmtl skin\nmap_Kd skin.png\n")
    scan = read_scan(write(tmp_path, "mtllib a.mtl\n" + SQUARE.replace("vt 1 1", "vt 1e300 1")))
    assert scan.uv is not None
    assert np.isfinite(scan.uv).all()
    assert "not numbers" in scan.notes[0]
    assert len(recwarn) == 0
