"""The command as a person meets it: help, version, errors, cancel, JSON."""

import errno
import io
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from flatten import cli
from flatten.cautions import choose_cautions
from flatten.cli import main
from flatten.records.bundled import DEFAULT_PLY, bundled_material

BAD = Path(__file__).parent / "data" / "bad"


def test_help_has_examples(capsys):
    with pytest.raises(SystemExit) as stop:
        main(["--help"])
    assert stop.value.code == 0
    out = capsys.readouterr().out
    assert all(f"flatten {command}" in out for command in ("demo", "check", "lines", "run"))


def test_version(capsys):
    with pytest.raises(SystemExit) as stop:
        main(["--version"])
    assert stop.value.code == 0
    assert re.match(r"flatten \d+\.\d+", capsys.readouterr().out)


def test_python_dash_m_runs_from_another_folder(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "flatten", "check", str(BAD / "ok_tube.ply"), "--json"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert len(json.loads(done.stdout)["openings"]) == 2
    assert "cleaning the scan" in done.stderr


def test_a_missing_job_is_one_line(tmp_path, capsys):
    assert main(["run", str(tmp_path / "none.toml"), "-q"]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "none.toml" in err


def test_a_folder_given_as_a_job_is_one_line(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["run", ".", "-q"]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "name a file in it" in err


def test_a_misspelt_key_names_the_line_and_the_likely_word(tmp_path, capsys):
    job = tmp_path / "job.toml"
    scan = (BAD / "ok_tube.ply").as_posix()
    job.write_text(f'title = "x"\n[scan]\nfile = "{scan}"\ntape_m = 1.5\n', encoding="utf-8")
    assert main(["run", str(job), "-q"]) == 2
    err = capsys.readouterr().err
    assert "line 4" in err
    assert "tape_mm" in err


def test_a_results_folder_that_cannot_be_made_is_code_3(tmp_path, capsys):
    (tmp_path / "taken").write_text("a file", encoding="utf-8")
    job = tmp_path / "job.toml"
    scan = (BAD / "one_triangle.obj").as_posix()
    job.write_text(
        f'title = "x"\n[scan]\nfile = "{scan}"\nunit = "mm"\nup = "+z"\nfront = "+y"\n',
        encoding="utf-8",
    )
    assert main(["run", str(job), "--out", str(tmp_path / "taken" / "out"), "-q"]) == 3
    assert capsys.readouterr().err.count("\n") == 1


def test_a_fault_of_ours_is_one_line_with_where_the_details_are(monkeypatch, capsys):
    def broken(args, watch):
        raise RuntimeError("wires crossed")

    monkeypatch.setitem(cli.COMMANDS, "check", broken)
    assert main(["check", "any.ply", "-q"]) == 3
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    details = Path(re.search(r"(\S+flatten-fault-\S+\.txt)", err).group(1))
    assert "wires crossed" in details.read_text(encoding="utf-8")
    details.unlink()


def test_cancelling_is_code_130(monkeypatch, capsys):
    def stopped(args, watch):
        raise KeyboardInterrupt

    monkeypatch.setitem(cli.COMMANDS, "check", stopped)
    assert main(["check", "any.ply", "-q"]) == 130
    assert "nothing was written" in capsys.readouterr().err


def test_cautions_follow_what_is_used():
    foam = bundled_material("eva-foam-5-formed")
    card = bundled_material("card")
    glued = " ".join(choose_cautions([(DEFAULT_PLY, foam)], ["glue"]))
    paper = " ".join(choose_cautions([(DEFAULT_PLY, card)], ["stitch"]))
    assert "vapour" in glued
    assert "chloride" in glued
    assert "vapour" not in paper
    assert all("Local codes" in text and "Wrapping" in text for text in (glued, paper))


def test_a_wrong_word_on_the_command_line_is_one_line(capsys):
    with pytest.raises(SystemExit) as stop:
        main(["check", "scan.ply", "--unit", "km"])
    assert stop.value.code == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "km" in err
    assert "flatten check --help" in err


def test_a_full_disk_behind_the_output_is_told(capsys, monkeypatch):
    class Full(io.StringIO):
        def write(self, text):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(sys, "stdout", Full())
    for more in ([], ["--json"]):
        assert main(["check", str(BAD / "ok_tube.ply"), "-q", *more]) == 3
        err = capsys.readouterr().err
        assert err.count("\n") == 1
        assert "No space" in err


def test_a_piece_that_is_not_there_is_told_with_those_that_are(tmp_path, capsys):
    job = tmp_path / "job.toml"
    scan = (BAD / "ok_tube.ply").as_posix()
    job.write_text(
        f'[scan]\nfile = "{scan}"\nup = "+z"\nfront = "+y"\n'
        '[[line]]\nname = "a"\npoints = [[60, 0, 0], [60, 0, 200]]\n',
        encoding="utf-8",
    )
    assert main(["run", str(job), "-q", "--only", "sleeve"]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "'sleeve'" in err
    assert "'base body'" in err
    assert [p.name for p in tmp_path.iterdir()] == ["job.toml"]
