"""Reads a job file (TOML) into a Job: strict, with the line of whatever is wrong."""

import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import TypeVar

from flatten.errors import BadInput
from flatten.io.entries import Entry, Triple, near
from flatten.io.job_choice import completed
from flatten.io.job_making import (
    read_alters,
    read_date,
    read_making,
    read_output,
    read_points,
    read_revisions,
)
from flatten.io.job_materials import read_materials
from flatten.io.job_shop import read_nesting, read_rates
from flatten.io.job_stocks import read_stocks
from flatten.io.sources import named_file, read_bytes
from flatten.io.toml_places import find_places
from flatten.records.bundled import DEFAULT_PLY, MATERIALS, STOCKS
from flatten.records.job import (
    GirthSpec,
    InkRule,
    Job,
    KeepBox,
    LineFile,
    PanelName,
    ScanSpec,
)
from flatten.records.lines import FIXINGS, JOINTS, KINDS, Line
from flatten.records.material import JointChoice, Material, Ply, Stock
from flatten.units import MM_PER_UNIT

_MAX_BYTES = 64 * 1024**2
_AXES: dict[str, Triple] = {
    "x": (1.0, 0.0, 0.0), "y": (0.0, 1.0, 0.0), "z": (0.0, 0.0, 1.0),
}  # fmt: skip
_COLOUR = re.compile(r"#[0-9a-fA-F]{6}")
_SIDES = ("left", "right")

_T = TypeVar("_T", Material, Stock)


