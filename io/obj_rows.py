"""The rows of an OBJ file as arrays: what each line begins with, and its numbers."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.io.numerals import to_floats

# Stands between joined lines, so that every line's own length is seen again in the numbers.
_BREAK = b" nan "


@dataclass(frozen=True, eq=False, kw_only=True)
class Rows:
    """Lines of one kind: their text without the keyword, and their line numbers from 1."""

    text: list[bytes]
    line: NDArray[np.int64]


def sort_rows(data: bytes) -> dict[bytes, Rows]:
    """All lines by keyword; blank lines and comments are left out."""
    if b"\\\n" in data or b"\\\r\n" in data:  # a backslash joins a line with the next
        data = data.replace(b"\\\r\n", b" ").replace(b"\\\n", b" ")
    text: dict[bytes, list[bytes]] = {}
    lines: dict[bytes, list[int]] = {}
    for number, row in enumerate(data.splitlines(), start=1):
        parts = row.split(None, 1)
        if not parts or parts[0][:1] == b"#":
            continue
        key = parts[0]
        if key not in text:
            text[key], lines[key] = [], []
        text[key].append(parts[1] if len(parts) > 1 else b"")
        lines[key].append(number)
    return {k: Rows(text=text[k], line=np.array(lines[k], dtype=np.int64)) for k in text}


def number_table(
    path: Path, rows: Rows, least: int, most: int
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """(k, most) numbers of each row, zeros beyond its own, and how many each row has.

    Raises
    ------
    BadInput : names the line whose words are not numbers, or too few or too many
    """
    try:
        flat = to_floats(_BREAK.join(rows.text))
    except ValueError:
        flat = None
    if flat is not None:
        ends = np.flatnonzero(np.isnan(flat))
        counts = np.diff(np.concatenate([[-1], ends, [len(flat)]])) - 1
        if len(counts) == len(rows.text) and ((counts >= least) & (counts <= most)).all():
            starts = np.concatenate([[0], ends + 1])
            if (counts == counts[0]).all():
                width = int(counts[0])
                table = np.zeros((len(counts), most))
                table[:, :width] = np.append(flat, np.nan).reshape(-1, width + 1)[:, :width]
                return table, counts
            column = np.arange(most)
            held = column < counts[:, None]
            table = np.zeros((len(counts), most))
            table[held] = flat[(starts[:, None] + column)[held]]
            return table, counts
    return _slow_table(path, rows, least, most)


def _slow_table(
    path: Path, rows: Rows, least: int, most: int
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Line by line: finds the one that is wrong, or bears trailing comments and real NaNs."""
    table = np.zeros((len(rows.text), most))
    counts = np.empty(len(rows.text), dtype=np.int64)
    for i, text in enumerate(rows.text):
        words = text.split(b"#", 1)[0].split()
        where = f"{path.name}, line {rows.line[i]}"
        if not least <= len(words) <= most:
            raise BadInput(f"{len(words)} numbers where {least} are needed", where)
        for j, word in enumerate(words):
            try:
                if b"_" in word:
                    raise ValueError
                table[i, j] = float(word)
            except ValueError:
                shown = word.decode("utf-8", "replace")[:40]
                raise BadInput(f"'{shown}' is not a number", where) from None
        counts[i] = len(words)
    return table, counts


@dataclass(frozen=True, eq=False, kw_only=True)
class Corners:
    """Face or line corners: counts per row, then vertex and texture numbers as written.

    A number counts from 1, or back from the last one if negative; 0 stands for "none".
    """

    counts: NDArray[np.int64]
    vertex: NDArray[np.int64]
    texture: NDArray[np.int64]


def corner_table(path: Path, rows: Rows) -> Corners:
    """Corners written `v`, `v/t`, `v//n` or `v/t/n`, whichever each row uses.

    Raises
    ------
    BadInput : names the line that cannot be read
    """
    joined = b" nan ".join(rows.text)
    fast = _uniform_corners(joined, len(rows.text))
    return fast if fast is not None else _slow_corners(path, rows)


def _uniform_corners(joined: bytes, n_rows: int) -> Corners | None:
    """All corners of the file written alike; None where they are not."""
    raw = np.frombuffer(joined, np.uint8)
    if not len(raw):
        return None
    blank = (raw == 32) | ((raw >= 9) & (raw <= 13))
    begin = np.flatnonzero(~blank & np.concatenate([[True], blank[:-1]]))
    is_break = raw[begin] == ord("n")
    slashes = np.add.reduceat((raw == ord("/")).astype(np.int64), begin)[~is_break]
    if not len(slashes) or (slashes != slashes[0]).any() or slashes[0] > 2:
        return None
    fields = int(slashes[0]) + 1
    try:
        flat = to_floats(joined.replace(b"//", b"/0/").replace(b"/", b" "))
    except ValueError:
        return None
    ends = np.flatnonzero(np.isnan(flat))
    counts = np.diff(np.concatenate([[-1], ends, [len(flat)]])) - 1
    values = np.delete(flat, ends)
    if len(counts) != n_rows or len(values) != fields * len(slashes) or (counts % fields).any():
        return None
    if not (np.abs(values) < 2**53).all() or (values != np.floor(values)).any():
        return None
    table = values.astype(np.int64).reshape(-1, fields)
    texture = table[:, 1] if fields > 1 else np.zeros(len(table), dtype=np.int64)
    return Corners(counts=counts // fields, vertex=table[:, 0].copy(), texture=texture.copy())


def _slow_corners(path: Path, rows: Rows) -> Corners:
    counts = np.empty(len(rows.text), dtype=np.int64)
    vertex: list[int] = []
    texture: list[int] = []
    for i, text in enumerate(rows.text):
        words = text.split(b"#", 1)[0].split()
        counts[i] = len(words)
        for word in words:
            try:
                fields = word.split(b"/")
                v = int(fields[0])
                t = int(fields[1]) if len(fields) > 1 and fields[1] else 0
                if abs(v) >= 2**53 or abs(t) >= 2**53 or b"_" in word:
                    raise ValueError
            except ValueError:
                shown = word.decode("utf-8", "replace")[:40]
                raise BadInput(
                    f"'{shown}' is not a corner of a face", f"{path.name}, line {rows.line[i]}"
                ) from None
            vertex.append(v)
            texture.append(t)
    return Corners(
        counts=counts,
        vertex=np.array(vertex, dtype=np.int64),
        texture=np.array(texture, dtype=np.int64),
    )


def resolve(
    path: Path,
    written: NDArray[np.int64],
    counts: NDArray[np.int64],
    rows: Rows,
    targets: Rows | None,
    what: str,
) -> NDArray[np.int64]:
    """Numbers as written -> indices from 0; `targets` are the rows that they refer to.

    Raises
    ------
    BadInput : names the line whose number is 0 or beyond the last
    """
    total = len(targets.text) if targets is not None else 0
    index = written - 1
    negative = written < 0
    if negative.any() and targets is not None:
        line = np.repeat(rows.line, counts)[negative]
        index[negative] = written[negative] + np.searchsorted(targets.line, line)
    wrong = (index < 0) | (index >= total)
    if wrong.any():
        first = int(wrong.argmax())
        row = int(np.searchsorted(np.cumsum(counts), first, side="right"))
        raise BadInput(
            f"this row refers to {what} {int(written[first])}, but there are {total} (counted from 1)",
            f"{path.name}, line {rows.line[row]}",
            "export the file again; it is damaged",
        )
    return index
