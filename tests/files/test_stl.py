"""STL, binary and ASCII, against files by hand and by another library."""

import numpy as np
import pytest
import trimesh

from flatten.errors import BadInput
from flatten.io.formats import read_scan


@pytest.mark.parametrize("kind", ["stl", "stl_ascii"])
def test_reads_what_a_general_mesh_library_writes(tube, tmp_path, kind):
    V, F = tube
    path = tmp_path / "a.stl"
    trimesh.Trimesh(V, F, process=False).export(path, file_type=kind)
    scan = read_scan(path)
    assert len(scan.F) == len(F)
    assert np.allclose(scan.V[scan.F], V[F])


def test_a_binary_file_whose_header_begins_with_solid_is_binary(tube, tmp_path):
    V, F = tube
    path = tmp_path / "a.stl"
    trimesh.Trimesh(V, F, process=False).export(path)
    data = path.read_bytes()
    path.write_bytes(b"solid facet".ljust(80) + data[80:])
    assert np.allclose(read_scan(path).V[0::3], V[F[:, 0]])


def test_case_line_ends_blank_lines_and_indents_do_not_matter(tmp_path):
    path = tmp_path / "a.stl"
    path.write_bytes(
        b"SOLID my part\r\n\r\n FACET NORMAL 0 0 1\r\n\tOuter Loop\r\n  VERTEX\t0 0 0\r\n"
        b"  vertex 1e0 0 0\r\n  vertex 0 +1 0\r\n endloop\r\nendfacet\r\nendsolid my part"
    )
    scan = read_scan(path)
    assert scan.V.tolist() == [[0, 0, 0], [1, 0, 0], [0, 1, 0]]
    assert scan.notes == ()


FACET = (
    "facet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1 0 0\nvertex 0 1 0\nendloop\nendfacet\n"
)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (FACET.replace("1 0 0", "1 abc 0"), r"line 5: '1 abc 0' is not three numbers"),
        (FACET.replace("1 0 0", "1 0"), r"line 5: '1 0' is not three numbers"),
        (FACET.replace("1 0 0", "1 0 inf"), r"line 5: a coordinate is not a finite number"),
        (FACET.replace("endloop\n", "%% junk\nendloop\n"), r"line 7: '%% junk' where a line with"),
        (FACET.replace("endloop\n", "vertex 1 1 1\nendloop\n"), r"line 7: 'vertex 1 1 1' where"),
        (FACET + FACET[:43], r"ends inside a triangle"),
        ("", r"holds no triangles"),
    ],
)
def test_the_line_that_is_wrong_is_named(tmp_path, text, said):
    path = tmp_path / "a.stl"
    path.write_text(
        f"solid facet\n{text}endsolid\n" if "inside" not in said else "solid facet\n" + text
    )
    with pytest.raises(BadInput, match=said):
        read_scan(path)


def test_lines_are_counted_across_the_pieces_that_a_large_file_is_read_in(tmp_path, monkeypatch):
    monkeypatch.setattr("flatten.io.numerals._PIECE", 100)
    path = tmp_path / "a.stl"
    path.write_text("solid a\n" + FACET * 20 + "endsolid\n")
    assert len(read_scan(path).F) == 20
    path.write_text("solid a\n" + FACET * 19 + FACET.replace("0 1 0", "0 x 0") + "endsolid\n")
    with pytest.raises(BadInput, match=f"line {1 + 19 * 7 + 5}: '0 x 0'"):
        read_scan(path)


@pytest.mark.parametrize(("keep", "count"), [(-20, None), (None, 5_000_000)])
def test_a_count_beyond_the_file_is_refused(tube, tmp_path, keep, count):
    path = tmp_path / "a.stl"
    trimesh.Trimesh(*tube, process=False).export(path)
    data = bytearray(path.read_bytes()[:keep])
    if count:
        data[80:84] = count.to_bytes(4, "little")
    path.write_bytes(data)
    with pytest.raises(BadInput, match="the file says it has"):
        read_scan(path)
