"""Reads the `[[material]]` and `[[stock]]` entries of a job file."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from flatten.errors import BadInput
from flatten.io.entries import Entry
from flatten.io.sources import named_file, read_bytes
from flatten.records.bundled import ALLOWANCES, bundled_material, bundled_stock
from flatten.records.material import Allowance, Limit, Material, Stock, same

_T = TypeVar("_T", Material, Stock)
Family = Literal["foam", "leather", "cloth", "card"]
_FAMILIES: tuple[Family, ...] = ("foam", "leather", "cloth", "card")
# Words in a material's name that tell its family where the job does not.
_WORDS: dict[str, Family] = {
    "foam": "foam", "leather": "leather", "tan": "leather", "hide": "leather", "suede": "leather",
    "card": "card", "paper": "card", "cloth": "cloth", "cotton": "cloth", "knit": "cloth",
    "fabric": "cloth", "woven": "cloth", "felt": "cloth", "calico": "cloth",
}  # fmt: skip
_MAX_OUTLINE = 16 * 1024**2


def read_materials(entries: list[Entry]) -> tuple[Material, ...]:
    """The job's own materials; what an entry leaves out is as in the bundled one of its name.

    Raises
    ------
    BadInput : names the line and the key
    """
    return _unique(entries, [_read_material(e) for e in entries])


def read_stocks(entries: list[Entry], folder: Path) -> tuple[Stock, ...]:
    """The job's own stocks, likewise; an `outline` may be points or a JSON file beside the job.

    Raises
    ------
    BadInput : names the line and the key
    """
    return _unique(entries, [_read_stock(e, folder) for e in entries])


def _unique(entries: list[Entry], things: list[_T]) -> tuple[_T, ...]:
    names = [thing.name for thing in things]
    for i, name in enumerate(names):
        if name in names[:i]:
            raise entries[i].wrong("name", f"'{name}' is there twice", "give one another name")
    return tuple(things)


def _read_material(entry: Entry) -> Material:
    name = entry.name("name")
    base = bundled_material(name)
    bevel = entry.flag("bevel", base.bevel if base else _family_of(name) == "foam")
    grain = entry.choice("grain", ("free", "along"), base.grain if base else "free")
    family = entry.choice("family", _FAMILIES, base.family if base else None)
    if family is None:
        family = _family_of(name) or ("foam" if bevel else "cloth" if grain == "along" else "card")
    if base is None:
        base = Material(
            name=name,
            family=family,
            thickness_mm=entry.number("thickness_mm", low=0.0, high=100.0),
            stretch_pct=_limit(entry, "stretch_pct", None),
            squeeze_pct=_limit(entry, "squeeze_pct", None),
            allowance_mm=ALLOWANCES[family],
            source="the job's own",
        )
    else:
        base = replace(
            base,
            thickness_mm=entry.number("thickness_mm", base.thickness_mm, low=0.0, high=100.0),
            stretch_pct=_limit(entry, "stretch_pct", base.stretch_pct),
            squeeze_pct=_limit(entry, "squeeze_pct", base.squeeze_pct),
        )
    material = replace(
        base,
        family=family,
        bevel=bevel,
        grain=grain,
        k=entry.number("k", base.k, low=0.0, high=1.0),
        grain_tol_deg=entry.number("grain_tol_deg", base.grain_tol_deg, low=0.0, high=90.0),
        one_way=entry.flag("one_way", base.one_way),
        kerf_mm=entry.number("kerf_mm", base.kerf_mm, low=0.0, high=10.0),
        shrink_pct=entry.number("shrink_pct", base.shrink_pct, low=0.0, high=30.0),
        laser=entry.choice("laser", ("ok", "ask", "never"), base.laser),
        may_hold_pvc=entry.flag("may_hold_pvc", base.may_hold_pvc),
        allowance_mm=_allowance(entry.table("allowance_mm"), base.allowance_mm),
        source=entry.text("source", base.source),
    )
    entry.close()
    return material


def _family_of(name: str) -> Family | None:
    return next((family for word, family in _WORDS.items() if word in name.lower()), None)


def _limit(entry: Entry, key: str, default: Limit | None) -> Limit:
    """A number for every direction, or a table of warp, weft and bias."""
    if default is not None and not entry.has(key):
        entry.take(key, None)
        return default
    value: Any = entry.take(key)
    if isinstance(value, dict):
        table = Entry(entry.file, value, (*entry.path, key), entry.places)
        limit = Limit(
            warp=table.number("warp", low=0.0, high=200.0),
            weft=table.number("weft", low=0.0, high=200.0),
            bias=table.number("bias", low=0.0, high=200.0),
        )
        table.close()
        return limit
    number = Entry(entry.file, {key: value}, entry.path, entry.places)
    return same(number.number(key, low=0.0, high=200.0))


def _allowance(table: Entry | None, default: Allowance) -> Allowance:
    if table is None:
        return default
    allowance = Allowance(
        butt=table.number("butt", default.butt, low=0.0, high=200.0),
        seam=table.number("seam", default.seam, low=0.0, high=200.0),
        lap=table.number("lap", default.lap, low=0.0, high=200.0),
        gap=table.number("gap", default.gap, low=0.0, high=200.0),
        rim=table.number("rim", default.rim, low=0.0, high=200.0),
    )
    table.close()
    return allowance


def _read_stock(entry: Entry, folder: Path) -> Stock:
    name = entry.name("name")
    base = bundled_stock(name)
    kind = entry.choice("kind", ("sheet", "roll", "hide"), *((base.kind,) if base else ()))
    outline, holes = _outline(entry, folder, kind)
    if outline is not None:
        low, high = outline.min(axis=0), outline.max(axis=0)
        size = (float(high[1] - low[1]), float(high[0] - low[0]))
    else:
        size = (base.width_mm, base.length_mm) if base else (0.0, 0.0)
    stock = Stock(
        name=name,
        kind=kind,
        width_mm=entry.number("width_mm", size[0], low=0.0, high=100_000.0),
        length_mm=entry.number("length_mm", size[1], low=0.0, high=1_000_000.0),
        count=entry.whole("count", base.count if base else 0),
        gap_mm=entry.number("gap_mm", base.gap_mm if base else 3.0, low=0.0, high=100.0),
        margin_mm=entry.number("margin_mm", base.margin_mm if base else 5.0, low=0.0, high=500.0),
        price=entry.number("price", base.price if base else 0.0, low=0.0),
        outline=outline,
        holes=holes,
    )
    if stock.width_mm <= 0:
        raise entry.wrong("width_mm", "the stock has no width", "add width_mm = ...")
    if kind == "sheet" and stock.length_mm <= 0:
        raise entry.wrong("length_mm", "the sheet has no length", "add length_mm = ...")
    entry.close()
    return stock


def _outline(
    entry: Entry, folder: Path, kind: str
) -> tuple[NDArray[np.float64] | None, tuple[NDArray[np.float64], ...]]:
    """Outline and flaws of a hide, in mm, from the job or from a JSON file.

    The file holds a list of points, or {"outline": points, "holes": [points, ...]}.
    """
    value = entry.take("outline", None)
    holes: Any = entry.take("holes", [])
    if value is None:
        if kind == "hide":
            raise entry.wrong("outline", "a hide needs its outline", "add outline = [[x, y], ...]")
        return None, ()
    if kind != "hide":
        raise entry.wrong("outline", f"a {kind} has no outline", 'use kind = "hide"')
    if isinstance(value, str):
        file = named_file(value, folder)
        if file is None:
            raise entry.wrong("outline", f"no such file: {value}", f"it was looked for in {folder}")
        try:
            value = json.loads(read_bytes(file, most=_MAX_OUTLINE))
        except BadInput as error:
            raise entry.wrong("outline", str(error)) from None
        except (ValueError, RecursionError):
            raise entry.wrong("outline", f"{file.name} is not JSON") from None
        if isinstance(value, dict):
            holes = value.get("holes", [])
            value = value.get("outline")
    outline = entry.as_points("outline", value, 2, 3)
    if not isinstance(holes, list):
        raise entry.wrong("holes", "should be a list of outlines")
    return outline, tuple(entry.as_points("holes", hole, 2, 3) for hole in holes)
