"""Reads STL, binary and ASCII; every triangle brings its own three vertices.

The format is described in the StereoLithography Interface Specification (1988).
"""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.io.numerals import pieces, to_doubles, to_floats
from flatten.io.soundness import check_vertices, sound_scan
from flatten.records.scan import Scan

_RECORD = np.dtype([("normal", "<f4", (3,)), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_HEADER = 84
_WORDS = ("facet", "outer", "vertex", "vertex", "vertex", "endloop", "endfacet")
_VERTEX = 2
_PATTERN = np.array([0, 1, _VERTEX, _VERTEX, _VERTEX, 5, 6], dtype=np.int8)
_AFTER = np.array([32, *range(9 + 32, 14 + 32)], dtype=np.uint8)


def is_binary(data: bytes) -> bool:
    """True where the size is what the triangle count asks for, whatever the header says.

    A binary header may begin with "solid" too; text never has the size to match.
    """
    if len(data) < _HEADER:
        return False
    count = int.from_bytes(data[80:84], "little")
    if len(data) == _HEADER + 50 * count:
        return True
    head = data[:1024].lstrip()[:5].lower()
    return head != b"solid" or b"\0" in data[:_HEADER]


def read_stl(path: Path, data: bytes, unit: str | None) -> Scan:
    """The triangles of an STL file's bytes, unjoined.

    Raises
    ------
    BadInput : what is wrong, with the line or the triangle
    """
    if is_binary(data):
        return _read_binary(path, data, unit)
    return _read_ascii(path, data, unit)


def _read_binary(path: Path, data: bytes, unit: str | None) -> Scan:
    count = int.from_bytes(data[80:84], "little")
    held = (len(data) - _HEADER) // 50
    if count > held:
        raise BadInput(
            f"the file says it has {count:,} triangles, but holds {held:,}",
            path.name,
            "it is cut short or damaged; export or copy it again",
        )
    records = np.frombuffer(data, _RECORD, count, _HEADER)
    V = to_doubles(records["corners"].reshape(-1, 3))
    notes = ()
    if len(data) > _HEADER + 50 * count:
        notes = (f"{len(data) - _HEADER - 50 * count} bytes after the last triangle were ignored",)
    if count:
        check_vertices(path, V, lambda i: f"triangle {i // 3 + 1}")
    F = np.arange(3 * count, dtype=np.int32).reshape(-1, 3)
    if not count:
        raise BadInput("the file holds no triangles", path.name, "export the scan again")
    return sound_scan(path, V, F, unit=unit, notes=notes)


def _read_ascii(path: Path, data: bytes, unit: str | None) -> Scan:
    kinds: list[NDArray[np.int8]] = []
    lines: list[NDArray[np.int64]] = []
    tables: list[NDArray[np.float64]] = []
    seen = phase = 0
    for piece in pieces(data):
        kind, line, count = _classify(piece)
        wanted = np.resize(np.roll(_PATTERN, -phase), len(kind))
        wrong = kind != wanted
        if wrong.any():
            first = int(wrong.argmax())
            # A bad number further up is the better thing to name.
            _numbers(path, piece, line[:first][kind[:first] == _VERTEX], seen)
            text = piece.splitlines()[line[first]].decode("utf-8", "replace").strip()[:60]
            raise BadInput(
                f"'{text}' where a line with '{_WORDS[(phase + first) % 7]}' should be",
                f"{path.name}, line {seen + int(line[first]) + 1}",
                "export the scan again, as binary if you can",
            )
        tables.append(_numbers(path, piece, line[kind == _VERTEX], seen))
        kinds.append(kind)
        lines.append(line + seen)
        seen += count
        phase = (phase + len(kind)) % 7
    if phase:
        raise BadInput("the file ends inside a triangle", path.name, "it is cut short")
    V = np.concatenate(tables)
    if not len(V):
        raise BadInput("the file holds no triangles", path.name, "export the scan again")
    at = np.concatenate(lines)[np.concatenate(kinds) == _VERTEX]
    check_vertices(path, V, lambda i: f"line {at[i] + 1}")
    notes = ()
    if b"endsolid" not in data[-1024:].lower():
        notes = ("the file has no end line; it may be cut short",)
    F = np.arange(len(V), dtype=np.int32).reshape(-1, 3)
    return sound_scan(path, V, F, unit=unit, notes=notes)


def _classify(piece: bytes) -> tuple[NDArray[np.int8], NDArray[np.int64], int]:
    """What each line begins with: place in _PATTERN or -2; lines that say nothing are left out.

    Returns the kinds, the lines they are on (from 0, in this piece), and how many lines there are.
    """
    raw = np.frombuffer(piece.replace(b"\r\n", b"\n").replace(b"\r", b"\n"), np.uint8)
    blank = (raw == 32) | ((raw >= 9) & (raw <= 13))
    begin = np.flatnonzero(~blank & np.concatenate([[True], blank[:-1]]))
    ends = np.flatnonzero(raw == 10)
    line = np.searchsorted(ends, begin)
    first = np.concatenate([[True], line[1:] != line[:-1]])
    begin, line = begin[first], line[first]
    padded = np.concatenate([raw, np.full(9, 32, dtype=np.uint8)]) | 0x20  # lower case
    word = padded[begin[:, None] + np.arange(9)]
    kind = np.full(len(begin), -2, dtype=np.int8)
    for number, text in enumerate(("solid", "endsolid", *_WORDS)):
        letters = np.frombuffer(text.encode(), np.uint8)
        is_word = (word[:, : len(letters)] == letters).all(axis=1)
        # A word ends in a blank or a control character (which the lower-casing moved up by 32).
        is_word &= np.isin(word[:, len(letters)], _AFTER) if len(letters) < 9 else True
        kind[is_word] = _PATTERN[number - 2] if number >= 2 else -1
    said = kind != -1
    return kind[said], line[said], len(ends) + (1 if len(raw) and raw[-1] != 10 else 0)


def _numbers(path: Path, piece: bytes, at: NDArray[np.int64], before: int) -> NDArray[np.float64]:
    """(k, 3) numbers of the vertex lines `at` of this piece, which follows `before` lines."""
    if not len(at):
        return np.empty((0, 3))
    rows = piece.splitlines()
    texts = [rows[i] for i in at.tolist()]
    try:
        flat = to_floats(b"\n".join(texts).lower().replace(b"vertex", b" nan "))
        table = flat.reshape(-1, 4)
        if len(table) == len(texts) and np.isnan(table[:, 0]).all():
            return np.ascontiguousarray(table[:, 1:])
    except ValueError:
        pass
    V = np.empty((len(texts), 3))
    for i, text in enumerate(texts):
        words = text.split()[1:]
        try:
            if len(words) != 3 or b"_" in text:
                raise ValueError
            V[i] = [float(w) for w in words]
        except ValueError:
            shown = b" ".join(words).decode("utf-8", "replace")[:60]
            raise BadInput(
                f"'{shown}' is not three numbers",
                f"{path.name}, line {before + int(at[i]) + 1}",
                "export the scan again, as binary if you can",
            ) from None
    return V
