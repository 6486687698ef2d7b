"""Reads lines drawn in other programs: OBJ, glTF, DXF and JSON, each line by its name."""

import json
import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import ImageColor

from flatten.errors import BadInput
from flatten.io.drawn_lines import Drawn, dxf_lines, gltf_lines, obj_lines
from flatten.io.entries import near
from flatten.io.sources import read_bytes
from flatten.records.job import InkRule, LineFile
from flatten.records.lines import FIXINGS, JOINTS, KINDS, Line
from flatten.units import MM_PER_UNIT

_MAX_BYTES = 256 * 1024**2
_READERS: dict[str, Callable[[Path, bytes], list[Drawn]]] = {
    ".obj": obj_lines,
    ".glb": gltf_lines,
    ".gltf": gltf_lines,
    ".dxf": dxf_lines,
}
# An ink rule holds for colours that look like its own: this far apart at most, of 441.
_SAME_INK = 120.0


def read_lines(
    path: str | Path,
    *,
    name: str | None = None,
    kind: str | None = None,
    joint: str = "butt",
    fixing: str = "glue",
    mirror: bool = False,
    inks: Sequence[InkRule] = (),
    mm_per_scan_unit: float | None = None,
) -> tuple[Line, ...]:
    """The lines in a file, in the scan file's own numbers.

    `name`, `kind`, `joint`, `fixing` and `mirror` hold where the file does not say. A JSON file
    may state its `units`; given `mm_per_scan_unit`, its points are brought to the scan's. Where
    nothing states a kind: lists called `seams` are seams; lines with an ink go by the rule in
    `inks` nearest in colour, else the ink of the greatest length is that of the seams and others
    are details; a layer or group whose name holds the word (seam, dart, trim, detail, score) goes
    by that; all else is a seam.

    Raises
    ------
    BadInput : names the file, the line and what is wrong
    """
    path = Path(path)
    data = read_bytes(path, most=_MAX_BYTES).removeprefix(b"\xef\xbb\xbf")
    extension = path.suffix.lower()
    if extension == ".json":
        found = _json_lines(path, data, mm_per_scan_unit)
    elif extension in _READERS:
        found = [
            _Stated(name=d.name, points=d.points, closed=d.closed, kind=_kind_in(d.name))
            for d in _READERS[extension](path, data)
        ]
    else:
        known = ", ".join(e[1:].upper() for e in (*_READERS, ".json"))
        raise BadInput(f"'{extension}' holds no lines", path.name, f"use {known}")
    lines = [_tidy(line) for line in found]
    lines = [line for line in lines if len(line.points) >= (3 if line.closed else 2)]
    if not lines:
        raise BadInput("no lines in the file", path.name, "draw them as polylines or curves")
    for line in lines:
        if not (np.abs(line.points) <= 1e12).all():
            raise BadInput(
                "a coordinate is not a finite number", f"{path.name}, line '{line.name}'"
            )
    return tuple(
        Line(
            name=called,
            kind=line.kind or kind or line.default_kind,  # type: ignore[arg-type]
            points=line.points,
            closed=line.closed,
            mirror=mirror if line.mirror is None else line.mirror,
            joint=line.joint or joint,  # type: ignore[arg-type]
            fixing=line.fixing or fixing,  # type: ignore[arg-type]
            under=line.under,  # type: ignore[arg-type]
            ink=line.ink,
            source=path.name,
        )
        for called, line in zip(_names(lines, name), _by_ink(lines, inks), strict=True)
    )


