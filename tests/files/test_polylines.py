"""Lines from modelling programs: groups, pieces, transforms, units, inks and kinds."""

import json

import ezdxf
import numpy as np
import pytest

from flatten.errors import BadInput
from flatten.io.polylines import read_line_file, read_lines
from flatten.records.job import InkRule, LineFile


def test_obj_lines_by_group_joined_from_pieces(tmp_path):
    path = tmp_path / "lines.obj"
    path.write_text(
        "o scan\nv 0 0 0\nv 1 0 0\nv 2 0 0\nv 3 1 0\nv 0 3 3\nv 1 3 3\nv 1 4 3\nf 1 2 4\n"
        "g side left\nl 2 3\nl 1 2\nl 3 4\ng ring trim\nl 5 6\nl 6 7\nl 7 5\n"
        "g bust dart\nl -1 -2 -3\n"
    )
    lines = {line.name: line for line in read_lines(path)}
    assert lines["side left"].points[:, 0].tolist() == [0, 1, 2, 3]
    assert (lines["side left"].kind, lines["side left"].closed) == ("seam", False)
    assert (lines["ring trim"].kind, lines["ring trim"].closed) == ("trim", True)
    assert len(lines["ring trim"].points) == 3
    assert lines["bust dart"].kind == "dart"
    assert lines["bust dart"].points.tolist() == [[1, 4, 3], [1, 3, 3], [0, 3, 3]]
    assert lines["bust dart"].source == "lines.obj"


@pytest.mark.parametrize(
    ("row", "said"),
    [("l 1 9", "line 3: this row refers to vertex 9"), ("l 1 x", "line 3: 'x'"), ("f 1 2 1", "no lines")],
)  # fmt: skip
def test_what_is_wrong_in_an_obj_is_named(tmp_path, row, said):
    path = tmp_path / "a.obj"
    path.write_text(f"v 0 0 0\nv 1 0 0\n{row}\n")
    with pytest.raises(BadInput, match=said):
        read_lines(path)


def test_gltf_line_primitives_under_their_nodes(write_glb):
    P = np.array([[0, 0, 0], [1, 0, 0], [2, 0, 0], [1, 0, 0]], dtype="<f4")
    primitives = [{"attributes": {"POSITION": 0}, "mode": mode} for mode in (1, 2, 3)]
    path = write_glb(
        {
            "scenes": [{"nodes": [0, 1, 2]}],
            "nodes": [
                {"mesh": 0, "name": "pieces", "translation": [0, 0, 5]},
                {"mesh": 1, "name": "loop"},
                {"mesh": 2, "name": "strip", "scale": [2, 2, 2]},
            ],
            "meshes": [{"primitives": [p]} for p in primitives],
            "accessors": [
                {"bufferView": 0, "componentType": 5126, "count": 4, "type": "VEC3"},
            ],
            "bufferViews": [{"buffer": 0, "byteLength": P.nbytes}],
            "buffers": [{"byteLength": P.nbytes}],
        },
        P.tobytes(),
    )
    lines = {line.name: line for line in read_lines(path)}
    # 0-1 and 2-1, saved apart, are one line of three points, moved by the node.
    assert lines["pieces"].points.tolist() == [[0, 0, 5], [1, 0, 5], [2, 0, 5]]
    assert lines["loop"].closed
    assert lines["strip"].points.tolist() == [[0, 0, 0], [2, 0, 0], [4, 0, 0], [2, 0, 0]]


def test_dxf_curves_by_layer(tmp_path):
    document = ezdxf.new()
    space = document.modelspace()
    space.add_lwpolyline(
        [(0, 0), (10, 0), (10, 10)], close=True, dxfattribs={"layer": "neck trim", "elevation": 7.0}
    )
    space.add_polyline3d([(0, 0, 1), (1, 2, 3), (4, 5, 6)], dxfattribs={"layer": "side left"})
    space.add_line((1, 0, 0), (2, 0, 0), dxfattribs={"layer": "yoke"})
    space.add_line((0, 0, 0), (1, 0, 0), dxfattribs={"layer": "yoke"})
    space.add_circle((0, 0, 3), 10.0, dxfattribs={"layer": "detail"})
    block = document.blocks.new("B")
    block.add_polyline3d([(0, 0, 0), (1, 1, 1), (2, 1, 1)], dxfattribs={"layer": "inside"})
    space.add_blockref("B", (5, 5, 5))
    space.add_text("not a line")
    path = tmp_path / "lines.dxf"
    document.saveas(path)
    lines = {line.name: line for line in read_lines(path)}
    assert lines["neck trim"].points.tolist() == [[0, 0, 7], [10, 0, 7], [10, 10, 7]]
    assert (lines["neck trim"].closed, lines["neck trim"].kind) == (True, "trim")
    assert lines["side left"].points.tolist() == [[0, 0, 1], [1, 2, 3], [4, 5, 6]]
    assert lines["yoke"].points.tolist() == [[0, 0, 0], [1, 0, 0], [2, 0, 0]]
    assert lines["inside"].points[0].tolist() == [5, 5, 5]
    circle = lines["detail"]
    assert (circle.kind, circle.closed) == ("detail", True)
    ring = np.vstack([circle.points, circle.points[:1]])
    length = np.linalg.norm(np.diff(ring, axis=0), axis=1).sum()
    assert length == pytest.approx(20 * np.pi, rel=1e-4)
    assert np.linalg.norm(circle.points[:, :2], axis=1) == pytest.approx(10.0, abs=1e-3)


