"""Which side is up, in DXF, SVG and PDF alike; and which materials no laser gets a file for.

The whole command, its files read back with other libraries (ezdxf, svgelements, pypdf).
"""

import json
import shutil

import ezdxf
import numpy as np
import pypdf
import pytest
from pdf_paths import pdf_paths
from shapely.geometry import Polygon
from svgelements import SVG, Group, Shape
from svgelements import Path as SvgPath

from flatten.cli import main
from flatten.geometry.lettering import text_strokes
from flatten.records.drawing import Text

# Standing on z with the front toward x, the wearer's left is toward y: the trim rises to the left.
TURN = 2 * np.pi * np.arange(48) / 48
TRIM = np.column_stack([60 * np.cos(TURN), 60 * np.sin(TURN), 150 + 30 * np.sin(TURN)]).round(3)
HEAD = f"""title = "Tube"
[scan]
file = "scan.ply"
unit = "mm"
up = "+z"
front = "+x"
[[line]]
name = "back seam"
points = [[-60, 0, 0], [-60, 0, 50], [-60, 0, 100], [-60, 0, 150], [-60, 0, 200]]
[[line]]
name = "top"
kind = "trim"
closed = true
points = {TRIM.tolist()}
"""
SIDES = """
[[ply]]
name = "base"
material = "card"
stock = "card-sheet"
face = "back"
[[ply]]
name = "cover"
material = "card"
stock = "card-sheet"
[output]
papers = ["914"]
"""
LASERS = """
[[ply]]
name = "asked"
material = "eva-foam-2-cold"
stock = "foam-sheet"
[[ply]]
name = "never"
material = "grit board"
stock = "card-sheet"
[[ply]]
name = "coated"
material = "faux-leather"
stock = "leather-roll"
[[ply]]
name = "allowed"
material = "card"
stock = "card-sheet"
[[ply]]
name = "answered"
material = "eva-foam-5-cold"
stock = "foam-sheet"
[[material]]
name = "grit board"
family = "card"
thickness_mm = 1
stretch_pct = 5
squeeze_pct = 5
laser = "never"
[[material]]
name = "eva-foam-5-cold"
laser = "ok"
[output]
svg_processes = true
"""


def made(tmp_path, tube, plies):
    shutil.copy(tube, tmp_path / "scan.ply")
    (tmp_path / "job.toml").write_text(HEAD + plies)
    out = tmp_path / "out"
    assert main(["run", str(tmp_path / "job.toml"), "--out", str(out), "-q"]) in (0, 1)
    return out, json.loads((out / "report.json").read_text())


def lines_of(path):
    """All lines of a file in the order they are drawn, y up, mm."""
    if path.suffix == ".dxf":
        inserts = ezdxf.readfile(path).modelspace().query("INSERT")
        entities = [e for insert in inserts for e in insert.virtual_entities()]
        return [np.array(e.get_points("xy")) for e in entities if e.dxftype() == "LWPOLYLINE"]
    if path.suffix == ".svg":
        groups = SVG.parse(str(path), ppi=25.4).select(lambda e: isinstance(e, Group))
        shapes = [s for g in groups if "id" in g.values for s in g.select(is_shape)]
        return [np.array([(p.x, -p.y) for p in SvgPath(s).as_points()]) for s in shapes]
    pages = list(pypdf.PdfReader(path).pages)[1:]
    return [points for page in pages for _, points in pdf_paths(page)]


def is_shape(element):
    return isinstance(element, Shape)


def rises_to(lines):
    """Of the only piece: to which side its upper edge rises, +1 the right, with its foot down."""
    ring = max((p for p in lines if 100.0 < np.ptp(p, axis=0).max() < 500.0), key=area)
    outline = Polygon(ring).simplify(1.0).exterior
    corners = np.array(outline.coords if outline.is_ccw else outline.coords[::-1])
    step = np.diff(corners, axis=0)
    foot = int(np.linalg.norm(step, axis=1).argmax())  # it runs to the right
    along = step[foot] / np.linalg.norm(step[foot])
    off = corners - corners[foot]
    highest = off[(off @ [-along[1], along[0]]).argmax()] @ along
    return np.sign(highest - np.linalg.norm(step[foot]) / 2)


def area(ring):
    return Polygon(ring).area if len(ring) > 3 else 0.0


def reads(lines, words):
    """Whether the strokes of some words are there, turned and sized somehow but not mirrored."""
    wanted = once(
        np.vstack([s.points for s in text_strokes(Text(text=words, at=(0, 0), height=3))])
    )
    there = once(np.vstack(lines))
    z = (wanted - wanted.mean(axis=0)) @ [1, 1j]
    windows = np.lib.stride_tricks.sliding_window_view(there @ [1, 1j], len(z))
    windows = windows - windows.mean(axis=1, keepdims=True)
    size = np.linalg.norm(windows, axis=1)
    # A turn and a size is one complex factor; a mirror image has no such factor.
    like = np.abs(windows @ z.conj()) / np.maximum(size * np.linalg.norm(z), 1e-300)
    return bool((like > 1.0 - 1e-4).any())


def once(points):
    return points[np.r_[True, np.linalg.norm(np.diff(points, axis=0), axis=1) > 1e-4]]


def test_left_is_left_and_the_side_that_is_up_is_named_in_every_format(tmp_path, standing_tube):
    """Seen from outside the wearer's left lies to the right; from inside, to the left."""
    out, _ = made(tmp_path, standing_tube, SIDES)
    for ply, face, other, side in (("cover", "face", "back", 1), ("base", "back", "face", -1)):
        for kind in ("dxf", "svg", "pdf"):
            lines = lines_of(out / f"{ply}.{kind}")
            assert rises_to(lines) == side, (ply, kind)
            assert reads(lines, f"this side up: {face}"), (ply, kind)
            assert not reads(lines, f"this side up: {other}"), (ply, kind)
            assert not reads([p * [-1, 1] for p in lines], f"this side up: {face}"), (ply, kind)


@pytest.fixture(scope="module")
def lasers(tmp_path_factory, standing_tube):
    return made(tmp_path_factory.mktemp("lasers"), standing_tube, LASERS)


@pytest.mark.parametrize(
    ("ply", "why"),
    [
        ("never", "it is not for a laser"),
        ("asked", "nobody has said yet that it may be cut so"),
        ("coated", "it may hold PVC, which gives off hydrogen chloride"),
    ],
)
def test_a_laser_gets_no_file_and_the_reason_is_said(lasers, ply, why):
    out, report = lasers
    files = next(p["files"] for p in report["plies"] if p["name"] == ply)
    assert not [name for name in files if name.endswith(("-cut.svg", "-score.svg", "-mark.svg"))]
    assert not list(out.glob(f"{ply}-*.svg"))
    (note,) = [n for n in report["notes"] if f"'{ply}'" in n and "laser" in n]
    assert why in note
    assert 'say laser = "ok" in its own [[material]]' in note
    assert why in (out / f"{ply}.svg").read_text()


@pytest.mark.parametrize("ply", ["allowed", "answered"])
def test_a_laser_gets_its_files_where_the_material_or_its_user_allows_it(lasers, ply):
    out, report = lasers
    assert {p.name for p in out.glob(f"{ply}-*.svg")} == {
        f"{ply}-{process}.svg" for process in ("cut", "score", "mark")
    }
    assert not [n for n in report["notes"] if f"'{ply}'" in n and "laser" in n]
