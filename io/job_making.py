"""Reads and writes what a job says of finishes, alterations and files: strict, like the rest of it."""

import datetime
from collections.abc import Callable
from typing import Any, TypeVar

from flatten.io.entries import Entry, near
from flatten.records.making import (
    DXF_UNITS,
    DXF_VERSIONS,
    FINISHES,
    MARKS,
    POINT_KINDS,
    Alter,
    Making,
    OutputChoice,
    PointDetail,
    SplitChoice,
    StitchChoice,
)
from flatten.records.pages import PAPERS

_T = TypeVar("_T")
_MOST_ROWS = 2
_FARTHEST_MM = 10_000.0


def read_making(entry: Entry) -> Making:
    """The keys of a `[[ply]]` that say how its templates are finished.

    Raises
    ------
    BadInput : names the line and the key
    """
    usual = Making()

    def number(key: str, high: float) -> float:
        return entry.number(key, getattr(usual, key), low=0.0, high=high)

    return Making(
        rim_finish=_by_name(entry, "rim_finish", lambda t, rim: t.choice(rim, FINISHES)),
        stitch=_by_name(entry, "stitch", _read_stitch),
        topstitch=_by_name(entry, "topstitch", _read_distances),
        detail_pieces=entry.names("detail_pieces", ()),
        cut_details=entry.flag("cut_details", usual.cut_details),
        hoop_mm=_read_hoop(entry),
        facing_mm=number("facing_mm", 300.0),
        turn_mm=number("turn_mm", 100.0),
        dart_stop_mm=number("dart_stop_mm", 100.0),
        relief_mm=number("relief_mm", 20.0),
        binding_join_mm=number("binding_join_mm", 500.0),
        marks=entry.choice("marks", MARKS, usual.marks),
        mock_up=entry.flag("mock_up", usual.mock_up),
        split=_by_name(entry, "split", _read_split),
    )


def _read_hoop(entry: Entry) -> tuple[float, float] | None:
    """The field of an embroidery hoop, width and length."""
    value: Any = entry.take("hoop_mm", None)
    if value is None:
        return None
    numbers = isinstance(value, list) and len(value) == 2
    if not numbers or not all(
        isinstance(x, int | float) and not isinstance(x, bool) and 40.0 <= x <= 2000.0
        for x in value
    ):
        raise entry.wrong(
            "hoop_mm", "should be two numbers from 40 to 2000", "hoop_mm = [130, 180]"
        )
    return float(value[0]), float(value[1])


def _by_name(entry: Entry, key: str, read: Callable[[Entry, str], _T]) -> dict[str, _T]:
    """A table whose keys are names of lines or rims."""
    table = entry.table(key)
    names = [] if table is None else table.keys()
    return {name: read(table, name) for name in names if table is not None}


def _read_stitch(table: Entry, line: str) -> StitchChoice:
    row = table.table(line)
    assert row is not None  # the key is there, and anything but a table is refused
    choice = StitchChoice(
        pitch_mm=row.number("pitch_mm", None, low=1.0, high=500.0),
        inside_mm=row.number("inside_mm", None, low=0.0, high=200.0),
        hole_mm=row.number("hole_mm", None, low=0.1, high=50.0),
        rows=row.whole("rows", 1, low=1) if row.has("rows") else row.take("rows", None),
    )
    if choice.rows is not None and choice.rows > _MOST_ROWS:
        raise row.wrong("rows", f"{choice.rows} rows", "use 1 or 2")
    row.close()
    return choice


def _read_distances(table: Entry, line: str, most: float = 200.0) -> tuple[float, ...]:
    value: Any = table.take(line)
    items = value if isinstance(value, list) else [value]
    one = Entry(table.file, {}, table.path, table.places)
    distances = []
    for item in items:
        if isinstance(item, bool) or not isinstance(item, int | float) or not 0.0 < item <= most:
            raise one.wrong(line, f"should be distances from 0 to {most:g} mm", f"{line} = [3, 9]")
        distances.append(float(item))
    return tuple(distances)


def _read_split(table: Entry, piece: str) -> SplitChoice:
    row = table.table(piece)
    assert row is not None  # the key is there, and anything but a table is refused
    choice = SplitChoice(
        **{
            key: _read_distances(row, key, _FARTHEST_MM)
            for key in ("across_mm", "along_mm")
            if row.has(key)
        }
    )
    row.close()
    if not choice.across_mm and not choice.along_mm:
        raise table.wrong(piece, "says no place", f"{piece} = {{ across_mm = [300] }}")
    return choice