def write_json(folder, value):
    path = folder / "lines.json"
    path.write_text(json.dumps(value))
    return path


A, B = [[0, 0, 0], [0, 0.5, 0]], [[0, 0, 0], [0, 0.1, 0]]


def test_json_seams_are_seams_and_lines_go_by_their_ink(tmp_path):
    seams = read_lines(write_json(tmp_path, {"units": "m", "seams": [{"name": "a", "points": A}]}))
    assert (seams[0].kind, seams[0].ink) == ("seam", None)
    rows = [
        {"name": "side", "ink": "black", "points": A},
        {"name": "band", "ink": "#C00010", "points": B},
        {"name": "sure", "ink": "#C00010", "kind": "dart", "points": B},
    ]
    lines = read_lines(write_json(tmp_path, {"lines": rows}))
    assert [line.kind for line in lines] == ["seam", "detail", "dart"]
    assert [line.ink for line in lines] == ["#000000", "#c00010", "#c00010"]
    rule = InkRule(colour="#d01020", kind="score", joint="lap", fixing="stitch")
    lines = read_lines(write_json(tmp_path, {"lines": rows}), inks=[rule])
    assert [line.kind for line in lines] == ["seam", "score", "dart"]
    assert (lines[1].joint, lines[1].fixing) == ("lap", "stitch")


def test_json_units_are_brought_to_the_scans(tmp_path):
    path = write_json(tmp_path, {"units": "m", "seams": [{"name": "a", "points": A}]})
    assert read_lines(path)[0].points[1, 1] == 0.5
    assert read_lines(path, mm_per_scan_unit=1.0)[0].points[1, 1] == pytest.approx(500.0)
    assert read_lines(path, mm_per_scan_unit=25.4)[0].points[1, 1] == pytest.approx(500 / 25.4)
    bare = write_json(tmp_path, {"seams": [{"name": "a", "points": A}]})
    assert read_lines(bare, mm_per_scan_unit=1.0)[0].points[1, 1] == 0.5


def test_the_jobs_words_hold_where_the_file_is_silent(tmp_path):
    rows = [{"name": "a", "points": A, "joint": "gap"}, {"points": B, "mirror": False}]
    path = write_json(tmp_path, {"lines": rows})
    file = LineFile(path=path, kind="score", joint="lap", fixing="lace", mirror=True)
    lines = read_line_file(file)
    assert [line.name for line in lines] == ["a", "line"]
    assert [line.kind for line in lines] == ["score", "score"]
    assert [line.joint for line in lines] == ["gap", "lap"]
    assert [line.mirror for line in lines] == [True, False]
    assert [line.name for line in read_lines(path, name="yoke")] == ["yoke", "yoke 2"]


def test_a_line_that_ends_where_it_began_is_closed(tmp_path):
    ring = [[0, 0, 0], [1, 0, 0], [1, 0, 0], [1, 1, 0], [0, 0, 0]]
    line = read_lines(write_json(tmp_path, {"seams": [{"name": "a", "points": ring}]}))[0]
    assert line.closed
    assert line.points.tolist() == [[0, 0, 0], [1, 0, 0], [1, 1, 0]]


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ({"curves": []}, "no list called 'seams' or 'lines'"),
        ({"seams": [], "units": "ft"}, "unknown units 'ft'"),
        ({"seams": [{"name": "a", "points": [[0, 0]]}]}, r"seams\[0\] 'a': points should be"),
        ({"seams": [{"name": "a"}]}, r"seams\[0\] 'a': points should be"),
        ({"seams": [{"name": "a", "points": A, "kind": "saem"}]}, "did you mean 'seam'"),
        ({"seams": [{"name": "a", "points": A, "ink": "inky"}]}, "'inky' is not a colour"),
        ({"seams": [{"name": "a", "points": A, "closed": 1}]}, "closed should be true or false"),
        ({"seams": [{"name": "a", "points": [[0, 0, float("nan")]] * 2}]}, "points should be"),
        ({"seams": [{"name": "a", "points": [[0, 0, 0]] * 2}]}, "no lines in the file"),
    ],
)
def test_what_is_wrong_in_json_is_named(tmp_path, value, said):
    with pytest.raises(BadInput, match=said):
        read_lines(write_json(tmp_path, value))


def test_other_formats_are_refused(tmp_path):
    path = tmp_path / "a.svg"
    path.write_text("<svg/>")
    with pytest.raises(BadInput, match="use OBJ, GLB, GLTF, DXF, JSON"):
        read_lines(path)
