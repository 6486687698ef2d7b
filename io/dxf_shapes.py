"""Lines drawn in a DXF file, flattened to points in mm, each with the layer it is on."""

import io
import logging

import numpy as np
from ezdxf import recover
from ezdxf.disassemble import recursive_decompose
from ezdxf.lldxf.const import DXFError
from ezdxf.path import make_path
from numpy.typing import NDArray

from flatten.errors import BadInput

logging.getLogger("ezdxf").setLevel(logging.CRITICAL)

CHORD_MM = 0.05
MM_PER_INSUNITS = {1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0, 14: 100.0}
_CURVES = {"LINE", "ARC", "CIRCLE", "ELLIPSE", "SPLINE", "LWPOLYLINE", "POLYLINE"}


def dxf_shapes(data: bytes, name: str) -> list[tuple[str, NDArray[np.float64], bool]]:
    """(layer in small letters, points (k, 2) mm, closed) of every curve in the model space.

    A file that states no unit is taken as mm.

    Raises
    ------
    BadInput : it is not a DXF file
    """
    try:
        document, _ = recover.read(io.BytesIO(data))
        scale = MM_PER_INSUNITS.get(int(document.header.get("$INSUNITS", 0)), 1.0)
        shapes = []
        for entity in recursive_decompose(document.modelspace()):
            if entity.dxftype() not in _CURVES:
                continue
            path = make_path(entity)
            points = np.array([(p.x, p.y) for p in path.flattening(CHORD_MM / scale)]) * scale
            closed = bool(path.is_closed) and len(points) > 3
            if closed:
                points = points[:-1]
            if len(points) >= 2 and np.isfinite(points).all():
                shapes.append((str(entity.dxf.layer).lower(), points, closed))
    except (DXFError, OSError, ValueError, TypeError, AttributeError, KeyError, IndexError):
        raise BadInput("this is not a DXF file that can be read", name, "save it again") from None
    return shapes
