"""Jobs: read with every default, refused with line and key, written and read again the same."""

from dataclasses import fields

import numpy as np
import pytest

from flatten.errors import BadInput
from flatten.io.job_text import write_job
from flatten.io.jobs import read_job
from flatten.records.bundled import bundled_material
from flatten.records.making import Alter, Making, OutputChoice, SplitChoice, StitchChoice
from flatten.records.material import JointChoice, Limit, Ply

FULL = """title = "Tide warden, breastplate"
wearer = "sample"
revision = 3
date = 2030-06-01
one_per_pair = true

[scan]
file = "torso.ply"
unit = "mm"
up = "+y"
front = [0.0, 0.0, 2.0]
tape_mm = 1.5
symmetric = true
symmetric_mm = 4.0
edge_mm = 5
slit = "keep"
keep = { low = [-1, -2, -3], high = [1, 2, 3] }

[[scan.girth]]
at = [0.0, 310.0, 20.0]
mm = 920.0
over_wrap = true

[[line]]
name = "side left"
kind = "seam"
ink = "#1D1D1F"
points = [
  [120.0, 40.0, 10.0],   # a remark [with brackets
  [131.0, 200.0, 4.0],
]
under = "left"

[[line]]
name = "neck"
kind = "trim"
closed = true
points = [[0, 0, 0], [1, 0, 0], [0, 0.1, 0]]

[[line]]
name = "tooling"
kind = "detail"
closed = true
no_stretch = true
points = [[0, 0, 0], [1, 0, 0], [0, 1, 0]]

[[line]]
file = "more.obj"
kind = "dart"
mirror = true

[[ink]]
colour = "#c00000"
kind = "score"

[[panel]]
name = "bust left"
at = [60.0, 260.0, 110.0]

[[ply]]
name = "base"
material = "my-foam"
stock = "foam-sheet"
face = "back"
joints = { "centre back" = { joint = "gap", fixing = "lace" }, "*" = { joint = "lap" } }
rim_finish = { "upper" = "bound", "*" = "raw" }
stitch = { "side left" = { pitch_mm = 5, rows = 2 }, "*" = {} }
topstitch = { "side left" = [3, 9.5], "upper" = 4 }
detail_pieces = ["crest*"]
split = { "front" = { across_mm = [300, 450], along_mm = 120 } }
facing_mm = 30

[[ply]]
name = "cover"
material = "faux-leather"
stock = "half hide"
over = "base"
panels = ["bust *"]

[[point]]
name = "collar"
kind = "buttonhole"
at = [1, 2, 3]
diameter_mm = 15
thickness_mm = 3.5

[[alter]]
line = "side left"
by_mm = -8
start = 0.25

[output]
papers = ["A3", "914"]
svg_processes = true
dxf_version = "R12"

[[material]]
name = "my-foam"
thickness_mm = 5.0
stretch_pct = { warp = 2, weft = 3, bias = 5 }
squeeze_pct = 6
allowance_mm = { lap = 12.5 }

[[material]]
name = "calico"
thickness_mm = 0.6

[[stock]]
name = "half hide"
kind = "hide"
outline = [[0, 0], [2000, 0], [2100, 900], [0, 1000]]
holes = [[[100, 100], [120, 100], [110, 130]]]
"""


@pytest.fixture
def job_file(tmp_path):
    (tmp_path / "torso.ply").write_text("x")
    (tmp_path / "more.obj").write_text("x")

    def write(text, name="a.toml"):
        path = tmp_path / name
        path.write_text(text)
        return path

    return write


