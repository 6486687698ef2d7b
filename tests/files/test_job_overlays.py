"""Overlays and hoops in a job: read, refused by line and key, written and read again the same."""

import pytest

from flatten.errors import BadInput
from flatten.io.job_text import write_job
from flatten.io.jobs import read_job

JOB = """title = "Crest"
[scan]
file = "torso.ply"
[[ply]]
name = "crest"
material = "card"
stock = "card-sheet"
panels = []
detail_pieces = ["crest*"]
cut_details = true
hoop_mm = [130, 180.5]
"""


@pytest.fixture
def path(tmp_path):
    (tmp_path / "torso.ply").write_bytes(b"ply\n")
    return tmp_path / "job.toml"


def test_a_ply_of_overlays_alone_survives_being_written(path):
    path.write_text(JOB, encoding="utf-8")
    (ply,) = read_job(path).plies
    making = ply.making
    assert (ply.panels, making.detail_pieces, making.cut_details) == ((), ("crest*",), True)
    assert making.hoop_mm == (130.0, 180.5)
    path.write_text(write_job(read_job(path)), encoding="utf-8")
    assert read_job(path).plies == (ply,)


@pytest.mark.parametrize(
    ("key", "wrong"),
    [
        ("hoop_mm = [130, 180.5]", "hoop_mm = [130]"),
        ("hoop_mm = [130, 180.5]", "hoop_mm = [130, 30]"),
        ("hoop_mm = [130, 180.5]", "hoop_mm = 130"),
        ("hoop_mm = [130, 180.5]", "hoop_mm = [130, true]"),
        ("cut_details = true", 'cut_details = "yes"'),
    ],
)
def test_a_wrong_value_names_the_line_and_the_key(path, key, wrong):
    path.write_text(JOB.replace(key, wrong), encoding="utf-8")
    line = 1 + JOB[: JOB.index(key)].count("\n")
    with pytest.raises(BadInput, match=rf"line {line}.*{wrong.split()[0]}"):
        read_job(path)
