"""Openings and girths of a cast as rows of the machine-readable results."""

from typing import Any

from flatten.records.cast import Girth, Rim


def opening_row(rim: Rim) -> dict[str, Any]:
    """One entry of `openings`."""
    return {
        "name": rim.name,
        "length_mm": rim.smooth_length_mm,
        "ragged_length_mm": rim.length_mm,
        "flatness_mm": rim.flatness_mm,
        "centre": rim.centre.tolist(),
    }


def girth_row(girth: Girth) -> dict[str, Any]:
    """One entry of `girths`."""
    return {
        "at": girth.at.tolist(),
        "asked_mm": girth.asked_mm,
        "measured_mm": girth.measured_mm,
        "over_wrap": girth.over_wrap,
        "allowed_mm": girth.allowed_mm,
    }


def rounded(value: Any, digits: int) -> Any:
    """The same rows with every float, also in lists, to so many digits."""
    if isinstance(value, float):
        return round(value, digits)
    if isinstance(value, dict):
        return {k: rounded(v, digits) for k, v in value.items()}
    if isinstance(value, list):
        return [rounded(v, digits) for v in value]
    return value
