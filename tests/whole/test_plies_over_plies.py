"""Plies over plies on a frustum, whole command, against the closed form of its neutral surfaces.

A frustum of radii 60 and 100 and height 96 is part of a cone: laid flat, a ring sector between 156
and 260 mm from the apex over 138.4615 degrees. Moved out by d along its normals it lies 2.4 d
farther from the apex (both radii grow by d cos a, the half angle's sine being 5/13), the sector
unchanged: 5 mm of card-like foam with K = 0.5 comes to 162, 266 and 53,784.07 mm² (plane geometry).
"""

import json
from pathlib import Path

import ezdxf
import numpy as np
import pytest
from shapely.geometry import Polygon

from flatten.cli import main
from flatten.geometry.primitives import frustum

SECTOR = np.radians(138.461538)
JOB = """
title = "Frustum"
[scan]
file = "frustum.obj"
unit = "mm"
up = "+y"
front = "+z"
edge_mm = 3.0
[[line]]
name = "front"
kind = "seam"
points = [[0, 0, 60], [0, 48, 80], [0, 96, 100]]
[[line]]
name = "back"
kind = "seam"
points = [[0, 0, -60], [0, 48, -80], [0, 96, -100]]
[[line]]
name = "crest"
kind = "detail"
closed = true
points = CREST
[[ply]]
name = "padding"
material = "pad"
stock = "foam-sheet"
[[ply]]
name = "base"
material = "board"
stock = "foam-sheet"
over = "padding"
face = "back"
[[ply]]
name = "cover"
material = "skin"
stock = "leather-roll"
lines = ["back"]
over = "base"
[[ply]]
name = "crest"
material = "board"
stock = "foam-sheet"
panels = []
detail_pieces = ["crest"]
over = "cover"
[[ply]]
name = "patch"
material = "skin"
stock = "leather-roll"
panels = ["left"]
detail_pieces = ["crest"]
[[material]]
name = "pad"
family = "foam"
thickness_mm = 3.0
stretch_pct = 10
squeeze_pct = 10
[[material]]
name = "board"
family = "foam"
thickness_mm = 5.0
stretch_pct = 10
squeeze_pct = 10
bevel = true
[[material]]
name = "skin"
family = "leather"
thickness_mm = 1.0
stretch_pct = 10
squeeze_pct = 10
"""


def sector_mm2(d: float) -> float:
    return 0.5 * SECTOR * ((260 + 2.4 * d) ** 2 - (156 + 2.4 * d) ** 2)


def on_cone(along: np.ndarray, angle: np.ndarray) -> np.ndarray:
    """Points by the distance up the slant (0 to 104) and the angle round the axis."""
    r, y = 60 + along * 40 / 104, along * 96 / 104
    return np.column_stack([r * np.sin(angle), y, r * np.cos(angle)])


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> tuple[Path, dict]:
    folder = tmp_path_factory.mktemp("frustum")
    V, F = frustum(60.0, 100.0, 96.0, edge_mm=2.0)
    rows = [f"v {x:.6f} {y:.6f} {z:.6f}" for x, y, z in V]
    rows += [f"f {a} {b} {c}" for a, b, c in F + 1]
    (folder / "frustum.obj").write_text("\n".join(rows) + "\n", encoding="utf-8")
    # A box across the front seam: 30 mm up the slant, 0.5 radians round the axis.
    u, w = np.linspace(0, 1, 9)[:-1], np.zeros(8)
    low, high = w + 40.0, w + 70.0
    along = np.concatenate([low, 40 + 30 * u, high, 70 - 30 * u])
    angle = np.concatenate([-0.2 + 0.5 * u, w + 0.3, 0.3 - 0.5 * u, w - 0.2])
    points = json.dumps(np.round(on_cone(along, angle), 4).tolist())
    (folder / "job.toml").write_text(JOB.replace("CREST", points), encoding="utf-8")
    assert main(["run", str(folder / "job.toml"), "--out", str(folder / "out"), "-q"]) == 0
    return folder / "out", json.loads((folder / "out" / "report.json").read_text("utf-8"))


def flat_area(report: dict, ply: str, *names: str) -> float:
    rows = [p for p in report["panels"] if p["ply"] == ply and (not names or p["name"] in names)]
    return sum(p["area_flat_mm2"] for p in rows)


