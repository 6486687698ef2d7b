"""After a fitting: one seam let out, through the whole command, with two pieces in two halves."""

import json
import shutil

import pytest
from ezdxf.filemanagement import readfile
from pypdf import PdfReader

from flatten.cli import main

JOB = """title = "Tube"
revision = {revision}
[scan]
file = "scan.ply"
unit = "mm"
up = "+z"
front = "+x"
[[line]]
name = "left seam"
points = [[0, 60, 0], [0, 60, 50], [0, 60, 100], [0, 60, 150], [0, 60, 200]]
[[line]]
name = "right seam"
points = [[0, -60, 0], [0, -60, 50], [0, -60, 100], [0, -60, 150], [0, -60, 200]]
[[line]]
name = "ring"
closed = true
points = [[60, 0, 120], [0, 60, 120], [-60, 0, 120], [0, -60, 120]]
[[ply]]
name = "base"
material = "card"
stock = "card-sheet"
"""
LET_OUT = """
[[alter]]
line = "upper"
by_mm = -10.0
"""


@pytest.fixture(scope="module")
def runs(tmp_path_factory, standing_tube):
    """Folders of a first run, of one after the fitting, and of that one's own job run again."""
    folder = tmp_path_factory.mktemp("reissue")
    shutil.copy(standing_tube, folder / "scan.ply")
    job = folder / "job.toml"
    first, second, third = (folder / name for name in ("first", "second", "third"))
    job.write_text(JOB.format(revision=3))
    assert main(["run", str(job), "--out", str(first), "-q"]) in (0, 1)
    job.write_text(JOB.format(revision=3) + LET_OUT)
    asked = ["--since", str(first), "--only", "changed", "-q"]
    assert main(["run", str(job), "--out", str(second), *asked]) in (0, 1)
    assert main(["run", str(second / "job.toml"), "--out", str(third), "-q"]) in (0, 1)
    return first, second, third


def test_only_what_has_changed_is_cut_again_under_the_next_revision(runs):
    first, second, _ = runs
    report = json.loads((second / "report.json").read_text())
    changes = report["changes"]
    assert (changes["since_revision"], changes["revision"]) == (3, 4)
    states = {row["piece"]: (row["state"], row["revision"]) for row in changes["pieces"]}
    upper = {name for name in states if "upper" in name}
    assert len(states) == 4
    assert len(upper) == 2
    assert {states[name] for name in upper} == {("changed", 4)}
    assert {states[name] for name in set(states) - upper} == {("same", 3)}
    for row in changes["pieces"]:
        if row["state"] == "changed":
            assert any("10 mm farther in" in said for said in row["said"])
    blocks = [b.name for b in readfile(second / "base.dxf").blocks if not b.name.startswith("*")]
    assert len(blocks) == 2
    assert all("UPPER" in name for name in blocks)
    assert json.loads((first / "report.json").read_text())["changes"] is None


def test_both_partners_have_moved_and_still_have_one_length(runs):
    """The tube is 200 high: the seams above the ring are 80 long, and 70 once its rim is lowered."""
    first, second, _ = runs
    for folder, length in ((first, 80.0), (second, 70.0)):
        seams = json.loads((folder / "report.json").read_text())["seams"]
        sides = [s["sides"] for s in seams if "seam" in s["name"]]
        short = [[side["flat_mm"] for side in pair] for pair in sides if pair[0]["flat_mm"] < 100]
        assert len(short) == 2
        for pair in short:
            assert pair == pytest.approx([length] * 2, abs=1.0)
            assert pair[0] == pytest.approx(pair[1], abs=0.05)


def test_the_list_of_changes_is_in_the_page_and_the_guide(runs):
    _, second, _ = runs
    text = " ".join(
        " ".join(p.extract_text() for p in PdfReader(second / "guide.pdf").pages).split()
    )
    assert "What has changed" in text
    assert "2 of 4 pieces are to be cut again" in text
    assert "What has changed" in (second / "report.html").read_text()


def test_the_job_as_it_was_run_gives_the_same_drawings_again(runs):
    _, second, third = runs
    for name in ("base.dxf", "base.svg", "base.pdf"):
        assert (second / name).read_bytes() == (third / name).read_bytes()


def test_changed_needs_something_to_compare_with(runs, capsys):
    job = str(runs[1] / "job.toml")
    assert main(["run", job, "--only", "changed", "-q"]) == 2
    assert "--since" in capsys.readouterr().err
    assert main(["run", job, "--since", str(runs[0] / "panels"), "-q"]) == 2
    assert "templates.json" in capsys.readouterr().err