def test_a_full_job(job_file, tmp_path):
    job = read_job(job_file(FULL))
    assert job.scan.file == tmp_path / "torso.ply"
    assert (job.scan.up, job.scan.front) == ((0, 1, 0), (0, 0, 2))
    assert (job.scan.tape_mm, job.scan.ease_mm, job.scan.edge_mm) == (1.5, 0.0, 5.0)
    assert (job.scan.symmetric, job.scan.symmetric_mm) == (True, 4.0)
    assert job.scan.keep is not None
    assert job.scan.keep.high == (1, 2, 3)
    assert job.scan.girths[0].over_wrap
    assert [line.name for line in job.lines] == ["side left", "neck", "tooling"]
    assert [line.no_stretch for line in job.lines] == [False, False, True]
    assert job.lines[0].ink == "#1d1d1f"
    assert job.lines[0].points.tolist() == [[120, 40, 10], [131, 200, 4]]
    assert job.line_files[0].path == tmp_path / "more.obj"
    assert job.line_files[0].kind == "dart"
    assert job.plies[0].joints == {
        "centre back": JointChoice(joint="gap", fixing="lace"),
        "*": JointChoice(joint="lap"),
    }
    foam = job.materials[0]
    assert (foam.name, foam.family, foam.bevel) == ("my-foam", "foam", True)
    assert foam.stretch_pct == Limit(warp=2.0, weft=3.0, bias=5.0)
    assert (foam.allowance_mm.lap, foam.allowance_mm.seam) == (12.5, 6.0)
    making = job.plies[0].making
    assert making.rim_finish == {"upper": "bound", "*": "raw"}
    assert making.stitch == {"side left": StitchChoice(pitch_mm=5.0, rows=2), "*": StitchChoice()}
    assert making.topstitch == {"side left": (3.0, 9.5), "upper": (4.0,)}
    assert making.split == {"front": SplitChoice(across_mm=(300.0, 450.0), along_mm=(120.0,))}
    assert (making.detail_pieces, making.facing_mm, making.turn_mm) == (("crest*",), 30.0, 13.0)
    assert job.plies[1].making == Making()
    assert job.alters == (Alter(line="side left", by_mm=-8.0, start=0.25, end=1.0),)
    assert (job.date, job.one_per_pair, job.pair_tolerance_mm) == ("2030-06-01", True, 2.0)
    assert job.output == OutputChoice(papers=("A3", "914"), svg_processes=True, dxf_version="R12")
    # An entry of a bundled name changes only what it says.
    bundled = bundled_material("calico")
    assert bundled is not None
    assert job.materials[1].thickness_mm == 0.6
    assert job.materials[1].stretch_pct == bundled.stretch_pct
    assert [m.name for m in job.materials] == ["my-foam", "calico", "faux-leather"]
    assert [s.name for s in job.stocks] == ["half hide", "foam-sheet"]
    assert (job.stocks[0].width_mm, job.stocks[0].length_mm) == (1000, 2100)


def test_the_smallest_job_has_every_default(job_file):
    job = read_job(job_file('[scan]\nfile = "torso.ply"\n', "vest.toml"))
    assert (job.title, job.wearer, job.revision) == ("vest", "", 1)
    assert job.plies == (Ply(name="base", material="card", stock="card-sheet"),)
    assert job.materials[0].thickness_mm == 0.0
    assert job.stocks[0].kind == "sheet"
    assert job.scan.up is None
    assert job.scan.unit is None


def same(a, b, skip=()):
    """Field by field, arrays by value."""
    if hasattr(a, "__dataclass_fields__"):
        return type(a) is type(b) and all(
            same(getattr(a, f.name), getattr(b, f.name)) for f in fields(a) if f.name not in skip
        )
    if isinstance(a, np.ndarray):
        return isinstance(b, np.ndarray) and a.shape == b.shape and bool((a == b).all())
    if isinstance(a, tuple):
        return len(a) == len(b) and all(
            same(x, y, ("source",) if type(x).__name__ == "Line" else ())
            for x, y in zip(a, b, strict=True)
        )
    return a == b


