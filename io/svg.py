"""Writes a drawing as SVG: a group per layer, size in mm, the same way round as the DXF.

W3C SVG 1.1, chapters 5, 7 and 8; lengths in user units are mm through the viewBox.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Literal
from xml.sax.saxutils import escape, quoteattr

from flatten.errors import CannotWrite
from flatten.geometry.placing import bounds, sheet_ink, stroked
from flatten.records.drawing import LAYERS, Circle, Drawing, Ink, Layer, Polyline

Process = Literal["cut", "score", "mark", "guide"]

# What a cutter does with each group; "guide" is for the eye and is sent to no tool.
PROCESSES: dict[Process, tuple[Layer, ...]] = {
    "cut": ("CUT", "SNIP", "HOLE"),
    "score": ("SCORE",),
    "mark": ("NET", "NOTCH", "DETAIL", "GRAIN", "LABEL"),
    "guide": ("STOCK", "TEST"),
}
ALL: tuple[Process, ...] = ("cut", "score", "mark", "guide")
# One for each process, so that a machine's program can sort by colour; told apart by eye too.
COLOURS: dict[Process, str] = {
    "cut": "#1f2430",
    "score": "#1b7f79",
    "mark": "#8a5a2b",
    "guide": "#9a9a96",
}
_WIDTH_MM = 0.1
_EDGE_MM = 5.0


def write_svg(
    drawing: Drawing, path: str | Path, processes: Sequence[Process] = ALL, remark: str = ""
) -> None:
    """Writes the groups of the `processes` named to `path`.

    Left stays left and up stays up: y alone is turned over, together with the page, so nothing is
    mirrored. Lettering becomes single strokes. `remark` becomes the file's description.

    Raises
    ------
    CannotWrite : the file cannot be written
    """
    try:
        Path(path).write_text(svg_text(drawing, processes, remark), encoding="utf-8", newline="\n")
    except OSError as error:
        raise CannotWrite(f"{path}: {error.strerror or error}") from None


def svg_text(drawing: Drawing, processes: Sequence[Process] = ALL, remark: str = "") -> str:
    """The drawing as SVG text."""
    everything = list(sheet_ink(drawing))
    if everything:
        low_x, low_y, high_x, high_y = bounds([ink for _, ink in everything])
    else:
        low_x, low_y, high_x, high_y = 0.0, 0.0, drawing.width_mm, drawing.height_mm
    left, top = low_x - _EDGE_MM, high_y + _EDGE_MM
    width, height = high_x - low_x + 2 * _EDGE_MM, high_y - low_y + 2 * _EDGE_MM
    out = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<svg xmlns="http://www.w3.org/2000/svg" version="1.1" '
        f'width="{_number(width)}mm" height="{_number(height)}mm" '
        f'viewBox="0 0 {_number(width)} {_number(height)}">',
        f"<title>{escape(_printable(drawing.title))}</title>",
    ]
    if remark:
        out.append(f"<desc>{escape(_printable(remark))}</desc>")
    for layer in LAYERS:
        process = _process_of(layer)
        if process in processes:
            out += _group(layer, process, everything, left, top)
    out.append("</svg>\n")
    return "\n".join(out)


def _process_of(layer: Layer) -> Process:
    for process in ALL:
        if layer in PROCESSES[process]:
            return process
    raise KeyError(layer)


def _group(
    layer: Layer,
    process: Process,
    everything: list[tuple[str, Ink]],
    left: float,
    top: float,
) -> list[str]:
    """One group; what belongs to one template stands together in it."""
    rows = [
        f'<g id="{layer}" class="{process}" fill="none" stroke="{COLOURS[process]}" '
        f'stroke-width="{_WIDTH_MM}" stroke-linecap="round" stroke-linejoin="round">'
    ]
    current = ""
    for block, ink in everything:
        if ink.layer != layer:
            continue
        if block != current:
            if current:
                rows.append("</g>")
            if block:
                rows.append(f"<g class={quoteattr(block)}>")
            current = block
        rows += [_element(part, left, top) for part in stroked(ink)]
    if current:
        rows.append("</g>")
    rows.append("</g>")
    return rows if len(rows) > 2 else []


def _element(ink: Polyline | Circle, left: float, top: float) -> str:
    if isinstance(ink, Circle):
        x, y = ink.centre
        return (
            f'<circle cx="{_number(x - left)}" cy="{_number(top - y)}" r="{_number(ink.radius)}"/>'
        )
    points = " L".join(f"{_number(x - left)},{_number(top - y)}" for x, y in ink.points.tolist())
    return f'<path d="M{points}{"Z" if ink.closed else ""}"/>'


def _number(value: float) -> str:
    """Four decimals at most: a tenth of a micrometre."""
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _printable(text: str) -> str:
    """Without control characters, which XML does not allow."""
    return "".join(c for c in text if c.isprintable())