def read_alters(entries: list[Entry]) -> tuple[Alter, ...]:
    """The `[[alter]]` entries.

    Raises
    ------
    BadInput : names the line and the key
    """
    alters = []
    for entry in entries:
        alter = Alter(
            line=entry.name("line"),
            by_mm=entry.number("by_mm", low=-200.0, high=200.0),
            start=entry.number("start", 0.0, low=0.0, high=1.0),
            end=entry.number("end", 1.0, low=0.0, high=1.0),
        )
        if alter.start >= alter.end:
            raise entry.wrong("end", "end should be more than start")
        entry.close()
        alters.append(alter)
    return tuple(alters)


def read_points(entries: list[Entry]) -> tuple[PointDetail, ...]:
    """The `[[point]]` entries.

    Raises
    ------
    BadInput : names the line and the key
    """
    points = []
    for number, entry in enumerate(entries, start=1):
        points.append(
            PointDetail(
                name=entry.name("name", str(number)),
                kind=entry.choice("kind", POINT_KINDS),
                at=entry.point("at"),
                diameter_mm=entry.number("diameter_mm", low=0.5, high=200.0),
                thickness_mm=entry.number("thickness_mm", 0.0, low=0.0, high=50.0),
                angle_deg=entry.number("angle_deg", 0.0, low=-360.0, high=360.0),
                plies=entry.names("plies", ("*",)),
            )
        )
        entry.close()
    return tuple(points)


def read_output(entry: Entry | None) -> OutputChoice:
    """The `[output]` table.

    Raises
    ------
    BadInput : names the line and the key
    """
    usual = OutputChoice()
    if entry is None:
        return usual
    papers = tuple(dict.fromkeys(entry.names("papers", usual.papers)))
    for paper in papers:
        if paper not in PAPERS:
            raise entry.wrong("papers", f"unknown paper '{paper}'", near(paper, PAPERS))
    output = OutputChoice(
        papers=papers,
        sewn_dxf=entry.flag("sewn_dxf", usual.sewn_dxf),
        dxf_version=entry.choice("dxf_version", DXF_VERSIONS, usual.dxf_version),
        dxf_unit=entry.choice("dxf_unit", DXF_UNITS, usual.dxf_unit),
        svg_processes=entry.flag("svg_processes", usual.svg_processes),
        projector=entry.flag("projector", usual.projector),
        pieces=entry.names("pieces", usual.pieces),
    )
    entry.close()
    return output


def read_revisions(table: Entry | None) -> dict[str, int]:
    """The `revisions` table: templates that keep an earlier revision than the job's.

    Raises
    ------
    BadInput : names the line and the key
    """
    names = [] if table is None else table.keys()
    return {name: table.whole(name, 1) for name in names if table is not None}


def read_date(top: Entry) -> str | None:
    """The `date` to be printed: text as it stands, or a TOML date.

    Raises
    ------
    BadInput : it is neither
    """
    value = top.take("date", None)
    if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
        return value.isoformat()
    if value is not None and (
        not isinstance(value, str) or not value.strip() or not value.isprintable()
    ):
        raise top.wrong("date", "should be a date or a short text", 'date = "2030-06-01"')
    return value


def making_values(making: Making) -> dict[str, Any]:
    """The keys of a ply's finishes, ready to be written."""
    return {
        "rim_finish": dict(making.rim_finish),
        "stitch": {line: _given(choice) for line, choice in making.stitch.items()},
        "topstitch": {line: list(distances) for line, distances in making.topstitch.items()},
        "detail_pieces": list(making.detail_pieces),
        "cut_details": making.cut_details,
        "hoop_mm": None if making.hoop_mm is None else list(making.hoop_mm),
        "facing_mm": making.facing_mm,
        "turn_mm": making.turn_mm,
        "dart_stop_mm": making.dart_stop_mm,
        "relief_mm": making.relief_mm,
        "binding_join_mm": making.binding_join_mm,
        "marks": making.marks,
        "mock_up": making.mock_up,
        "split": {
            piece: {key: list(at) for key, at in vars(choice).items() if at}
            for piece, choice in making.split.items()
        },
    }


def _given(choice: StitchChoice) -> dict[str, float | int]:
    return {key: value for key, value in vars(choice).items() if value is not None}
