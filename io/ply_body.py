"""The rows of a PLY file, binary in either byte order or ASCII, as columns."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.io.numerals import bad_token_line, to_floats
from flatten.io.ply_header import Element, Header


@dataclass(frozen=True, eq=False, kw_only=True)
class Lists:
    """A list column: how many values each row has, and all values one after the other."""

    counts: NDArray[np.int64]
    values: NDArray[np.generic]


Columns = dict[str, NDArray[np.generic] | Lists]


def read_body(path: Path, data: bytes, header: Header, wanted: set[str]) -> dict[str, Columns]:
    """Columns of the `wanted` elements; what follows the last of them is not looked at.

    Raises
    ------
    BadInput : the header promises more than the file holds, a list's length is absurd, or an
        ASCII number cannot be read
    """
    last = max((i for i, e in enumerate(header.elements) if e.name in wanted), default=-1)
    found: dict[str, Columns] = {}
    if header.order == "ascii":
        numbers = _ascii_numbers(path, data, header)
        at = 0
        for element in header.elements[: last + 1]:
            found[element.name], at = _ascii_rows(path, numbers, at, element)
    else:
        at = header.start
        for element in header.elements[: last + 1]:
            found[element.name], at = _binary_rows(path, data, at, element, header.order)
    return found


def _too_short(path: Path, element: Element) -> BadInput:
    return BadInput(
        f"the file ends before its {element.count:,} {element.name} rows do",
        path.name,
        "it is cut short or damaged; export or copy it again",
    )


def _no_list(path: Path, element: Element, row: int, count: float) -> BadInput:
    return BadInput(f"a list of {count:g} values", f"{path.name}, {element.name} {row + 1}")


# Binary


def _binary_rows(
    path: Path, data: bytes, at: int, element: Element, order: str
) -> tuple[Columns, int]:
    if element.count == 0 or not element.properties:
        return {}, at
    lengths = _first_lengths(path, data, at, element, order)
    fields: list[tuple[str, str] | tuple[str, str, tuple[int]]] = []
    for i, p in enumerate(element.properties):
        if p.counted:
            fields += [(f"n{i}", order + p.counted), (f"v{i}", order + p.dtype, (lengths[i],))]
        else:
            fields.append((f"v{i}", order + p.dtype))
    row = np.dtype(fields)
    if element.count * row.itemsize <= len(data) - at:
        rows = np.frombuffer(data, row, element.count, at)
        lists = [i for i, p in enumerate(element.properties) if p.counted]
        if all((rows[f"n{i}"] == lengths[i]).all() for i in lists):
            return _uniform(element, rows, lengths), at + element.count * row.itemsize
    if not element.has_lists:
        raise _too_short(path, element)
    return _mixed_rows(path, data, at, element, order)


def _uniform(element: Element, rows: NDArray[np.void], lengths: dict[int, int]) -> Columns:
    columns: Columns = {}
    for i, p in enumerate(element.properties):
        values = np.ascontiguousarray(rows[f"v{i}"]).astype(p.dtype, copy=False)
        if p.counted:
            counts = np.full(element.count, lengths[i], dtype=np.int64)
            columns[p.name] = Lists(counts=counts, values=values.reshape(-1))
        else:
            columns[p.name] = values
    return columns


def _first_lengths(
    path: Path, data: bytes, at: int, element: Element, order: str
) -> dict[int, int]:
    """Length of each list in the first row; most files have the same in every row."""
    lengths: dict[int, int] = {}
    for i, p in enumerate(element.properties):
        size = np.dtype(p.dtype).itemsize
        if p.counted:
            lengths[i], at = _length(path, data, at, element, 0, order + p.counted)
            size *= lengths[i]
        at += size
        if at > len(data):
            raise _too_short(path, element)
    return lengths


def _length(
    path: Path, data: bytes, at: int, element: Element, row: int, dtype: str
) -> tuple[int, int]:
    width = int(dtype[2])
    end = at + width
    if end > len(data):
        raise _too_short(path, element)
    count = int.from_bytes(
        data[at:end], "big" if dtype[0] == ">" else "little", signed=dtype[1] == "i"
    )
    if count < 0:
        raise _no_list(path, element, row, count)
    return count, end


def _mixed_rows(
    path: Path, data: bytes, at: int, element: Element, order: str
) -> tuple[Columns, int]:
    """Rows whose lists differ in length: walked one by one, then gathered by length."""
    least = sum(np.dtype(p.counted or p.dtype).itemsize for p in element.properties)
    if element.count * least > len(data) - at:
        raise _too_short(path, element)
    steps = [(np.dtype(p.dtype).itemsize, p.counted) for p in element.properties]
    offsets = np.empty((len(steps), element.count), dtype=np.int64)
    counts = np.ones((len(steps), element.count), dtype=np.int64)
    end = len(data)
    for row in range(element.count):
        for i, (size, counted) in enumerate(steps):
            if counted == "u1":
                if at >= end:
                    raise _too_short(path, element)
                n, at = data[at], at + 1
            elif counted:
                n, at = _length(path, data, at, element, row, order + counted)
            else:
                n = 1
            offsets[i, row] = at
            counts[i, row] = n
            at += n * size
        if at > end:
            raise _too_short(path, element)
    raw = np.frombuffer(data, np.uint8)
    columns: Columns = {}
    for i, p in enumerate(element.properties):
        size = steps[i][0]
        # Byte positions of every value of the column, list after list.
        total = int(counts[i].sum())
        first = np.repeat(offsets[i], counts[i])
        within = np.arange(total) - np.repeat(np.cumsum(counts[i]) - counts[i], counts[i])
        place = (first + within * size)[:, None] + np.arange(size)
        values = raw[place].view(order + p.dtype).reshape(-1).astype(p.dtype, copy=False)
        columns[p.name] = Lists(counts=counts[i], values=values) if p.counted else values
    return columns, at


# ASCII


def _ascii_numbers(path: Path, data: bytes, header: Header) -> NDArray[np.float64]:
    body = data[header.start :]
    try:
        return to_floats(body)
    except ValueError:
        line, word = bad_token_line(body)
        raise BadInput(
            f"'{word}' is not a number", f"{path.name}, line {header.lines + line}"
        ) from None


def _ascii_rows(
    path: Path, numbers: NDArray[np.float64], at: int, element: Element
) -> tuple[Columns, int]:
    width = len(element.properties)
    if element.count * width > len(numbers) - at:
        raise _too_short(path, element)
    if element.count == 0 or width == 0:
        return {}, at
    if element.has_lists:
        return _ascii_lists(path, numbers, at, element)
    end = at + element.count * width
    table = numbers[at:end].reshape(element.count, width)
    return {p.name: table[:, i] for i, p in enumerate(element.properties)}, end


def _ascii_lists(
    path: Path, numbers: NDArray[np.float64], at: int, element: Element
) -> tuple[Columns, int]:
    lists = [bool(p.counted) for p in element.properties]
    offsets = np.empty((len(lists), element.count), dtype=np.int64)
    counts = np.ones((len(lists), element.count), dtype=np.int64)
    end = len(numbers)
    for row in range(element.count):
        for i, counted in enumerate(lists):
            n = 1
            if counted:
                if at >= end:
                    raise _too_short(path, element)
                length = float(numbers[at])
                if not 0 <= length <= end or length != int(length):
                    raise _no_list(path, element, row, length)
                n, at = int(length), at + 1
            offsets[i, row] = at
            counts[i, row] = n
            at += n
        if at > end:
            raise _too_short(path, element)
    columns: Columns = {}
    for i, p in enumerate(element.properties):
        within = np.arange(int(counts[i].sum())) - np.repeat(
            np.cumsum(counts[i]) - counts[i], counts[i]
        )
        values = numbers[np.repeat(offsets[i], counts[i]) + within]
        columns[p.name] = Lists(counts=counts[i], values=values) if p.counted else values
    return columns, at
