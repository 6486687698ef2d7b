"""Any damage to a file ends in BadInput or in a sound Scan, never in another exception."""

import contextlib

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flatten.errors import BadInput
from flatten.geometry.primitives import cylinder
from flatten.io.formats import read_scan
from flatten.io.jobs import read_job
from flatten.io.polylines import read_lines


@st.composite
def damage(draw):
    """A change to the bytes of a file: cut, bytes changed, a piece doubled or left out."""
    how = draw(st.sampled_from(["cut", "flip", "flip", "flip", "drop", "double"]))
    at = [draw(st.floats(0, 1)) for _ in range(draw(st.integers(1, 6)))]
    values = draw(st.lists(st.integers(0, 255), min_size=6, max_size=6))

    def apply(data: bytes) -> bytes:
        n = len(data)
        if how == "cut":
            return data[: int(at[0] * n)]
        if how == "flip":
            changed = bytearray(data)
            for place, value in zip(at, values, strict=False):
                # Half of the changes fall on the first 400 bytes, where headers are.
                span = n if value % 2 else min(n, 400)
                changed[min(int(place * span), n - 1)] = value
            return bytes(changed)
        start = int(at[0] * n)
        end = min(start + 1 + values[0], n)
        return data[:start] + (data[start:end] * 2 if how == "double" else b"") + data[end:]

    return apply


SETTINGS = settings(
    max_examples=120,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@pytest.fixture
def files(write_ply, write_obj, write_glb, write_3mf, tmp_path):
    """One small, good file of every format."""
    V, F = cylinder(60.0, 200.0, edge_mm=60.0)
    F = np.asarray(F, dtype=np.int64)
    colors = np.full((len(V), 3), 99, dtype=np.uint8)
    positions, corners = V.astype("<f4"), F.astype("<u4")
    glb = {
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0, "rotation": [0, 0, 0, 1], "scale": [2, 2, 2]}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": len(V), "type": "VEC3"},
            {"bufferView": 1, "componentType": 5125, "count": F.size, "type": "SCALAR"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteLength": positions.nbytes},
            {"buffer": 0, "byteOffset": positions.nbytes, "byteLength": corners.nbytes},
        ],
        "buffers": [{"byteLength": positions.nbytes + corners.nbytes}],
    }
    record = np.zeros(len(F), dtype=[("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    record["v"] = V[F]
    binary_stl = tmp_path / "b.stl"
    binary_stl.write_bytes(b"\0" * 80 + len(F).to_bytes(4, "little") + record.tobytes())
    ascii_stl = tmp_path / "a.stl"
    ascii_stl.write_text(
        "solid facet\n"
        + "".join(
            "facet normal 0 0 0\nouter loop\n"
            + "".join(f"vertex {x} {y} {z}\n" for x, y, z in t)
            + "endloop\nendfacet\n"
            for t in V[F].tolist()
        )
        + "endsolid\n"
    )
    points = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in V.tolist())
    faces = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in F.tolist())
    inside = (
        f'<resources><object id="1"><mesh><vertices>{points}</vertices><triangles>{faces}'
        '</triangles></mesh></object></resources><build><item objectid="1"/></build>'
    )
    return {
        "ply": write_ply(V, F, colors=colors),
        "big ply": write_ply(V, F, order=">", name="big.ply"),
        "ascii ply": write_ply(V, F, order="ascii", name="ascii.ply"),
        "obj": write_obj(V, F),
        "glb": write_glb(glb, positions.tobytes() + corners.tobytes()),
        "stl": binary_stl,
        "ascii stl": ascii_stl,
        "3mf": write_3mf(inside),
    }


@pytest.mark.parametrize(
    "kind", ["ply", "big ply", "ascii ply", "obj", "glb", "stl", "ascii stl", "3mf"]
)
def test_a_damaged_scan_is_refused_or_sound(files, tmp_path, kind):
    whole = files[kind]
    data = whole.read_bytes()
    assert len(read_scan(whole).F) > 0
    broken = tmp_path / f"broken{whole.suffix}"

    @SETTINGS
    @given(damage())
    def check(apply):
        broken.write_bytes(apply(data))
        with contextlib.suppress(BadInput):
            scan = read_scan(broken)
            assert np.isfinite(scan.V).all()
            assert len(scan.F) > 0
            assert scan.F.min() >= 0
            assert scan.F.max() < len(scan.V)

    check()


JOB = """title = "a"
[scan]
file = "scan.ply"
up = "+y"
[[scan.girth]]
at = [0.0, 1.0, 2.0]
mm = 900.0
[[line]]
name = "side left"
kind = "seam"
points = [[0, 0, 0], [1, 1, 1]]
[[ply]]
name = "base"
material = "eva-foam-5-formed"
stock = "foam-sheet"
joints = { "*" = { joint = "seam" } }
[[material]]
name = "mine"
thickness_mm = 2
stretch_pct = { warp = 2, weft = 3, bias = 4 }
squeeze_pct = 1
"""


def test_a_damaged_job_is_refused_or_sound(files, tmp_path):
    path = tmp_path / "job.toml"
    path.write_text(JOB)
    assert read_job(path).lines[0].name == "side left"

    @SETTINGS
    @given(damage())
    def check(apply):
        path.write_bytes(apply(JOB.encode()))
        with contextlib.suppress(BadInput):
            read_job(path)

    check()


LINES = {
    ".json": '{"units": "mm", "lines": [{"name": "a", "ink": "black", "points": [[0,0,0],[1,2,3]]}]}',
    ".obj": "g side left\nv 0 0 0\nv 1 0 0\nv 2 0 0\nl 1 2\nl 2 3\n",
    ".dxf": "0\nSECTION\n2\nENTITIES\n0\nLINE\n8\nside\n10\n0.0\n20\n0.0\n30\n0.0\n"
    "11\n1.0\n21\n1.0\n31\n1.0\n0\nENDSEC\n0\nEOF\n",
}


@pytest.mark.parametrize("suffix", sorted(LINES))
def test_a_damaged_line_file_is_refused_or_sound(tmp_path, suffix):
    path = tmp_path / f"lines{suffix}"
    path.write_text(LINES[suffix])
    assert len(read_lines(path)) == 1

    @SETTINGS
    @given(damage())
    def check(apply):
        path.write_bytes(apply(LINES[suffix].encode()))
        with contextlib.suppress(BadInput):
            for line in read_lines(path):
                assert np.isfinite(line.points).all()
                assert len(line.points) >= 2

    check()
