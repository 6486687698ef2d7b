"""Reads and writes a job's `[nesting]` (how long to look for a lay plan) and `[rates]` of handwork."""

from typing import Any

from flatten.io.entries import Entry
from flatten.records.effort import Effort, Rates

_FAMILIES = ("foam", "leather", "cloth", "card")
_SPEEDS = ("sew_mm_per_min", "glue_mm_per_min", "mark_mm_per_min", "score_mm_per_min")
_TIMES = ("corner_s", "hole_s", "stitch_s", "fastener_s", "lace_s")


def read_nesting(entry: Entry | None) -> Effort:
    """The `[nesting]` table: iterations or seconds, and a seed.

    Raises
    ------
    BadInput : names the line and the key
    """
    if entry is None:
        return Effort()
    seconds = entry.number("seconds", None, low=0.1, high=86400.0)
    iterations = entry.whole("iterations", 0) if entry.has("iterations") else None
    if seconds is not None and iterations is not None:
        raise entry.wrong("seconds", "the search ends by iterations or by seconds", "give one")
    effort = Effort(iterations=iterations, seconds=seconds, seed=entry.whole("seed", 0))
    entry.take("iterations", None)
    entry.close()
    return effort


def read_rates(entry: Entry | None) -> Rates:
    """The `[rates]` table; what is left out is common practice.

    Raises
    ------
    BadInput : names the line and the key
    """
    usual = Rates()
    if entry is None:
        return usual
    table = entry.table("cut_mm_per_min")
    cut = None
    if table is not None:
        cut = {f: table.number(f, low=1.0, high=1e6) for f in _FAMILIES if table.has(f)}
        for family in _FAMILIES:
            table.take(family, None)
        table.close()
    given: dict[str, Any] = {}
    given |= {k: entry.number(k, getattr(usual, k), low=1.0, high=1e6) for k in _SPEEDS}
    given |= {k: entry.number(k, getattr(usual, k), low=0.0, high=3600.0) for k in _TIMES}
    entry.close()
    return Rates(cut_mm_per_min=cut, **given)


def nesting_values(effort: Effort) -> dict[str, Any]:
    """The `[nesting]` table, ready to be written; what decides itself is left out."""
    return vars(effort)


def rates_values(rates: Rates) -> dict[str, Any]:
    """The `[rates]` table, ready to be written."""
    return {k: dict(v) if k == "cut_mm_per_min" and v else v for k, v in vars(rates).items()}
