"""templates.json: the templates of a run as they were issued, for the next run to compare with."""

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.io.sources import read_bytes
from flatten.records.drawing import Circle, Ink, Polyline
from flatten.records.issue import EarlierRun
from flatten.records.outcome import Outcome
from flatten.records.template import NetEdge, Template

Array = NDArray[np.float64]

NAME = "templates.json"
_FORMAT = 1
_LAYERS = ("SCORE", "DETAIL", "HOLE", "SNIP")
_EDGE_WORDS = ("name", "joint", "fixing", "finish", "partner")
_MOST_BYTES = 256 * 1024**2


def issued_text(outcome: Outcome) -> str:
    """Every template without its lettering, in mm, to a thousandth.

    Templates that were left out of the drawings, being issued already, are listed too.
    """
    plies = [
        {
            "name": ply.ply.name,
            "material": ply.material.name,
            "templates": [_template(t) for t in ply.all_templates],
        }
        for ply in outcome.plies
    ]
    data = {"format": _FORMAT, "revision": outcome.job.revision, "plies": plies}
    return json.dumps(data, separators=(",", ":")) + "\n"


def _template(template: Template) -> dict[str, Any]:
    lines = [i for i in template.ink if isinstance(i, Polyline) and i.layer in _LAYERS]
    holes = [i for i in template.ink if isinstance(i, Circle)]
    return {
        "name": template.name,
        "panel": template.panel,
        "revision": template.revision,
        "face": template.face,
        "quantity": template.quantity,
        "cut": _points(template.cut),
        "net": [
            {key: getattr(edge, key) for key in _EDGE_WORDS}
            | {
                "allowance_mm": round(edge.allowance_mm, 3),
                "holes": edge.holes,
                "notches": [[round(at, 3), kind] for at, kind in edge.notches],
                "points": _points(edge.points),
            }
            for edge in template.net
        ],
        "lines": [[i.layer, i.closed, _points(i.points)] for i in lines],
        "holes": [[i.layer, *(round(c, 3) for c in (*i.centre, i.radius))] for i in holes],
    }


def _points(points: Array) -> list[list[float]]:
    return np.round(points, 3).tolist()


def read_issued(folder: Path) -> EarlierRun:
    """The templates of the run whose results are in `folder`.

    Raises
    ------
    BadInput : there is no such file, or it is not one of ours
    """
    path = folder / NAME
    if not path.is_file():
        raise BadInput(
            f"no {NAME} in {folder}", "--since", "name the folder that an earlier run has written"
        )
    try:
        data = json.loads(read_bytes(path, most=_MOST_BYTES))
        if data["format"] != _FORMAT:
            raise ValueError("another format")
        templates = {
            made.name: made
            for ply in data["plies"]
            for made in (_read(t, str(ply["name"])) for t in ply["templates"])
        }
        return EarlierRun(
            where=str(folder),
            revision=int(data["revision"]),
            templates=templates,
            materials={str(ply["name"]): str(ply["material"]) for ply in data["plies"]},
        )
    except (ValueError, KeyError, TypeError, AttributeError, IndexError, RecursionError):
        raise BadInput(
            "not the templates of an earlier run", str(path), "run that job again, or leave it out"
        ) from None


def _read(data: dict[str, Any], ply: str) -> Template:
    ink: list[Ink] = [
        Polyline(layer=layer, closed=bool(closed), points=_array(points))
        for layer, closed, points in data["lines"]
    ]
    ink += [
        Circle(layer=layer, centre=(_number(x), _number(y)), radius=_number(r))
        for layer, x, y, r in data["holes"]
    ]
    if data["face"] not in ("face", "back"):
        raise ValueError("no such face")
    return Template(
        name=str(data["name"]),
        ply=ply,
        panel=str(data["panel"]),
        net=tuple(
            NetEdge(
                name=str(edge["name"]),
                joint=str(edge["joint"]),
                fixing=str(edge["fixing"]),
                finish=str(edge["finish"]),
                partner=str(edge["partner"]),
                points=_array(edge["points"]),
                allowance_mm=_number(edge["allowance_mm"]),
                holes=int(edge["holes"]),
                notches=tuple((_number(at), int(kind)) for at, kind in edge["notches"]),
            )
            for edge in data["net"]
        ),
        cut=_array(data["cut"]),
        ink=tuple(ink),
        face=data["face"],
        quantity=int(data["quantity"]),
        revision=int(data["revision"]),
    )


def _array(points: Any) -> Array:
    array = np.array(points, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] != 2 or len(array) < 2 or not np.isfinite(array).all():
        raise ValueError("no line")
    return array


def _number(value: Any) -> float:
    number = float(value)
    if not math.isfinite(number):
        raise ValueError("no number")
    return number
