"""Awkward and broken scans: each does what its table entry says, in one line, writing nothing."""

import json
from pathlib import Path

import pytest

from flatten.cli import main

BAD = Path(__file__).parent / "data" / "bad"
EXPECT = json.loads((BAD / "expect.json").read_text(encoding="utf-8"))
SEAMS = "points = [[60.6, 0.0, 0.0], [60.0, 0.0, 200.0]]"


def names(*starts: str) -> list[str]:
    return sorted(n for n, e in EXPECT.items() if e["expect"].startswith(starts))


def check(capsys, *args: str) -> tuple[int, str, str]:
    code = main(["check", *args])
    out, err = capsys.readouterr()
    return code, out, err


def assert_one_line(err: str) -> None:
    assert err.startswith("flatten: ")
    assert err.count("\n") == 1
    assert "Traceback" not in err


def test_every_file_of_the_table_is_tried():
    tried = {*names("ok", "error", "ask", "unit", "bbox", "must")}
    assert (
        tried
        == set(EXPECT)
        == {p.name for p in BAD.iterdir()}
        - {
            "expect.json",
            "missing_texture.mtl",
        }
    )


@pytest.mark.parametrize("name", names("ok", "unit", "bbox"))
def test_a_sound_or_mendable_scan_is_accepted(name, capsys):
    code, out, err = check(capsys, str(BAD / name), "--json", "-q")
    assert (code, err) == (0, "")
    assert json.loads(out)["faces"] > 0


@pytest.mark.parametrize("name", names("error"))
def test_a_broken_scan_is_one_line_and_code_2(name, capsys):
    code, out, err = check(capsys, str(BAD / name), "-q")
    assert (code, out) == (2, "")
    assert_one_line(err)


@pytest.mark.parametrize("name", [n for n in names("ask") if n != "closed_sphere.ply"])
def test_a_question_lists_the_choices_and_is_code_2(name, capsys):
    code, out, err = check(capsys, str(BAD / name), "-q")
    assert (code, out) == (2, "")
    assert_one_line(err)
    assert {"inches.ply": "in = 200 mm", "two_shells.ply": "keep = {"}[name] in err


def test_the_line_of_a_parse_error_is_named(capsys):
    assert "line 6" in check(capsys, str(BAD / "ascii_junk.stl"), "-q")[2]


def test_the_faulty_edge_is_named(capsys):
    assert "(0, 0, 0)" in check(capsys, str(BAD / "nonmanifold_fan.ply"), "-q")[2]


def test_metres_are_recognised_and_scene_transforms_applied(capsys):
    # shared table: bounding box about .122 x .227 x .194 m after the transforms
    _, out, _ = check(capsys, str(BAD / "scene_transforms.glb"), "--json", "-q")
    data = json.loads(out)
    assert data["unit"] == "m"
    assert max(data["size_mm"]) == pytest.approx(201, abs=30)


def job(tmp_path: Path, scan: str, lines: str = "", unit: str = "mm") -> Path:
    path = tmp_path / "job.toml"
    path.write_text(
        f'title = "trial"\n[scan]\nfile = "{(BAD / scan).as_posix()}"\nunit = "{unit}"\n'
        f'up = "+z"\nfront = "+y"\n{lines}',
        encoding="utf-8",
    )
    return path


def test_one_triangle_goes_through_without_strain(tmp_path, capsys):
    out = tmp_path / "out"
    code = main(["run", str(job(tmp_path, "one_triangle.obj")), "--out", str(out), "-q"])
    assert (code, capsys.readouterr().err) == (0, "")
    report = json.loads((out / "report.json").read_text())
    (panel,) = report["panels"]
    assert panel["stretch_max_pct"] == pytest.approx(0.0, abs=1e-6)
    assert panel["squeeze_max_pct"] == pytest.approx(0.0, abs=1e-6)
    # half of |100 x (0, 80, 5)|, mm²
    assert panel["area_flat_mm2"] == pytest.approx(50 * (80**2 + 5**2) ** 0.5, rel=1e-6)


@pytest.mark.parametrize(
    ("scan", "said"), [("closed_sphere.ply", "closed"), ("ok_tube.ply", "tube")]
)
def test_a_cast_that_no_seam_opens_is_a_question(scan, said, tmp_path, capsys):
    out = tmp_path / "out"
    code = main(["run", str(job(tmp_path, scan)), "--out", str(out), "-q"])
    err = capsys.readouterr().err
    assert code == 2
    assert_one_line(err)
    assert said in err
    assert [p.name for p in tmp_path.iterdir()] == ["job.toml"]


@pytest.mark.parametrize("scan", names("error"))
def test_a_run_that_fails_leaves_nothing_behind(scan, tmp_path, capsys):
    out = tmp_path / "out"
    assert main(["run", str(job(tmp_path, scan)), "--out", str(out), "-q"]) == 2
    assert_one_line(capsys.readouterr().err)
    assert [p.name for p in tmp_path.iterdir()] == ["job.toml"]


def test_panels_of_an_inverted_scan_are_not_mirrored(tmp_path):
    """The same seam opens the tube and its inside-out copy to the same flat, the same way round."""
    line = f'[[line]]\nname = "side"\nkind = "seam"\n{SEAMS}\n'
    outlines = []
    for name in ("ok_tube.ply", "inverted.ply"):
        folder = tmp_path / name
        folder.mkdir()
        assert main(["run", str(job(folder, name, line)), "--out", str(folder / "out"), "-q"]) in (
            0,
            1,
        )
        text = next((folder / "out" / "panels" / "base").glob("*.obj")).read_text()
        rows = [row.split()[1:] for row in text.splitlines() if row.startswith("vt ")]
        outlines.append(sorted((round(float(u), 1), round(float(v), 1)) for u, v in rows))
    assert len(outlines[0]) == len(outlines[1])
    assert outlines[0] == outlines[1]


@pytest.mark.parametrize(
    ("extra", "said"),
    [
        ('[[panel]]\nname = "far"\nat = [0.0, 9000.0, 0.0]\n', "panel 'far': its point lies"),
        ('[[stock]]\nname = "s"\nkind = "hide"\nfile = "skin.dxf"\n', 'write outline = "..."'),
    ],
)
def test_an_entry_that_cannot_be_meant_is_one_line(extra, said, tmp_path, capsys):
    job = tmp_path / "job.toml"
    scan = (BAD / "ok_tube.ply").as_posix()
    line = f'[[line]]\nname = "side"\nkind = "seam"\n{SEAMS}\n'
    job.write_text(
        f'title = "x"\n[scan]\nfile = "{scan}"\nunit = "mm"\nup = "+z"\nfront = "-y"\n{line}{extra}'
    )
    assert main(["run", str(job), "-q"]) == 2
    err = capsys.readouterr().err
    assert_one_line(err)
    assert said in err
    assert [p.name for p in tmp_path.iterdir()] == ["job.toml"]