@pytest.mark.parametrize("text", [FULL, '[scan]\nfile = "torso.ply"\n'])
def test_a_written_job_reads_back_the_same(job_file, tmp_path, text):
    text = text.replace("Tide warden", 'Tide \\"warden\\" \\u00e9 \\\\')
    text = text.replace('"sample"', '"tab\\t delete\\u007f"')
    job = read_job(job_file(text))
    elsewhere = tmp_path / "results" / "deep"
    elsewhere.mkdir(parents=True)
    for folder, path in ((elsewhere, elsewhere / "job.toml"), (None, tmp_path / "b.toml")):
        path.write_text(write_job(job, folder), encoding="utf-8")
        again = read_job(path)
        resolved = tuple(f.path.resolve() for f in again.line_files)
        assert same(job, again, ("path", "scan", "line_files"))
        assert same(job.scan, again.scan, ("file",))
        assert again.scan.file.resolve() == job.scan.file.resolve()
        assert resolved == tuple(f.path.resolve() for f in job.line_files)
        assert write_job(again, folder) == write_job(job, folder)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('panels = ["bust *"]', "panels = []", r"line N, ply.panels.*names no panel"),
        ("tape_mm", "tape_m", r"line N, scan.tape_m: unknown key 'tape_m'; did you mean 'tape_mm'"),
        ("no_stretch = true", "no_stretch = 1", r"line N, line.no_stretch"),
        ('title = "T', 'tilte = "T', r"line N, tilte: unknown key 'tilte'; did you mean 'title'"),
        ("[[panel]]", "[[pannel]]", r"line N, pannel.*unknown key 'pannel'; did you mean 'panel'"),
        ('"torso.ply"', '"torsoo.ply"', r"line N, scan.file: no such file: torsoo.ply"),
        ('"torso.ply"', '"~nobody-of-that-name/torso.ply"', r"line N, scan.file: no such file: ~"),
        ('outline = [[0, 0], [2000, 0], [2100, 900], [0, 1000]]', 'outline = "~x~"', r"no such file: ~x~"),
        ('"more.obj"', '"less.obj"', r"line N, line.file \(number 4\): no such file"),
        ('unit = "mm"', 'unit = "ft"', r"line N, scan.unit: unknown unit 'ft'; use mm, cm, m or in"),
        ('up = "+y"', 'up = "up"', r"line N, scan.up: unknown axis 'up'"),
        ("[0.0, 0.0, 2.0]", "[0.0, 1.0, 0.0]", r"up and front point along the same axis"),
        ("[0.0, 0.0, 2.0]", "[0, 0, 0]", r"line N, scan.front: the direction has no length"),
        ("tape_mm = 1.5", "tape_mm = true", r"line N, scan.tape_mm: should be a number, not true"),
        ("tape_mm = 1.5", "tape_mm = nan", r"line N, scan.tape_mm: should be a number"),
        ("tape_mm = 1.5", "tape_mm = -1", r"-1 is out of range; it should be from 0 to 50"),
        ("symmetric_mm = 4.0", "symmetric_mm = 11", r"line N, scan.symmetric_mm: 11 is out of range"),
        ("revision = 3", "revision = 1.5", r"line N, revision: should be a whole number"),
        ("high = [1,", "high = [-9,", r"line N, scan.keep.high"),
        ("mm = 920.0", 'mm = "x"', r"line N, scan.girth.mm \(number 1\): should be a number, not text"),
        ('kind = "trim"', 'kind = "trimm"', r"line N, line.kind \(number 2\).*did you mean 'trim'"),
        ("closed = true", "closed = 1", r"line N, line.closed \(number 2\): should be true or false"),
        ("[1, 0, 0], [0, 0.1", "[1, 0], [0, 0.1", r"line N, line.points.*point 2 should be 3 numbers"),
        ("[1, 0, 0], [0, 0.1, 0]", "[1, 0, 0]", r"line N.*3 or more points"),
        ('"neck"', '"side left"', r"line \d+, line \(number 2\): two \[\[line\]\] are called"),
        ('"cover"', '"base"', r"two \[\[ply\]\] are called 'base'"),
        ('= "bound"', '= "hemmed"', r"line N, ply.rim_finish.upper.*unknown upper 'hemmed'"),
        ("pitch_mm = 5", "pitch_mm = 0", r"line N, ply.stitch.side left.pitch_mm.*out of range"),
        ("pitch_mm = 5", "pich_mm = 5", r"line N, .*unknown key 'pich_mm'; did you mean 'pitch_mm'"),
        ("rows = 2", "rows = 3", r"line N, ply.stitch.side left.rows.*use 1 or 2"),
        ("[3, 9.5]", "[3, 'x']", r"line N, ply.topstitch.*should be distances"),
        ("[300, 450]", "[300, -1]", r"line N, ply.split.front.*should be distances"),
        ("along_mm = 120", "along = 120", r"line N, ply.split.front.*unknown key 'along'"),
        ("by_mm = -8", "by_mm = true", r"line N, alter.by_mm \(number 1\): should be a number"),
        ("start = 0.25", "start = 1", r"alter.end \(number 1\): end should be more than start"),
        ('"914"', '"A44"', r"line N, output.papers: unknown paper 'A44'; did you mean 'A4'"),
        ('"R12"', '"R11"', r"line N, output.dxf_version: unknown dxf_version 'R11'"),
        ("date = 2030-06-01", "date = 2030", r"line N, date: should be a date or a short text"),
        ("one_per_pair = true", "one_per_pair = 1", r"line N, one_per_pair: should be true or false"),
        ('ink = "#1D1D1F"', 'ink = "black"', r"line N, line.ink.*write it as \"#rrggbb\""),
        ('"faux-leather"', '"fauxleather"', r"line N, ply.material.*did you mean 'faux-leather'"),
        ('over = "base"', 'over = "bass"', r"line N, ply.over.*unknown ply 'bass'; did you mean 'base'"),
        ('over = "base"', 'over = "cover"', r"line N, ply.over.*would lie over itself"),
        ('fixing = "lace"', 'fixing = "laces"', r"line N, ply.joints.centre back.fixing"),
        ("lap = 12.5", "lop = 12.5", r"line N, material.allowance_mm.lop.*did you mean 'lap'"),
        ("thickness_mm = 5.0\n", "", r"material \(number 1\): 'thickness_mm' is missing"),
        ("bias = 5", "bais = 5", r"material.stretch_pct.*'bias' is missing"),
        ('kind = "hide"', 'kind = "roll"', r"line \d+, stock.outline.*a roll has no outline"),
        ("revision = 3", "revision = = 3", r"not valid TOML.*line N"),
        ('"my-foam"\nthick', '"calico"\nthick', r"line \d+, material.name \(number 2\): 'calico'"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named_with_line_and_key(job_file, old, new, said):
    line = FULL[: FULL.index(old)].count("\n") + 1
    with pytest.raises(BadInput, match=said.replace("line N", f"line {line}")) as caught:
        read_job(job_file(FULL.replace(old, new, 1)))
    assert "a.toml" in str(caught.value)


def test_a_job_that_is_no_text_or_not_there(tmp_path):
    path = tmp_path / "a.toml"
    with pytest.raises(BadInput, match="no such file"):
        read_job(path)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BadInput, match="not UTF-8"):
        read_job(path)
    path.write_text("title = 'x'\n")
    with pytest.raises(BadInput, match=r"\[scan\] is missing"):
        read_job(path)


