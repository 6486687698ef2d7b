"""A table of a job file, read key by key; what is left over or of the wrong type is an error."""

import difflib
import math
from collections.abc import Iterable, Mapping
from typing import Any, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.io.toml_places import Path as KeyPath

_MISSING = object()
Triple = tuple[float, float, float]
_N = TypeVar("_N", bound="Named")


def near(word: str, known: Iterable[str]) -> str:
    """A hint at the known word that is nearest, or at all of them where they are few."""
    known = list(known)
    close = difflib.get_close_matches(word, known, n=1, cutoff=0.6)
    if close:
        return f"did you mean '{close[0]}'?"
    return f"use {', '.join(known[:-1])} or {known[-1]}" if 1 < len(known) <= 8 else ""


class Named(Protocol):
    """Whatever has a name."""

    @property
    def name(self) -> str: ...


def each_once(entries: "list[Entry]", things: list[_N]) -> list[_N]:
    """The things that were read from the entries.

    Raises
    ------
    BadInput : two have the same name
    """
    names = [thing.name for thing in things]
    for i, name in enumerate(names):
        if name in names[:i]:
            raise entries[i].wrong("name", f"'{name}' is there twice", "give one another name")
    return things


class Entry:
    """One table: every getter takes a key off it, `close` complains about those left.

    Parameters
    ----------
    file : the job file's name, for messages
    table : its keys and values
    path : where it stands in the file
    places : line of every key, from `find_places`
    """

    def __init__(
        self, file: str, table: Mapping[str, Any], path: KeyPath, places: Mapping[KeyPath, int]
    ) -> None:
        self.file, self.path, self.places = file, path, places
        self._left = dict(table)
        self._known: list[str] = []

    def where(self, key: str = "") -> str:
        """File, line and key, as an error names them."""
        path: KeyPath = (*self.path, key) if key else self.path
        label = ".".join(str(p) for p in path if isinstance(p, str))
        number = next((p + 1 for p in path if isinstance(p, int)), None)
        if number is not None:
            label += f" (number {number})"
        while path and path not in self.places:
            if (*path, 0) in self.places:
                path = (*path, 0)
                break
            path = path[:-1]
        line = f", line {self.places[path]}" if path in self.places else ""
        return f"{self.file}{line}" + (f", {label}" if label else "")

    def wrong(self, key: str, what: str, fix: str = "") -> BadInput:
        return BadInput(what, self.where(key), fix)

    def take(self, key: str, default: Any = _MISSING) -> Any:
        """The raw value; BadInput where it is missing and has no default."""
        self._known.append(key)
        value = self._left.pop(key, default)
        if value is _MISSING:
            raise BadInput(f"'{key}' is missing", self.where(), f"add {key} = ...")
        return value

    def has(self, key: str) -> bool:
        return key in self._left

    def text(self, key: str, default: Any = _MISSING) -> Any:
        value = self.take(key, default)
        if value is default:
            return value
        if not isinstance(value, str):
            raise self.wrong(key, f"should be text, not {_said(value)}", f'{key} = "..."')
        return value

    def name(self, key: str, default: Any = _MISSING) -> Any:
        """Text that is not blank and holds no control characters."""
        value = self.text(key, default)
        if value is not default and (not value.strip() or not value.isprintable()):
            raise self.wrong(key, "should be a name", "use letters, numbers and spaces")
        return value

    def choice(self, key: str, known: Iterable[str], default: Any = _MISSING) -> Any:
        known = list(known)
        value = self.text(key, default)
        if value is not default and value not in known:
            raise self.wrong(key, f"unknown {key} '{value}'", near(value, known))
        return value

    def flag(self, key: str, default: bool) -> bool:
        value = self.take(key, default)
        if not isinstance(value, bool):
            raise self.wrong(key, f"should be true or false, not {_said(value)}")
        return value

    def number(
        self,
        key: str,
        default: Any = _MISSING,
        *,
        low: float = -math.inf,
        high: float = math.inf,
    ) -> Any:
        value = self.take(key, default)
        if value is default:
            return value
        if not _is_number(value):
            raise self.wrong(key, f"should be a number, not {_said(value)}")
        if not low <= value <= high:
            if math.isinf(high):
                limits = f"{low:g} or more"
            elif math.isinf(low):
                limits = f"{high:g} or less"
            else:
                limits = f"from {low:g} to {high:g}"
            raise self.wrong(key, f"{value:g} is out of range", f"it should be {limits}")
        return float(value)

    def whole(self, key: str, default: int, *, low: int = 0) -> int:
        value = self.take(key, default)
        if not isinstance(value, int) or isinstance(value, bool) or value < low:
            raise self.wrong(key, f"should be a whole number of {low} or more")
        return value

    def names(self, key: str, default: tuple[str, ...]) -> tuple[str, ...]:
        value = self.take(key, default)
        if value is default:
            return default
        if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
            raise self.wrong(key, "should be a list of names", f'{key} = ["..."]')
        return tuple(value)

    def one_or_more(self, key: str) -> tuple[str, ...]:
        """A name, or a list of one or more, each once."""
        value = self.take(key)
        names = [value] if isinstance(value, str) else value
        if not isinstance(names, list) or not names or not all(isinstance(n, str) for n in names):
            raise self.wrong(key, "should be a name or a list of names", f'{key} = "..."')
        if any(not n.strip() or not n.isprintable() for n in names):
            raise self.wrong(key, "should be a name", "use letters, numbers and spaces")
        return tuple(dict.fromkeys(names))

    def point(self, key: str, default: Any = _MISSING) -> Any:
        value = self.take(key, default)
        if value is default:
            return value
        if not isinstance(value, list) or len(value) != 3 or not all(map(_is_number, value)):
            raise self.wrong(key, "should be three numbers [x, y, z]")
        return tuple(float(v) for v in value)

    def points(self, key: str, width: int, least: int) -> NDArray[np.float64]:
        """(k, width) numbers, at least `least` rows."""
        return self.as_points(key, self.take(key), width, least)

    def as_points(self, key: str, value: Any, width: int, least: int) -> NDArray[np.float64]:
        shape = "[x, y, z]" if width == 3 else "[x, y]"
        if not isinstance(value, list) or len(value) < least:
            raise self.wrong(key, f"should be a list of {least} or more points {shape}")
        for i, row in enumerate(value, start=1):
            if not isinstance(row, list) or len(row) != width or not all(map(_is_number, row)):
                raise self.wrong(key, f"point {i} should be {width} numbers {shape}")
        return np.array(value, dtype=np.float64)

    def table(self, key: str) -> "Entry | None":
        """A table below this one, None where there is none."""
        value = self.take(key, None)
        if value is None:
            return None
        if not isinstance(value, dict):
            raise self.wrong(key, f"should be a table, not {_said(value)}")
        return Entry(self.file, value, (*self.path, key), self.places)

    def tables(self, key: str) -> "list[Entry]":
        """An array of tables below this one."""
        value = self.take(key, [])
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
            label = ".".join([*(str(p) for p in self.path), key])
            raise self.wrong(key, "should be a list of tables", f"write [[{label}]]")
        return [Entry(self.file, v, (*self.path, key, i), self.places) for i, v in enumerate(value)]

    def keys(self) -> list[str]:
        """Keys not yet taken, for tables whose keys are names."""
        return list(self._left)

    def close(self) -> None:
        """Every key has been taken.

        Raises
        ------
        BadInput : names the first key that has not, and the nearest one that is known
        """
        for key in self._left:
            raise BadInput(f"unknown key '{key}'", self.where(key), near(key, self._known))


def _is_number(value: Any) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return abs(value) <= 1e15  # false for nan and inf too; integers may be of any size


def _said(value: Any) -> str:
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    kinds = {bool: "true or false", str: "text", list: "a list", dict: "a table"}
    return kinds.get(type(value), "a number" if isinstance(value, int | float) else "a date")
