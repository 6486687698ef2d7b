"""Reads STL, binary and ASCII; every triangle brings its own three vertices.

The format is described in the StereoLithography Interface Specification (1988).
"""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.io.numerals import to_floats
from flatten.io.soundness import check_vertices, sound_scan
from flatten.records.scan import Scan

_RECORD = np.dtype([("normal", "<f4", (3,)), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_HEADER = 84
_WORDS = (b"facet", b"outer", b"vertex", b"vertex", b"vertex", b"endloop", b"endfacet")
_AROUND = (b"solid", b"endsolid")


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
    V = records["corners"].reshape(-1, 3).astype(np.float64)
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
    lines = data.splitlines()
    parts = [line.split(None, 1) for line in lines]
    words = [p[0].lower() if p else b"" for p in parts]
    code = {b"": -1, **dict.fromkeys(_AROUND, -1)}
    code.update({b"facet": 0, b"outer": 1, b"vertex": 2, b"endloop": 5, b"endfacet": 6})
    kind = np.fromiter((code.get(w, -2) for w in words), dtype=np.int8, count=len(words))
    where = np.flatnonzero(kind != -1)
    kind = kind[where]
    wanted = np.tile(np.array([0, 1, 2, 2, 2, 5, 6], dtype=np.int8), len(kind) // 7 + 1)
    wrong = kind != wanted[: len(kind)]
    if wrong.any():
        _complain(path, lines, where, kind, int(wrong.argmax()))
    if len(kind) % 7:
        raise BadInput("the file ends inside a triangle", path.name, "it is cut short")
    at = where[kind == 2]
    V = _numbers(path, [parts[i][1] if len(parts[i]) > 1 else b"" for i in at], at)
    if len(V):
        check_vertices(path, V, lambda i: f"line {at[i] + 1}")
    notes = ()
    if b"endsolid" not in words[-3:]:
        notes = ("the file has no end line; it may be cut short",)
    F = np.arange(len(V), dtype=np.int32).reshape(-1, 3)
    if not len(F):
        raise BadInput("the file holds no triangles", path.name, "export the scan again")
    return sound_scan(path, V, F, unit=unit, notes=notes)


def _complain(
    path: Path,
    lines: list[bytes],
    where: NDArray[np.intp],
    kind: NDArray[np.int8],
    first: int,
) -> None:
    """Names the line that is out of place, or an earlier one whose numbers are bad."""
    before = [int(i) for i, k in zip(where[:first], kind[:first], strict=True) if k == 2]
    _numbers(path, [(lines[i].split(None, 1) + [b""])[1] for i in before], np.array(before))
    line = int(where[first])
    text = lines[line].decode("utf-8", "replace").strip()[:60]
    wanted = _WORDS[first % 7].decode()
    raise BadInput(
        f"'{text}' where a line with '{wanted}' should be",
        f"{path.name}, line {line + 1}",
        "export the scan again, as binary if you can",
    )


def _numbers(path: Path, texts: list[bytes], at: NDArray[np.intp]) -> NDArray[np.float64]:
    """(k, 3) numbers of vertex lines; `at` are their line indices."""
    try:
        flat = to_floats(b" nan ".join(texts))
        table = np.append(flat, np.nan).reshape(-1, 4)
        if len(table) == len(texts) and np.isnan(table[:, 3]).all():
            return np.ascontiguousarray(table[:, :3])
    except ValueError:
        pass
    V = np.empty((len(texts), 3))
    for i, text in enumerate(texts):
        words = text.split()
        try:
            if len(words) != 3 or b"_" in text:
                raise ValueError
            V[i] = [float(w) for w in words]
        except ValueError:
            shown = text.decode("utf-8", "replace").strip()[:60]
            raise BadInput(
                f"'{shown}' is not three numbers",
                f"{path.name}, line {at[i] + 1}",
                "export the scan again, as binary if you can",
            ) from None
    return V
