"""Reads the `[[stock]]` entries of a job file: sheets, rolls, hides, and offcuts of earlier jobs."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from flatten.errors import BadInput
from flatten.io.entries import Entry, each_once
from flatten.io.hide_photo import read_photo
from flatten.io.offcuts import read_offcuts
from flatten.io.outlines import Outlines, read_outlines
from flatten.io.sources import named_file
from flatten.records.bundled import bundled_stock
from flatten.records.material import Stock, Zone

Groups = dict[str, tuple[str, ...]]
_SHAPED = ("hide", "offcut")


def read_stocks(entries: list[Entry], folder: Path) -> tuple[tuple[Stock, ...], Groups]:
    """The job's own stocks, and for each that stands for a file of offcuts the names of those.

    What an entry leaves out is as in the bundled one of its name. The outline of a hide may be
    points, a file beside the job (JSON, DXF, SVG) or found in a photograph.

    Raises
    ------
    BadInput : names the line and the key
    """
    stocks: list[Stock] = []
    origins: list[Entry] = []
    groups: Groups = {}
    for entry in entries:
        if entry.has("file"):
            found = _read_offcuts(entry, folder)
            groups[found[0].name.rsplit(" ", 1)[0]] = tuple(s.name for s in found)
        else:
            found = [_read_stock(entry, folder)]
        stocks += found
        origins += [entry] * len(found)
    return tuple(each_once(origins, stocks)), groups


def _file(entry: Entry, key: str, value: str, folder: Path) -> Path:
    file = named_file(value, folder)
    if file is None:
        raise entry.wrong(key, f"no such file: {value}", f"it was looked for in {folder}")
    return file


def _read_offcuts(entry: Entry, folder: Path) -> list[Stock]:
    name = entry.name("name")
    kind = entry.choice("kind", ("offcut", "hide"), "offcut")
    if kind == "hide":
        raise entry.wrong("file", "a hide's file is its outline", 'write outline = "..."')
    file = _file(entry, "file", entry.name("file"), folder)
    gap = entry.number("gap_mm", 3.0, low=0.0, high=100.0)
    margin = entry.number("margin_mm", 5.0, low=0.0, high=500.0)
    entry.close()
    offcuts = read_offcuts(file)
    return [
        _sized(replace(cut, name=f"{name} {i}", count=1, gap_mm=gap, margin_mm=margin))
        for i, cut in enumerate(offcuts, start=1)
    ]


def _sized(stock: Stock) -> Stock:
    assert stock.outline is not None
    size = np.ptp(stock.outline, axis=0)
    return replace(stock, width_mm=float(size[1]), length_mm=float(size[0]))


def _read_stock(entry: Entry, folder: Path) -> Stock:
    name = entry.name("name")
    base = bundled_stock(name)
    kinds = ("sheet", "roll", *_SHAPED)
    kind = entry.choice("kind", kinds, *((base.kind,) if base else ()))
    usual = base or Stock(name=name, kind=kind)
    shape = _shape(entry, folder, kind)
    size = (usual.width_mm, usual.length_mm)
    if shape.outline is not None:
        across = np.ptp(shape.outline, axis=0)
        size = (float(across[1]), float(across[0]))
    stock = Stock(
        name=name,
        kind=kind,
        width_mm=entry.number("width_mm", size[0], low=0.0, high=100_000.0),
        length_mm=entry.number("length_mm", size[1], low=0.0, high=1_000_000.0),
        count=entry.whole("count", 1 if kind == "offcut" else usual.count),
        gap_mm=entry.number("gap_mm", usual.gap_mm, low=0.0, high=100.0),
        margin_mm=entry.number("margin_mm", usual.margin_mm, low=0.0, high=500.0),
        price=entry.number("price", usual.price, low=0.0),
        outline=shape.outline,
        holes=shape.holes,
        teeth_mm=entry.number("teeth_mm", 0.0, low=0.0, high=200.0),
        fold=entry.flag("fold", False),
        backbone_deg=shape.backbone_deg,
        zones=shape.zones,
        material=entry.name("of", ""),
        notes=shape.notes,
    )
    if stock.width_mm <= 0:
        raise entry.wrong("width_mm", "the stock has no width", "add width_mm = ...")
    if kind == "sheet" and stock.length_mm <= 0:
        raise entry.wrong("length_mm", "the sheet has no length", "add length_mm = ...")
    if stock.teeth_mm and kind != "sheet":
        raise entry.wrong("teeth_mm", f"a {kind} has no teeth", 'use kind = "sheet"')
    if stock.fold and kind != "roll":
        raise entry.wrong("fold", f"a {kind} is not folded", 'use kind = "roll"')
    entry.close()
    return stock


def _shape(entry: Entry, folder: Path, kind: str) -> Outlines:
    """Outline, flaws, zones and backbone, all in mm: given, from a file, or from a photograph."""
    photo = entry.table("photo")
    value: Any = entry.take("outline", None)
    given = Outlines(
        holes=_rings(entry, "holes"),
        zones=_zones(entry),
        backbone_deg=_backbone(entry),
        notes=entry.names("notes", ()),
    )
    if kind not in _SHAPED:
        for key, it in (("outline", value), ("photo", photo)):
            if it is not None:
                raise entry.wrong(key, f"a {kind} has no outline", 'use kind = "hide"')
        if given.zones or given.backbone_deg is not None:
            key = "zones" if given.zones else "backbone"
            raise entry.wrong(key, f"a {kind} has none", 'use kind = "hide"')
        return given
    if photo is not None:
        if value is not None:
            raise entry.wrong("photo", "an outline and a photograph are given", "give one of them")
        found = read_photo(photo, folder)
    elif value is None:
        raise entry.wrong(
            "outline",
            f"a {kind} needs its outline",
            "add outline = [[x, y], ...], a file or photo = { ... }",
        )
    elif isinstance(value, str):
        try:
            found = read_outlines(_file(entry, "outline", value, folder))
        except BadInput as error:
            raise entry.wrong("outline", str(error)) from None
    else:
        found = Outlines(outline=entry.as_points("outline", value, 2, 3))
    return Outlines(
        outline=found.outline,
        holes=(*found.holes, *given.holes),
        zones=(*found.zones, *given.zones),
        backbone_deg=found.backbone_deg if given.backbone_deg is None else given.backbone_deg,
        notes=(*found.notes, *given.notes),
    )


def _rings(entry: Entry, key: str):
    value = entry.take(key, [])
    if not isinstance(value, list):
        raise entry.wrong(key, "should be a list of outlines")
    return tuple(entry.as_points(key, ring, 2, 3) for ring in value)


def _zones(entry: Entry) -> tuple[Zone, ...]:
    zones = []
    for zone in entry.tables("zones"):
        name = zone.name("name")
        zones.append(Zone(name=name, outline=zone.points("outline", 2, 3)))
        zone.close()
    return tuple(zones)


def _backbone(entry: Entry) -> float | None:
    """The direction of two points on the backbone, degrees from +x; or a number of degrees."""
    value = entry.take("backbone", None)
    if value is None:
        return None
    if isinstance(value, int | float) and not isinstance(value, bool):
        return Entry(entry.file, {"backbone": value}, entry.path, entry.places).number(
            "backbone", low=-360.0, high=360.0
        )
    a, b = entry.as_points("backbone", value, 2, 2)[:2]
    if np.allclose(a, b):
        raise entry.wrong("backbone", "the two points are the same")
    return float(np.degrees(np.arctan2(b[1] - a[1], b[0] - a[0])))
