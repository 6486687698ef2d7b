"""Another material by the same lines, materials side by side, nesting and rates: from the command."""

import json
from pathlib import Path

import numpy as np
import pytest

from flatten.cli import main
from flatten.errors import BadInput
from flatten.io.job_choice import read_choices, with_comparisons, with_materials
from flatten.io.job_text import write_job
from flatten.io.jobs import read_job
from flatten.records.effort import Effort, Rates

SCAN = Path(__file__).parents[1] / "whole" / "data" / "bad" / "ok_tube.ply"


RADIUS, HEIGHT = 60.0, 250.0


def job_of(folder: Path, more: str = "", ply: str = "") -> Path:
    """A tube parted by two seams along it, in foam."""
    t = np.linspace(0.0, 2.0 * np.pi, 72, endpoint=False)
    rows = np.linspace(0.0, HEIGHT, 51)
    V = [(RADIUS * np.sin(a), y, RADIUS * np.cos(a)) for y in rows for a in t]
    text = [f"v {x:.6f} {y:.6f} {z:.6f}" for x, y, z in V]
    for r in range(len(rows) - 1):
        for k in range(len(t)):
            a, b = 1 + r * len(t) + k, 1 + r * len(t) + (k + 1) % len(t)
            text += [f"f {a} {b} {b + len(t)}", f"f {a} {b + len(t)} {a + len(t)}"]
    (folder / "tube.obj").write_text("\n".join(text) + "\n", encoding="utf-8")
    lines = "".join(
        f'[[line]]\nname = "{name}"\nkind = "seam"\nfixing = "stitch"\n'
        f"points = [[{x}, 0.0, 0.0], [{x}, {HEIGHT}, 0.0]]\n"
        for name, x in (("one", RADIUS), ("two", -RADIUS))
    )
    path = folder / "tube.toml"
    path.write_text(
        f'title = "tube"\n[scan]\nfile = "tube.obj"\nunit = "mm"\nup = "+y"\nfront = "+z"\n'
        f'{lines}[[ply]]\nname = "base"\nmaterial = "eva-foam-5-formed"\nstock = "foam-sheet"\n{ply}'
        f"[nesting]\niterations = 5\n{more}",
        encoding="utf-8",
    )
    return path


def read_obj(path: Path):
    rows = [line.split() for line in path.read_text(encoding="utf-8").splitlines() if line]
    V = np.array([[float(x) for x in r[1:]] for r in rows if r[0] == "v"])
    F = [r[1:] for r in rows if r[0] == "f"]
    return V, F


def test_another_material_leaves_lines_and_panels_as_they_are(tmp_path, capsys):
    job = job_of(tmp_path)
    assert main(["run", str(job), "--out", str(tmp_path / "a"), "-q"]) == 0
    assert main(["run", str(job), "--material", "base=eva-foam-10-formed", "-q"]) == 0
    other = tmp_path / "tube-base-eva-foam-10-formed-out"
    a, b = (json.loads((d / "report.json").read_text("utf-8")) for d in (tmp_path / "a", other))
    assert b["plies"][0]["material"] == "eva-foam-10-formed"
    assert [p["name"] for p in a["panels"]] == [p["name"] for p in b["panels"]]
    assert [s["name"] for s in a["seams"]] == [s["name"] for s in b["seams"]]
    first, second = read_job(tmp_path / "a" / "job.toml"), read_job(other / "job.toml")
    for x, y in zip(first.lines, second.lines, strict=True):
        assert np.array_equal(x.points, y.points)
    # The panels have the same faces; the neutral surface lies (10 - 5) / 2 mm farther out.
    for panel in a["panels"]:
        V, F = read_obj(tmp_path / "a" / panel["mesh"])
        W, G = read_obj(other / panel["mesh"])
        assert F == G
        assert np.linalg.norm(V - W, axis=1) == pytest.approx(2.5, abs=0.05)


def test_materials_stand_side_by_side(tmp_path):
    more = '[[stock]]\nname = "foam-sheet"\nprice = 20.0\n'
    job = job_of(tmp_path, more, 'compare = ["eva-foam-10-cold"]\n')
    out = tmp_path / "out"
    assert (
        main(["run", str(job), "--compare", "base=card,veg-tan-2-wet", "--out", str(out), "-q"])
        == 0
    )
    report = json.loads((out / "report.json").read_text("utf-8"))
    rows = {row["material"]: row for row in report["plies"][0]["materials"]}
    assert list(rows) == ["eva-foam-5-formed", "eva-foam-10-cold", "card", "veg-tan-2-wet"]
    own = rows["eva-foam-5-formed"]
    peaks = [p["stretch_peak_pct"] for p in report["panels"]]
    assert own["stretch_pct"] == pytest.approx(max(peaks))
    assert own["cost"] == 20.0
    assert own["pieces"] == len(report["panels"])
    assert own["cut_mm"] == pytest.approx(report["plies"][0]["cut_mm"])
    assert rows["eva-foam-10-cold"]["stretch_limit_pct"] == 3.0
    assert rows["eva-foam-10-cold"]["thickness_mm"] == 10.0
    # A tube unrolls without strain, on its neutral surface: 2 pi (R + K t) H.
    area = sum(p["area_flat_mm2"] for p in report["panels"])
    assert area == pytest.approx(2.0 * np.pi * (RADIUS + 2.5) * HEIGHT, rel=5e-3)
    assert rows["card"]["stock"] == "card-sheet"
    assert rows["card"]["cost"] is None
    assert rows["veg-tan-2-wet"]["stock"] == "leather-roll"
    page = (out / "report.html").read_text("utf-8")
    assert "Materials side by side" in page
    assert page.count('aria-label="lay plan"') == 1
    # What is compared survives in the job as it was run.
    assert read_job(out / "job.toml").plies[0].compare == (
        "eva-foam-10-cold", "card", "veg-tan-2-wet",
    )  # fmt: skip


