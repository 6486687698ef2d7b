"""The files a job asks for, through the whole command, read back with other libraries."""

import json
import shutil
from xml.etree import ElementTree

import numpy as np
import pytest
from ezdxf.entities.polyline import Polyline
from ezdxf.filemanagement import readfile
from pypdf import PdfReader

from flatten.cli import main

JOB = """title = "Tube"
revision = 4
date = "in June"
[scan]
file = "scan.ply"
unit = "mm"
up = "+z"
front = "+x"
[[line]]
name = "back seam"
points = [[-60, 0, 0], [-60, 0, 50], [-60, 0, 100], [-60, 0, 150], [-60, 0, 200]]
joint = "lap"
fixing = "stitch"
[[ply]]
name = "mock-up"
material = "card"
stock = "card-sheet"
joints = { "*" = { joint = "butt", fixing = "glue" }, "front seam" = { joint = "gap" } }
[[ply]]
name = "cover"
material = "faux-leather"
stock = "leather-roll"
[output]
papers = ["A3", "610"]
sewn_dxf = true
dxf_version = "R12"
dxf_unit = "in"
svg_processes = true
projector = true
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory, standing_tube):
    """The results of a run on a tube, and its report."""
    folder = tmp_path_factory.mktemp("output")
    shutil.copy(standing_tube, folder / "scan.ply")
    (folder / "job.toml").write_text(JOB)
    out = folder / "out"
    assert main(["run", str(folder / "job.toml"), "--out", str(out), "-q"]) in (0, 1)
    return out, json.loads((out / "report.json").read_text())


def test_every_file_asked_for_is_there_and_named_in_the_report(made):
    out, report = made
    files = {ply["name"]: set(ply["files"]) for ply in report["plies"]}
    usual = {"{}.dxf", "{}.svg", "{}.pdf", "{}-610.pdf", "{}-d6673.dxf", "{}-projector.pdf"}
    single = {"{}-cut.svg", "{}-score.svg", "{}-mark.svg"}
    assert files["mock-up"] == {name.format("mock-up") for name in usual | single}
    # What may hold PVC gets no file for a laser, and the reason is said (hydrogen chloride).
    assert files["cover"] == {name.format("cover") for name in usual}
    assert all((out / name).is_file() for names in files.values() for name in names)
    assert not list(out.glob("cover-cut*"))
    assert any("'cover'" in n and "hydrogen chloride" in n for n in report["notes"])
    assert not any("'mock-up'" in n and "laser" in n for n in report["notes"])


def test_a_process_file_holds_that_process_only(made):
    out, _ = made
    groups = {}
    for process in ("cut", "score", "mark"):
        root = ElementTree.parse(out / f"mock-up-{process}.svg").getroot()
        found = [g for g in root.iter("{http://www.w3.org/2000/svg}g") if g.get("id")]
        groups[process] = {g.get("id") for g in found}
        assert {g.get("class") for g in found} <= {process}
    assert "CUT" in groups["cut"]
    assert {"NOTCH", "LABEL"} <= groups["mark"]
    assert not groups["cut"] & groups["mark"]
    said = (out / "cover.svg").read_text()
    assert "<desc>no file for a laser in faux-leather" in said


def test_papers_are_those_asked_for(made):
    out, _ = made
    box = PdfReader(out / "mock-up.pdf").pages[0].mediabox
    # ISO 216: A3 is 297 x 420 mm.
    size = sorted(float(x) * 25.4 / 72 for x in (box.width, box.height))
    assert size == pytest.approx([297.0, 420.0], abs=0.01)
    roll = PdfReader(out / "mock-up-610.pdf").pages[1].mediabox
    assert 610.0 in [round(float(x) * 25.4 / 72, 2) for x in (roll.width, roll.height)]


def test_the_dxf_is_of_the_version_and_unit_asked_for(made):
    out, _ = made
    document = readfile(out / "mock-up.dxf")
    assert document.dxfversion == "AC1009"
    lines = [p for p in document.modelspace() if isinstance(p, Polyline)]
    square = [p for p in lines if p.dxf.layer == "TEST"]
    widths = [np.ptp([v.dxf.location.x for v in p.vertices]) for p in square]
    assert max(widths) == pytest.approx(100.0 / 25.4, abs=1e-6)


def test_the_report_names_each_plys_own_joint_and_what_met_nothing(made):
    _, report = made
    joints = {s["ply"]: (s["joint"], s["fixing"]) for s in report["seams"]}
    assert joints == {"mock-up": ("butt", "glue"), "cover": ("lap", "stitch")}
    assert any("no seam is called 'front seam'" in note for note in report["notes"])


def test_the_guide_says_how_the_seam_is_joined_with_its_length(made):
    out, report = made
    text = " ".join(page.extract_text() for page in PdfReader(out / "guide.pdf").pages)
    text = " ".join(text.split())
    assert "Tube: making guide" in text
    assert "revision 4, in June" in text
    assert "Distances to check" in text
    holes = {s["ply"]: s["sides"][0]["holes"] for s in report["seams"]}
    assert holes["cover"] > 0
    assert "cement both edges" in text
    assert "stitch hole over hole" in text
    assert "Cautions" in text
    # The seam is as long as the tube is high.
    assert "200" in text
    page = (out / "report.html").read_text()
    assert "Making order" in page
