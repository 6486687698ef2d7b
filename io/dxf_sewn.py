"""Writes templates in the sewn-products DXF profile, for pattern and cutting software.

ASTM D6673-10, Standard Practice for Sewn Products Pattern Data Interchange (withdrawn 2019): an
R12 file, one block per piece, layers by number; layer numbers from its published summary, the
text keywords from memory.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import TypeGuard

import numpy as np
from ezdxf import options as ezdxf_options  # pyright: ignore[reportPrivateImportUsage]
from ezdxf.filemanagement import new as new_document
from ezdxf.layouts.blocklayout import BlockLayout
from ezdxf.layouts.layout import Modelspace
from numpy.typing import NDArray

from flatten.errors import CannotWrite
from flatten.records.drawing import Circle, Ink, Polyline, Text
from flatten.records.template import Template, TemplateSet

Array = NDArray[np.float64]

BOUNDARY, TURN, CURVE, NOTCH, GRAIN, INSIDE, CUT_OUT, DRILL, SEW, TEXT, CHECK_NOTCH = (
    "1", "2", "3", "4", "7", "8", "11", "13", "14", "15", "82",
)  # fmt: skip
_LAYERS = (
    BOUNDARY, TURN, CURVE, NOTCH, GRAIN, INSIDE, CUT_OUT, DRILL, SEW, TEXT, CHECK_NOTCH,
)  # fmt: skip
# A corner that turns by more than this is a turn point, others are points of a curve.
_TURN_DEG = 20.0
_TEXT_MM = 5.0
_GAP_MM = 50.0


def write_sewn_dxf(
    template_set: TemplateSet, path: str | Path, *, title: str, wearer: str = "", size: str = "1"
) -> None:
    """Writes one block per template, laid out in a row, in mm (the profile's "metric").

    Layer 1 the cut line, 2 and 3 its turn and curve points, 4 and 82 (V) notches, 7 grain line, 8
    lines inside that are not cut, 11 cut-outs, 13 drill holes, 14 the net (sew) line, 15 text.

    Raises
    ------
    CannotWrite : the file cannot be written
    """
    material = template_set.flat_set.material.name
    kept = ezdxf_options.write_fixed_meta_data_for_testing
    ezdxf_options.write_fixed_meta_data_for_testing = True
    try:
        document = new_document("R12", setup=False, units=0)
        for number in _LAYERS:
            document.layers.add(number)
        space = document.modelspace()
        x = 0.0
        for index, template in enumerate(template_set.templates, start=1):
            block = document.blocks.new(f"PIECE-{index}")
            _piece(block, template, material, size)
            low, span = template.cut.min(axis=0), np.ptp(template.cut, axis=0)
            space.add_blockref(block.name, (x - float(low[0]), -float(low[1])))
            x += float(span[0]) + _GAP_MM
        head = (f"STYLE NAME: {title}", f"SAMPLE SIZE: {size}", "UNITS: METRIC")
        note = (f"ANNOTATION: for {wearer}",) if wearer else ()
        _words(space, (*head, *note), (0.0, -4 * _TEXT_MM))
        document.saveas(path)
    except OSError as error:
        raise CannotWrite(f"{path}: {error.strerror or error}") from error
    finally:
        ezdxf_options.write_fixed_meta_data_for_testing = kept


def _piece(block: BlockLayout, template: Template, material: str, size: str) -> None:
    cut = _from_a_turn(template.cut)
    block.add_polyline2d(cut.tolist(), close=True, dxfattribs={"layer": BOUNDARY})
    for point, turns in zip(cut.tolist(), _turns(cut), strict=True):
        block.add_point(point, dxfattribs={"layer": TURN if turns else CURVE})
    for ring in template.inner:
        block.add_polyline2d(ring.tolist(), close=True, dxfattribs={"layer": CUT_OUT})
    net = np.concatenate([edge.points[:-1] for edge in template.net])
    block.add_polyline2d(net.tolist(), close=True, dxfattribs={"layer": SEW})
    marks = {i.points.tobytes() for i in template.ink if i.layer == "NOTCH" and _is_line(i)}
    for ink in template.ink:
        if ink.layer == "SNIP" and _is_line(ink) and ink.points.tobytes() in marks:
            continue  # the profile's notches are cut, so the match mark stands for its snip
        if isinstance(ink, Circle):
            # The diameter of a drill hole travels as the point's thickness.
            attributes = {"layer": DRILL, "thickness": 2 * ink.radius}
            block.add_point(ink.centre, dxfattribs=attributes)
        elif isinstance(ink, Polyline):
            _line(block, ink, cut)
    words = (
        f"PIECE NAME: {template.name}",
        f"SIZE: {size}",
        f"QUANTITY: {template.quantity}",
        f"MATERIAL: {material}",
        f"CATEGORY: {template.ply}",
        f"ANNOTATION: {template.face} up",
        *(f"ANNOTATION: {t.text}" for t in template.ink if isinstance(t, Text)),
    )
    _words(block, words, tuple(template.cut.mean(axis=0).tolist()))


def _is_line(ink: Ink) -> TypeGuard[Polyline]:
    return isinstance(ink, Polyline)


def _line(block: BlockLayout, ink: Polyline, cut: Array) -> None:
    """A drawn line on the layer that the profile has for it."""
    points = ink.points.tolist()
    if ink.layer == "NET" or len(points) < 2:
        return  # the whole net line has been written as one
    if ink.layer == "SNIP" and len(points) == 3:  # a V, by its mouth's middle
        mouth, depth = ink.points[[0, 2]].mean(axis=0), ink.points[1]
        size = float(np.linalg.norm(mouth - depth))
        block.add_point(mouth.tolist(), dxfattribs={"layer": CHECK_NOTCH, "thickness": size})
    elif ink.layer in ("NOTCH", "SNIP") and not ink.closed:
        ends = ink.points[[0, -1]]
        near = int(np.min(np.linalg.norm(ends[:, None] - cut, axis=2), axis=1).argmin())
        depth = float(np.linalg.norm(ends[1] - ends[0]))
        block.add_point(ends[near].tolist(), dxfattribs={"layer": NOTCH, "thickness": depth})
    elif ink.layer == "GRAIN" and len(points) == 2:
        block.add_line(points[0], points[1], dxfattribs={"layer": GRAIN})
    elif ink.layer != "GRAIN":
        block.add_polyline2d(points, close=ink.closed, dxfattribs={"layer": INSIDE})


def _turns(ring: Array) -> NDArray[np.bool_]:
    """(k,) which points of a closed line are corners."""
    before = ring - np.roll(ring, 1, axis=0)
    after = np.roll(ring, -1, axis=0) - ring
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    angle = np.abs(np.degrees(np.arctan2(cross, (before * after).sum(axis=1))))
    return angle > _TURN_DEG


def _from_a_turn(ring: Array) -> Array:
    """The same closed line, begun at a turn point where it has one."""
    return np.roll(ring, -int(_turns(ring).argmax()), axis=0)


def _words(layout: BlockLayout | Modelspace, lines: Sequence[str], start: Sequence[float]) -> None:
    for i, line in enumerate(lines):
        at = (start[0], start[1] - 2 * _TEXT_MM * i)
        attributes = {"layer": TEXT, "height": _TEXT_MM, "insert": at}
        layout.add_text("".join(c for c in line if c.isprintable()), dxfattribs=attributes)