def test_stock_that_is_too_small_is_code_1_with_every_piece_named(tmp_path, capsys):
    more = (
        '[[stock]]\nname = "foam-sheet"\nkind = "sheet"\nwidth_mm = 260\nlength_mm = 260\ncount = 1\n'
        "price = 4.0\nmargin_mm = 2\n"
    )
    out = tmp_path / "out"
    code = main(["run", str(job_of(tmp_path, more)), "--out", str(out)])
    report = json.loads((out / "report.json").read_text("utf-8"))
    (ply,) = report["plies"]
    assert code == 1
    assert ply["unplaced"]
    err = capsys.readouterr().err
    for why in ply["unplaced"]:
        assert why in err
    assert [w["kind"] for w in ply["ways_out"]]
    costs = [w["cost"] for w in ply["ways_out"] if w["kind"] == "buy"]
    assert costs == [] or costs[0] > 0.0


def test_nesting_and_rates_are_read_written_and_used(tmp_path):
    more = "[rates]\ncut_mm_per_min = { foam = 300.0 }\nstitch_s = 16.0\n"
    path = job_of(tmp_path, more)
    job = read_job(path)
    assert job.nesting == Effort(iterations=5)
    assert job.rates == Rates(cut_mm_per_min={"foam": 300.0}, stitch_s=16.0)
    (tmp_path / "again.toml").write_text(write_job(job, tmp_path), encoding="utf-8")
    again = read_job(tmp_path / "again.toml")
    assert (again.nesting, again.rates) == (job.nesting, job.rates)
    out = tmp_path / "out"
    assert main(["run", str(path), "--out", str(out), "-q"]) == 0
    work = json.loads((out / "report.json").read_text("utf-8"))["plies"][0]["handwork"]
    assert work["stitches"] > 0
    assert work["minutes"]["stitching"] == pytest.approx(work["stitches"] * 16.0 / 60.0, abs=1e-3)
    cutting = work["cut_mm"] / 300.0 + work["corners"] * 3.0 / 60.0
    assert work["minutes"]["cutting"] == pytest.approx(cutting, abs=1e-3)


@pytest.mark.parametrize(
    ("table", "key"),
    [
        ("[nesting]\niterations = 3\nseconds = 2", "seconds"),
        ("[nesting]\nseconds = 0", "seconds"),
        ("[nesting]\nsped = 1", "sped"),
        ("[rates]\nhole_s = -1", "hole_s"),
        ("[rates]\ncut_mm_per_min = { wood = 3 }", "wood"),
        ("[rates]\nglue_mm_per_min = 0", "glue_mm_per_min"),
    ],
)
def test_wrong_keys_are_named(tmp_path, table, key):
    path = tmp_path / "job.toml"
    path.write_text(f'title = "x"\n[scan]\nfile = "{SCAN.as_posix()}"\n{table}\n', encoding="utf-8")
    with pytest.raises(BadInput, match=key):
        read_job(path)


def test_a_material_of_another_kind_takes_the_stock_it_is_sold_as(tmp_path):
    job = read_job(job_of(tmp_path))
    changed, said = with_materials(job, [("base", "woven-cotton")])
    assert changed.plies[0].stock == "fabric-roll"
    assert "fabric-roll, not from foam-sheet" in said[0]
    kept, said = with_materials(job, [("base", "woven-cotton")], [("base", "leather-roll")])
    assert kept.plies[0].stock == "leather-roll"
    assert not said
    assert {m.name for m in changed.materials} >= {"woven-cotton"}


def test_choices_that_are_not_known_are_named(tmp_path):
    job = read_job(job_of(tmp_path))
    with pytest.raises(BadInput, match="did you mean 'base'"):
        with_materials(job, [("bsae", "card")])
    with pytest.raises(BadInput, match="unknown material 'wood'"):
        with_comparisons(job, [("base", "card,wood")])
    with pytest.raises(BadInput, match="PLY=NAME"):
        read_choices(["base"], "--material")