def test_a_hide_may_be_drawn_in_a_file_beside_the_job(job_file, tmp_path):
    outline = '{"outline": [[0,0],[900,0],[900,700]], "holes": [[[1,1],[2,1],[2,2]]]}'
    (tmp_path / "hide.json").write_text(outline)
    text = (
        '[scan]\nfile = "torso.ply"\n[[stock]]\nname = "h"\nkind = "hide"\noutline = "hide.json"\n'
    )
    stock = read_job(job_file(text)).stocks[0]
    assert stock.outline is not None
    assert stock.outline.tolist() == [[0, 0], [900, 0], [900, 700]]
    assert len(stock.holes) == 1
    (tmp_path / "hide.json").write_text("[")
    with pytest.raises(BadInput, match=r"line 6, stock.outline.*is not JSON"):
        read_job(job_file(text))


def test_a_line_of_an_ink_becomes_what_the_rule_for_that_ink_says(tmp_path):
    (tmp_path / "s.ply").write_bytes(b"")
    text = """
[scan]
file = "s.ply"
unit = "mm"
[[line]]
name = "a"
ink = "#731e24"
points = [[0, 0, 0], [10, 0, 0]]
[[line]]
name = "b"
ink = "#731e24"
kind = "dart"
points = [[0, 9, 0], [10, 9, 0]]
[[ink]]
colour = "#731e24"
kind = "score"
"""
    path = tmp_path / "ruled.toml"
    path.write_text(text, encoding="utf-8")
    job = read_job(path)
    assert [line.kind for line in job.lines] == ["score", "dart"]
    # The job as it is written leaves it to the rule as well, and says the same.
    written = write_job(job)
    path.write_text(written, encoding="utf-8")
    assert [line.kind for line in read_job(path).lines] == ["score", "dart"]
    path.write_text(written.replace('kind = "score"', 'kind = "trim"'), encoding="utf-8")
    assert [line.kind for line in read_job(path).lines] == ["trim", "dart"]
