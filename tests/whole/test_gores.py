"""A ball in six gores, whole command, against the closed form of its neutral surface.

A sphere of radius 100 mm under 5 mm of foam with K = 0.5 has its neutral surface at 102.5 mm: pole to
pole 322.013 mm, a sixth of the equator 107.338 mm (geometry of the sphere). The caps beyond 70 degrees
of latitude are left open, so that seams are 140 / 180 of that long.
"""

import json
from pathlib import Path

import ezdxf
import numpy as np
import pytest
import trimesh
from ezdxf.disassemble import recursive_decompose
from shapely.geometry import LineString, Polygon

from flatten.cli import main

R, NEUTRAL, TOP = 100.0, 102.5, np.radians(70.0)
JOB = """
title = "Ball"
[scan]
file = "ball.stl"
unit = "mm"
up = "+y"
front = "+z"
edge_mm = 4.0
[[ply]]
name = "base"
material = "eva-foam-5-formed"
stock = "foam-sheet"
"""


def on_sphere(latitude, longitude) -> np.ndarray:
    across = np.cos(latitude)
    parts = np.sin(longitude) * across, np.sin(latitude), np.cos(longitude) * across
    return R * np.stack(np.broadcast_arrays(*parts), axis=-1)


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> tuple[Path, dict]:
    folder = tmp_path_factory.mktemp("ball")
    rows, columns = 98, 252
    grid = on_sphere(
        np.linspace(-TOP, TOP, rows)[:, None], np.linspace(0, 2 * np.pi, columns, endpoint=False)
    )
    i = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = i[:-1], np.roll(i[:-1], -1, axis=1), np.roll(i[1:], -1, axis=1), i[1:]
    F = np.concatenate([np.stack(t, axis=-1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])
    trimesh.Trimesh(grid.reshape(-1, 3), F, process=False).export(folder / "ball.stl")
    job = JOB
    for k in range(6):
        points = on_sphere(np.linspace(-TOP, TOP, 9), np.radians(30.0 + 60.0 * k))
        job += f'[[line]]\nname = "meridian {k + 1}"\nkind = "seam"\npoints = {points.tolist()}\n'
    (folder / "job.toml").write_text(job, encoding="utf-8")
    assert main(["run", str(folder / "job.toml"), "--out", str(folder / "out"), "-q"]) == 0
    return folder / "out", json.loads((folder / "out" / "report.json").read_text("utf-8"))


def net_outlines(out: Path) -> list[Polygon]:
    """The cut lines of every template (butted: the net lines), read back from the drawings by ezdxf."""
    found = []
    for path in sorted(out.glob("base*.dxf")):
        for insert in ezdxf.readfile(path).modelspace().query("INSERT"):
            lines = [
                LineString([p[:2] for p in e.get_points()])
                for e in recursive_decompose([insert])
                if e.dxftype() == "LWPOLYLINE" and e.dxf.layer == "CUT"
            ]
            found.append(Polygon(max(lines, key=lambda line: line.length)))
    return found


def test_meridians_are_as_long_as_on_the_neutral_surface(made):
    """facts of the sphere: 322.013 mm from pole to pole; edges keep their length within 1 %."""
    true = 322.013 * 140.0 / 180.0
    assert np.pi * NEUTRAL == pytest.approx(322.013, abs=5e-4)
    seams = made[1]["seams"]
    assert len(seams) == 6
    for seam in seams:
        surface, flat = ([side[key] for side in seam["sides"]] for key in ("surface_mm", "flat_mm"))
        assert surface == pytest.approx([true, true], rel=1e-3)
        assert flat == pytest.approx([true, true], rel=0.01)
        assert flat[0] == pytest.approx(flat[1], abs=0.05)


def test_gores_are_alike_and_as_wide_as_a_sixth_of_the_equator(made):
    out, report = made
    assert 2 * np.pi * NEUTRAL / 6 == pytest.approx(107.338, abs=5e-4)
    strain = max(max(p["stretch_max_pct"], p["squeeze_max_pct"]) for p in report["panels"]) / 100
    gores = net_outlines(out)
    assert len(gores) == 6
    for gore in gores:
        box = np.array(gore.minimum_rotated_rectangle.exterior.coords)
        width = np.linalg.norm(np.diff(box[:3], axis=0), axis=1).min()
        # A flat gore is as wide as its sixth of the equator but for what the foam must give.
        assert width == pytest.approx(107.338, rel=strain)
        assert gore.area == pytest.approx(gores[0].area, rel=2e-3)
    # Archimedes: the band between two latitudes has the area of the cylinder round it.
    band = 4.0 * np.pi * NEUTRAL**2 * np.sin(TOP)
    assert sum(p["area_surface_mm2"] for p in report["panels"]) == pytest.approx(band, rel=2e-3)
