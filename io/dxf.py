"""Writes a drawing as DXF: layers, one block per template, true size in mm or inches.

DXF reference, group codes and header variables ($INSUNITS, $MEASUREMENT).
"""

import logging
from pathlib import Path

from ezdxf import options as ezdxf_options  # pyright: ignore[reportPrivateImportUsage]
from ezdxf.document import Drawing as Document
from ezdxf.filemanagement import new as new_document
from ezdxf.layouts.blocklayout import BlockLayout
from ezdxf.layouts.layout import Modelspace

from flatten.errors import CannotWrite
from flatten.geometry.placing import bounds, mirrored, sheet_ink, stroked
from flatten.records.drawing import LAYERS, Circle, Drawing, Layer, Polyline
from flatten.records.making import DxfUnit, DxfVersion

# It would print what it leaves out of old versions, or mends, beside our own messages.
logging.getLogger("ezdxf").setLevel(logging.CRITICAL)

# Colour numbers that are told apart on black and on white paper.
COLOURS: dict[Layer, int] = {
    "CUT": 7, "NET": 33, "SCORE": 133, "NOTCH": 23, "SNIP": 213, "HOLE": 173, "DETAIL": 43, "GRAIN": 93,
    "LABEL": 253, "STOCK": 8, "TEST": 9,
}  # fmt: skip
_MM_PER_INCH = 25.4
MIRRORED = "-M"


def write_dxf(
    drawing: Drawing, path: str | Path, version: DxfVersion = "R2010", unit: DxfUnit = "mm"
) -> None:
    """Writes `drawing` to `path`.

    Lettering becomes single strokes on its layer. The same drawing always gives the same bytes.

    Raises
    ------
    CannotWrite : the file cannot be written
    """
    scale = 1.0 if unit == "mm" else 1.0 / _MM_PER_INCH
    is_metric = unit == "mm"
    # Without this the writer puts the time and a random number into every file.
    kept = ezdxf_options.write_fixed_meta_data_for_testing
    ezdxf_options.write_fixed_meta_data_for_testing = True
    try:
        units = 4 if is_metric else 1
        document = new_document(version, setup=False, units=0 if version == "R12" else units)
        if version != "R12":  # it has no header variables for units
            document.header["$INSUNITS"] = units
            document.header["$MEASUREMENT"] = int(is_metric)
        for name in ("ACDBPLACEHOLDER", "LAYOUT"):  # else the writer adds them in any order
            document.classes.add_class(name)
        for layer in LAYERS:
            document.layers.add(layer, color=COLOURS[layer])
        space = document.modelspace()
        blocks = {block.name: block for block in drawing.blocks}
        for insert in drawing.inserts:
            # A mirrored piece has a block of its own, so that its lettering still reads.
            name = insert.block + (MIRRORED if insert.mirrored else "")
            if name not in document.blocks:
                layout = document.blocks.new(name)
                for ink in blocks[insert.block].ink:
                    for part in stroked(mirrored(ink) if insert.mirrored else ink):
                        _draw(layout, part, scale)
            space.add_blockref(
                name,
                (insert.at[0] * scale, insert.at[1] * scale),
                dxfattribs={"rotation": insert.angle_deg, "layer": "0"},
            )
        for ink in drawing.ink:
            for part in stroked(ink):
                _draw(space, part, scale)
        _set_extents(document, space, drawing, scale)
        document.saveas(path)
    except OSError as error:
        raise CannotWrite(f"{path}: {error.strerror or error}") from error
    finally:
        ezdxf_options.write_fixed_meta_data_for_testing = kept


def _draw(layout: BlockLayout | Modelspace, ink: Polyline | Circle, scale: float) -> None:
    attributes = {"layer": ink.layer}
    if isinstance(ink, Circle):
        centre = (ink.centre[0] * scale, ink.centre[1] * scale)
        layout.add_circle(centre, ink.radius * scale, dxfattribs=attributes)
        return
    points = [(x * scale, y * scale) for x, y in ink.points.tolist()]
    if len(points) == 1:
        layout.add_point(points[0], dxfattribs=attributes)
    elif layout.dxfversion == "AC1009":
        layout.add_polyline2d(points, close=ink.closed, dxfattribs=attributes)
    elif len(points) > 1:
        layout.add_lwpolyline(points, close=ink.closed, dxfattribs=attributes)


def _set_extents(document: Document, space: Modelspace, drawing: Drawing, scale: float) -> None:
    """Extents and view, so that the whole sheet is seen when the file is opened."""
    inks = [ink for _, ink in sheet_ink(drawing)]
    if not inks:
        return
    low_x, low_y, high_x, high_y = (v * scale for v in bounds(inks))
    document.header["$EXTMIN"] = (low_x, low_y, 0.0)
    document.header["$EXTMAX"] = (high_x, high_y, 0.0)
    if document.dxfversion != "AC1009":
        space.reset_extents((low_x, low_y, 0.0), (high_x, high_y, 0.0))
    height = max(high_y - low_y, (high_x - low_x) / 1.6) * 1.1
    document.set_modelspace_vport(height, ((low_x + high_x) / 2, (low_y + high_y) / 2))
