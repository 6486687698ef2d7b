"""Pages of paper: their sizes, upright and lying, what is printed on them, and their names."""

from flatten.errors import BadInput
from flatten.records.pages import PAPERS, ROLLS, SHEETS

# A PDF page may be 14,400 units of 1/72 inch (ISO 32000, annex C).
LONGEST_MM = 5080.0


def check_pages(
    page: tuple[float, float], paper: str, margin_mm: float, overlap_mm: float
) -> tuple[float, float]:
    """Width and height of what is printed on a page.

    Raises
    ------
    BadInput : margins and overlap leave nothing of it
    """
    printed = (page[0] - 2 * margin_mm, page[1] - 2 * margin_mm)
    if min(printed) <= 2 * overlap_mm or overlap_mm < 0 or margin_mm < 0:
        raise BadInput("margin and overlap leave no room on the page", paper, "make them less")
    return printed


def pages_of(
    paper: str, region: tuple[float, float, float, float], margin: float
) -> list[tuple[float, float]]:
    """Page sizes to choose from, upright first.

    Raises
    ------
    BadInput : the paper is unknown
    """
    if paper in SHEETS:
        short, long = SHEETS[paper]
        return [(short, long), (long, short)]
    if paper in ROLLS:
        width = ROLLS[paper]
        # Never shorter than wide enough for the check bars.
        high = min(max(region[3] - region[1] + 2 * margin, 250.0), LONGEST_MM)
        wide = min(max(region[2] - region[0] + 2 * margin, 250.0), LONGEST_MM)
        return [(width, high), (wide, width)]
    raise BadInput(f"unknown paper '{paper}'", "paper", f"use one of {', '.join(PAPERS)}")


def page_name(column: int, row: int) -> str:
    """ "A1" at the upper left, then "B1" beside it and "A2" below."""
    return f"{_letters(column)}{row + 1}"


def _letters(number: int) -> str:
    """A to Z, then AA, AB, ..."""
    text = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        text = chr(ord("A") + rest) + text
    return text