def read_job(path: str | Path) -> Job:
    """The job in a TOML file, checked, every default filled in.

    The job's own materials and stocks come before bundled ones of the same name; those that its
    plies use are in `Job.materials` and `Job.stocks`. Files are made absolute and must exist.

    Raises
    ------
    BadInput : names the line, the key, and where it helps the nearest word that is known
    """
    path = Path(path).absolute()
    data = read_bytes(path, most=_MAX_BYTES)
    try:
        text = data.decode("utf-8-sig")
        table = tomllib.loads(text)
    except UnicodeDecodeError:
        raise BadInput("the job file is not UTF-8 text", path.name, "save it as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise BadInput(f"not valid TOML: {error}", path.name, "mend that line") from None
    except RecursionError:
        raise BadInput("not valid TOML: nested too deeply", path.name) from None
    top = Entry(path.name, table, (), find_places(text))
    return _read_top(top, path)


def _read_top(top: Entry, path: Path) -> Job:
    title = top.name("title", path.stem)
    wearer = top.text("wearer", "")
    revision = top.whole("revision", 1)
    date = read_date(top)
    revisions = read_revisions(top.table("revisions"))
    one_per_pair = top.flag("one_per_pair", False)
    pair_tolerance = top.number("pair_tolerance_mm", 2.0, low=0.0, high=50.0)
    scan_entry = top.table("scan")
    if scan_entry is None:
        raise BadInput("[scan] is missing", path.name, 'add [scan] with file = "..."')
    scan = _read_scan(scan_entry, path.parent)
    inks = tuple(_read_ink(e) for e in top.tables("ink"))
    lines, line_files = _read_lines(top.tables("line"), path.parent, inks)
    panel_names = tuple(_read_panel_name(e) for e in top.tables("panel"))
    own_materials = read_materials(top.tables("material"))
    own_stocks, groups = read_stocks(top.tables("stock"), path.parent)
    ply_entries = top.tables("ply")
    points = read_points(top.tables("point"))
    alters = read_alters(top.tables("alter"))
    output = read_output(top.table("output"))
    nesting = read_nesting(top.table("nesting"))
    rates = read_rates(top.table("rates"))
    top.close()

    materials, stocks = _by_name(MATERIALS, own_materials), _by_name(STOCKS, own_stocks)
    plies = tuple(_read_ply(e, materials, stocks, groups) for e in ply_entries)
    plies = plies or (DEFAULT_PLY,)
    _no_twins(top, "line", [line.name for line in lines])
    _no_twins(top, "panel", [p.name for p in panel_names])
    _no_twins(top, "ply", [p.name for p in plies])
    _no_twins(top, "ink", [i.colour for i in inks])
    _check_over(ply_entries, plies)
    job = Job(
        title=title,
        path=path,
        scan=scan,
        wearer=wearer,
        revision=revision,
        lines=lines,
        line_files=line_files,
        inks=inks,
        panel_names=panel_names,
        plies=plies,
        materials=own_materials,
        stocks=own_stocks,
        date=date,
        one_per_pair=one_per_pair,
        pair_tolerance_mm=pair_tolerance,
        points=points,
        alters=alters,
        revisions=revisions,
        output=output,
        nesting=nesting,
        rates=rates,
    )
    return completed(job)


def _by_name(bundled: Sequence[_T], own: Sequence[_T]) -> dict[str, _T]:
    return {thing.name: thing for thing in (*bundled, *own)}


def existing_file(entry: Entry, key: str, folder: Path) -> Path:
    """The file a key names, absolute.

    Raises
    ------
    BadInput : it does not exist
    """
    text = entry.name(key)
    found = named_file(text, folder)
    if found is None:
        raise entry.wrong(key, f"no such file: {text}", f"it was looked for in {folder}")
    return found


def _axis(entry: Entry, key: str) -> Triple | None:
    value = entry.take(key, None)
    if value is None:
        return None
    if isinstance(value, str):
        sign, letter = (value[:1], value[1:]) if value[:1] in ("+", "-") else ("+", value)
        if letter.lower() not in _AXES:
            raise entry.wrong(key, f"unknown axis '{value}'", 'use "+y", "-z" ... or [x, y, z]')
        x, y, z = _AXES[letter.lower()]
        return (x, y, z) if sign == "+" else (0.0 - x, 0.0 - y, 0.0 - z)
    x, y, z = entry.as_points(key, [value], 3, 1)[0]
    if x == y == z == 0:
        raise entry.wrong(key, "the direction has no length", 'use "+y", "-z" ... or [x, y, z]')
    return (float(x), float(y), float(z))


def _read_scan(entry: Entry, folder: Path) -> ScanSpec:
    file = existing_file(entry, "file", folder)
    unit = entry.choice("unit", MM_PER_UNIT, None)
    up, front = _axis(entry, "up"), _axis(entry, "front")
    girths = tuple(_read_girth(e) for e in entry.tables("girth"))
    spec = ScanSpec(
        file=file,
        unit=unit,
        up=up,
        front=front,
        tape_mm=entry.number("tape_mm", 0.0, low=0.0, high=50.0),
        ease_mm=entry.number("ease_mm", 0.0, low=-50.0, high=200.0),
        edge_mm=entry.number("edge_mm", None, low=0.5, high=100.0),
        ink=entry.flag("ink", False),
        girths=girths,
        keep=_read_keep(entry.table("keep")),
        slit=entry.choice("slit", ("close", "keep"), "close"),
        complete=entry.flag("complete", False),
        symmetric=entry.flag("symmetric", False),
        symmetric_mm=entry.number("symmetric_mm", 10.0, low=0.1, high=10.0),
    )
    if up is not None and front is not None:
        cross = (
            up[1] * front[2] - up[2] * front[1],
            up[2] * front[0] - up[0] * front[2],
            up[0] * front[1] - up[1] * front[0],
        )
        lengths = [sum(c * c for c in v) for v in (up, front, cross)]
        if lengths[2] < 0.01 * lengths[0] * lengths[1]:
            raise entry.wrong("front", "up and front point along the same axis")
    entry.close()
    return spec


def _read_girth(entry: Entry) -> GirthSpec:
    girth = GirthSpec(
        at=entry.point("at"),
        mm=entry.number("mm", low=20.0, high=5000.0),
        over_wrap=entry.flag("over_wrap", False),
    )
    entry.close()
    return girth


def _read_keep(entry: Entry | None) -> KeepBox | None:
    if entry is None:
        return None
    low, high = entry.point("low"), entry.point("high")
    if any(a >= b for a, b in zip(low, high, strict=True)):
        raise entry.wrong("high", "each number of high should be more than that of low")
    entry.close()
    return KeepBox(low=low, high=high)


def _read_lines(
    entries: list[Entry], folder: Path, inks: Sequence[InkRule]
) -> tuple[tuple[Line, ...], tuple[LineFile, ...]]:
    lines: list[Line] = []
    files: list[LineFile] = []
    for entry in entries:
        if entry.has("file"):
            files.append(_read_line_file(entry, folder))
        else:
            lines.append(_read_line(entry, inks))
    return tuple(lines), tuple(files)


def _read_line_file(entry: Entry, folder: Path) -> LineFile:
    file = LineFile(
        path=existing_file(entry, "file", folder),
        name=entry.name("name", None),
        kind=entry.choice("kind", KINDS, None),
        joint=entry.choice("joint", JOINTS, "butt"),
        fixing=entry.choice("fixing", FIXINGS, "glue"),
        mirror=entry.flag("mirror", False),
    )
    if entry.has("points"):
        raise entry.wrong("points", "a line takes its points from a file or from here, not both")
    entry.close()
    return file


def _read_line(entry: Entry, inks: Sequence[InkRule]) -> Line:
    name = entry.name("name")
    ink = _colour(entry, "ink", None)
    # What a line does not say itself, the rule for its ink says.
    plain = InkRule(colour="", kind="seam")
    rule = next((rule for rule in inks if rule.colour == ink), plain)
    closed = entry.flag("closed", False)
    points = entry.points("points", 3, 3 if closed else 2)
    start = entry.number("ease_from", 0.0, low=0.0, high=1.0)
    end = entry.number("ease_to", 1.0, low=0.0, high=1.0)
    if start >= end:
        raise entry.wrong("ease_to", "ease_to should be more than ease_from")
    line = Line(
        name=name,
        kind=entry.choice("kind", KINDS, rule.kind),
        points=points,
        closed=closed,
        mirror=entry.flag("mirror", False),
        joint=entry.choice("joint", JOINTS, rule.joint),
        fixing=entry.choice("fixing", FIXINGS, rule.fixing),
        under=entry.choice("under", _SIDES, None),
        ink=ink,
        ease_mm=entry.number("ease_mm", 0.0, low=0.0, high=500.0),
        ease_side=entry.choice("ease_side", _SIDES, "left"),
        ease_from=start,
        ease_to=end,
        no_stretch=entry.flag("no_stretch", False),
        source=entry.file,
    )
    if line.no_stretch and (line.kind != "detail" or not line.closed):
        raise entry.wrong("no_stretch", "only a closed detail line encloses a no-stretch zone")
    entry.close()
    return line


def _colour(entry: Entry, key: str, *default: None) -> str | None:
    value = entry.text(key, *default)
    if value is not None and not _COLOUR.fullmatch(value):
        raise entry.wrong(key, f"'{value}' is not a colour", 'write it as "#rrggbb"')
    return value if value is None else value.lower()


def _read_ink(entry: Entry) -> InkRule:
    colour = _colour(entry, "colour")
    rule = InkRule(
        colour=colour or "",
        kind=entry.choice("kind", KINDS),
        joint=entry.choice("joint", JOINTS, "butt"),
        fixing=entry.choice("fixing", FIXINGS, "glue"),
    )
    entry.close()
    return rule


def _read_panel_name(entry: Entry) -> PanelName:
    panel = PanelName(name=entry.name("name"), at=entry.point("at"))
    entry.close()
    return panel


def _read_ply(
    entry: Entry,
    materials: dict[str, Material],
    stocks: dict[str, Stock],
    groups: dict[str, tuple[str, ...]],
) -> Ply:
    name = entry.name("name")
    material = entry.name("material")
    # A stock of several offcuts stands for each of them.
    named = tuple(n for s in entry.one_or_more("stock") for n in groups.get(s, (s,)))
    compare = entry.names("compare", ())
    asked = [("material", material, materials), *(("stock", s, stocks) for s in named)]
    for key, value, known in [*asked, *(("compare", m, materials) for m in compare)]:
        if value not in known:
            kind = "stock" if key == "stock" else "material"
            hint = near(value, known) or f"add a [[{kind}]] of that name"
            raise entry.wrong(key, f"unknown {kind} '{value}'", hint)
    joints: dict[str, JointChoice] = {}
    table = entry.table("joints")
    for line in table.keys() if table is not None else []:
        choice = table.table(line) if table is not None else None
        if choice is not None:
            joints[line] = JointChoice(
                joint=choice.choice("joint", JOINTS, None),
                fixing=choice.choice("fixing", FIXINGS, None),
            )
            choice.close()
    panels = entry.names("panels", ("*",))
    making = read_making(entry)
    if not panels and not making.detail_pieces:
        fix = 'panels = ["*"] for all, or detail_pieces for a ply of overlays alone'
        raise entry.wrong("panels", "names no panel", fix)
    ply = Ply(
        name=name,
        material=material,
        stock=named[0],
        more_stocks=named[1:],
        compare=tuple(dict.fromkeys(compare)),
        panels=panels,
        lines=entry.names("lines", ("*",)),
        over=entry.name("over", None),
        face=entry.choice("face", ("face", "back"), "face"),
        joints=joints,
        making=making,
    )
    entry.close()
    return ply


def _check_over(entries: list[Entry], plies: tuple[Ply, ...]) -> None:
    """`over` names another ply, and no ply lies over itself."""
    over = {p.name: p.over for p in plies}
    for entry, ply in zip(entries, plies, strict=False):
        if ply.over is None:
            continue
        if ply.over not in over:
            raise entry.wrong("over", f"unknown ply '{ply.over}'", near(ply.over, over))
        below, seen = ply.over, {ply.name}
        while below is not None:
            if below in seen:
                raise entry.wrong("over", f"the ply '{ply.name}' would lie over itself")
            seen.add(below)
            below = over[below]


def _no_twins(top: Entry, key: str, names: list[str]) -> None:
    for i, name in enumerate(names):
        if name in names[:i]:
            place = Entry(top.file, {}, (key, i), top.places).where()
            raise BadInput(f"two [[{key}]] are called '{name}'", place, "give one another name")