def read_line_file(
    file: LineFile, inks: Sequence[InkRule] = (), mm_per_scan_unit: float | None = None
) -> tuple[Line, ...]:
    """`read_lines` with what a job says about the file."""
    return read_lines(
        file.path,
        name=file.name,
        kind=file.kind,
        joint=file.joint,
        fixing=file.fixing,
        mirror=file.mirror,
        inks=inks,
        mm_per_scan_unit=mm_per_scan_unit,
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class _Stated:
    """A line with what its file states about it; None where it does not."""

    name: str
    points: NDArray[np.float64]
    closed: bool = False
    kind: str | None = None
    default_kind: str = "seam"
    joint: str | None = None
    fixing: str | None = None
    under: str | None = None
    mirror: bool | None = None
    ink: str | None = None


def _kind_in(name: str) -> str | None:
    words = re.findall(r"[a-z]+", name.lower())
    return next((k for k in KINDS if k in words or k + "s" in words), None)


def _tidy(line: _Stated) -> _Stated:
    """Repeated points left out; a last point on the first closes the line."""
    P = line.points
    if len(P) > 1:
        P = P[np.concatenate([[True], (P[1:] != P[:-1]).any(axis=1)])]
    if len(P) > 3 and (P[0] == P[-1]).all():
        return replace(line, points=P[:-1], closed=True)
    if line.closed and len(P) > 1 and (P[0] == P[-1]).all():
        P = P[:-1]
    return replace(line, points=P)


def _names(lines: list[_Stated], name: str | None) -> list[str]:
    """Unique names: the file's own, or the job's with a number from the second on."""
    wanted = [name or line.name or "line" for line in lines]
    taken = Counter(wanted)
    used: set[str] = set()
    names: list[str] = []
    for base in wanted:
        called, number = base, 1
        while called in used or (number > 1 and called in taken):
            number += 1
            called = f"{base} {number}"
        used.add(called)
        names.append(called)
    return names


def _by_ink(lines: list[_Stated], inks: Sequence[InkRule]) -> Iterable[_Stated]:
    """Kinds of the lines that have an ink and no kind of their own."""
    length: dict[str, float] = {}
    for line in lines:
        if line.ink:
            own = float(np.linalg.norm(np.diff(line.points, axis=0), axis=1).sum())
            length[line.ink] = length.get(line.ink, 0.0) + own
    main = max(length, key=lambda ink: length[ink], default=None)
    for line in lines:
        if line.ink is None or line.kind is not None:
            yield line
            continue
        rule = min(inks, key=lambda r: _apart(r.colour, line.ink or ""), default=None)
        if rule is not None and _apart(rule.colour, line.ink) <= _SAME_INK:
            yield replace(
                line,
                kind=rule.kind,
                joint=line.joint or rule.joint,
                fixing=line.fixing or rule.fixing,
            )
        else:
            yield replace(line, default_kind="seam" if line.ink == main else "detail")


def _apart(a: str, b: str) -> float:
    one, two = np.array(ImageColor.getrgb(a)), np.array(ImageColor.getrgb(b))
    return float(np.linalg.norm(one - two))


# JSON


def _json_lines(path: Path, data: bytes, mm_per_scan_unit: float | None) -> list[_Stated]:
    try:
        found = json.loads(data.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise BadInput(f"not valid JSON: {str(error)[:80]}", path.name) from None
    if isinstance(found, list):
        found = {"lines": found}
    if not isinstance(found, dict) or not ("seams" in found or "lines" in found):
        raise BadInput("there is no list called 'seams' or 'lines'", path.name)
    factor = _factor(path, found.get("units"), mm_per_scan_unit)
    lines: list[_Stated] = []
    for key in ("seams", "lines"):
        rows = found.get(key, [])
        if not isinstance(rows, list):
            raise BadInput("should be a list", f"{path.name}, {key}")
        lines += [_json_line(row, f"{path.name}, {key}[{i}]", factor) for i, row in enumerate(rows)]
    return lines


def _factor(path: Path, units: Any, mm_per_scan_unit: float | None) -> float:
    if units is None:
        return 1.0
    if units not in MM_PER_UNIT:
        raise BadInput(f"unknown units '{str(units)[:20]}'", path.name, "use mm, cm, m or in")
    if mm_per_scan_unit is None:
        return 1.0
    factor = MM_PER_UNIT[units] / mm_per_scan_unit
    return 1.0 if abs(factor - 1.0) < 1e-12 else factor


def _json_line(row: Any, place: str, factor: float) -> _Stated:
    if not isinstance(row, dict):
        raise BadInput("should be an object with name and points", place)
    name = row.get("name", "")
    if not isinstance(name, str):
        raise BadInput("name should be text", place)
    place = f"{place} '{name}'" if name else place
    points = row.get("points")
    is_good = isinstance(points, list) and all(
        isinstance(p, list)
        and len(p) == 3
        and all(isinstance(c, int | float) and not isinstance(c, bool) for c in p)
        and all(abs(c) <= 1e15 for c in p)
        for p in points
    )
    if not is_good or not points:
        raise BadInput("points should be a list of [x, y, z]", place)
    flags = {k: row.get(k) for k in ("closed", "mirror")}
    for key, value in flags.items():
        if value is not None and not isinstance(value, bool):
            raise BadInput(f"{key} should be true or false", place)
    ink = row.get("ink")
    if ink is not None:
        ink = _hex(ink, place)
    return _Stated(
        name=name.strip(),
        points=np.array(points, dtype=np.float64) * factor,
        closed=bool(flags["closed"]),
        kind=_word(row, "kind", KINDS, place),
        joint=_word(row, "joint", JOINTS, place),
        fixing=_word(row, "fixing", FIXINGS, place),
        under=_word(row, "under", ("left", "right"), place),
        mirror=flags["mirror"],
        ink=ink,
    )


def _word(row: Mapping[str, Any], key: str, known: Sequence[str], place: str) -> str | None:
    value = row.get(key)
    if value is not None and value not in known:
        raise BadInput(f"unknown {key} '{str(value)[:20]}'", place, near(str(value), known))
    return value


def _hex(ink: Any, place: str) -> str:
    """A colour, as #rrggbb or by its CSS name, as #rrggbb."""
    try:
        red, green, blue = ImageColor.getrgb(ink)[:3]
    except (ValueError, AttributeError, TypeError):
        raise BadInput(f"'{str(ink)[:20]}' is not a colour", place, 'write "#rrggbb"') from None
    return f"#{red:02x}{green:02x}{blue:02x}"
