"""Finds the line that a key of a TOML file stands on, which the standard reader does not tell."""

import re

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(r"""^\s*((?:"(?:[^"\\]|\\.)*"|'[^']*'|[A-Za-z0-9_\-.\s])+?)\s*=""")
_PART = re.compile(r"""\s*("(?:[^"\\]|\\.)*"|'[^']*'|[A-Za-z0-9_-]+)\s*\.?""")

Path = tuple[str | int, ...]


def find_places(text: str) -> dict[Path, int]:
    """Line (from 1) of every table header and every key that begins a line.

    A path is made of keys and, inside arrays of tables, of numbers from 0:
    ("line", 2, "points").
    """
    places: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    table: Path = ()
    depth = 0  # inside arrays and inline tables that go on over several lines
    quote = ""  # inside a string of several lines
    for number, line in enumerate(text.split("\n"), start=1):
        if not depth and not quote:
            header = _HEADER.match(line)
            if header:
                table = _open_table(header, counts)
                places.setdefault(table, number)
                continue
            key = _KEY.match(line)
            if key:
                path = table
                for part in _parts(key.group(1)):
                    path = (*path, part)
                    places.setdefault(path, number)
        depth, quote = _follow(line, depth, quote)
    return places


def _open_table(header: re.Match[str], counts: dict[Path, int]) -> Path:
    path: Path = ()
    parts = _parts(header.group(2))
    for i, part in enumerate(parts):
        path = (*path, part)
        is_last = i == len(parts) - 1
        if is_last and header.group(1) == "[[":
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


def _parts(text: str) -> list[str]:
    return [p[1:-1] if p[0] in "\"'" else p for p in _PART.findall(text)]


def _follow(line: str, depth: int, quote: str) -> tuple[int, str]:
    """Bracket depth and open multi-line string after `line`."""
    i = 0
    while i < len(line):
        if quote:
            end = line.find(quote, i)
            if end < 0:
                return depth, quote
            i, quote = end + 3, ""
        elif line.startswith(('"""', "'''"), i):
            quote, i = line[i : i + 3], i + 3
        elif line[i] == '"':
            i += 1
            while i < len(line) and line[i] != '"':
                i += 2 if line[i] == "\\" else 1
            i += 1
        elif line[i] == "'":
            end = line.find("'", i + 1)
            i = len(line) if end < 0 else end + 1
        elif line[i] == "#":
            return depth, quote
        else:
            depth += (line[i] in "[{") - (line[i] in "]}")
            i += 1
    return max(depth, 0), quote