@pytest.mark.parametrize(
    ("ply", "d"), [("padding", 1.5), ("base", 3 + 2.5), ("cover", 3 + 5 + 0.5)]
)
def test_every_ply_has_the_size_of_its_own_neutral_surface(made, ply, d):
    """facts: with nothing beneath, 5 mm at K = 0.5 comes to 53,784.07 mm²."""
    assert sector_mm2(2.5) == pytest.approx(53784.07, abs=0.01)
    assert flat_area(made[1], ply) == pytest.approx(sector_mm2(d), rel=1.5e-3)


def test_a_cover_spans_its_base_and_partner_edges_of_every_ply_meet(made):
    _, report = made
    panels = {ply: sum(p["ply"] == ply for p in report["panels"]) for ply in ("base", "cover")}
    assert panels == {"base": 2, "cover": 1}
    seams = {(s["ply"], s["line"]) for s in report["seams"]}
    assert {("base", "front"), ("base", "back"), ("cover", "back")} <= seams
    assert ("cover", "front") not in seams
    for seam in report["seams"]:
        assert seam["worst_cumulative_mm"] == pytest.approx(0.0, abs=0.01)
        for side in seam["sides"]:
            assert side["flat_mm"] == pytest.approx(104.0, abs=0.4)


@pytest.mark.parametrize(("ply", "d"), [("crest", 3 + 5 + 1 + 2.5), ("patch", 1 + 0.5)])
def test_an_overlay_across_a_seam_stays_whole_outside_what_it_lies_on(made, ply, d):
    """Its width grows with the cone's radius at every height, its height not at all."""
    folder, report = made
    cone = (156 + 2.4 * d + np.array([40.0, 70.0])) * SECTOR / (2 * np.pi)
    wanted = 0.5 * 0.5 * (cone[0] + cone[1]) * 30.0
    if ply == "patch":  # its ply has a panel on the left alone: to the right it lies on the cast
        bare = (156 + 2.4 * 0.5 + np.array([40.0, 70.0])) * SECTOR / (2 * np.pi)
        wanted = (0.3 * cone + 0.2 * bare).sum() / 2 * 30.0
    assert flat_area(report, ply, "crest") == pytest.approx(wanted, rel=6e-3)
    (mesh,) = [p["mesh"] for p in report["panels"] if p["ply"] == ply and p["name"] == "crest"]
    assert (folder / mesh).stat().st_size > 0
    doc = ezdxf.readfile(folder / f"{ply}.dxf")
    block = next(b for b in doc.blocks if b.name.endswith("CREST"))
    cuts = [e for e in block.query("LWPOLYLINE") if e.dxf.layer == "CUT"]
    area = Polygon([p[:2] for p in cuts[0].get_points()]).area
    assert area == pytest.approx(flat_area(report, ply, "crest"), rel=2e-3)


def test_its_placement_line_lies_on_every_panel_it_covers(made):
    doc = ezdxf.readfile(made[0] / "base.dxf")
    length = 0.0
    for name in ("BASE-LEFT", "BASE-RIGHT"):
        lines = [e for e in doc.blocks[name].query("LWPOLYLINE") if e.dxf.layer == "DETAIL"]
        points = [np.array([p[:2] for p in e.get_points()]) for e in lines]
        own = sum(np.linalg.norm(np.diff(p, axis=0), axis=1).sum() for p in points)
        assert own > 60.0
        length += own
    cone = (156 + 2.4 * 5.5 + np.array([40.0, 70.0])) * SECTOR / (2 * np.pi)
    assert length == pytest.approx(0.5 * cone.sum() + 60.0, rel=0.02)


def test_a_cover_turns_round_all_that_lies_beneath_it(made):
    """Common practice: the thickness it goes round and 13 mm; here 3 + 5 + 13 = 21."""
    doc = ezdxf.readfile(made[0] / "cover.dxf")
    block = next(b for b in doc.blocks if b.name.startswith("COVER-"))
    rings = {
        layer: Polygon(
            next(
                [p[:2] for p in e.get_points()]
                for e in block.query("LWPOLYLINE")
                if e.dxf.layer == layer and e.closed
            )
        ).exterior
        for layer in ("NET", "CUT")
    }
    at = np.arange(0.0, rings["NET"].length, 2.0)
    places = [rings["NET"].interpolate(s) for s in at]
    away = np.array([rings["CUT"].distance(p) for p in places])
    rims = away > 15.0
    # Two arcs of the sector; 25 mm from the four corners the width is the one asked for.
    ends = [p for p, a, b in zip(places, rims, np.roll(rims, 1), strict=True) if a != b]
    clear = np.array([min(p.distance(e) for e in ends) > 25.0 for p in places])
    assert (rims & clear).sum() > 300
    assert away[rims & clear] == pytest.approx(21.0, abs=0.1)
    assert len(ends) == 4
