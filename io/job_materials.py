"""Reads the `[[material]]` entries of a job file."""

from dataclasses import replace
from typing import Any, Literal

from flatten.io.entries import Entry, each_once
from flatten.records.bundled import ALLOWANCES, bundled_material
from flatten.records.material import Allowance, Limit, Material, same

Family = Literal["foam", "leather", "cloth", "card"]
_FAMILIES: tuple[Family, ...] = ("foam", "leather", "cloth", "card")
# Words in a material's name that tell its family where the job does not.
_WORDS: dict[str, Family] = {
    "foam": "foam", "leather": "leather", "tan": "leather", "hide": "leather", "suede": "leather",
    "card": "card", "paper": "card", "cloth": "cloth", "cotton": "cloth", "knit": "cloth",
    "fabric": "cloth", "woven": "cloth", "felt": "cloth", "calico": "cloth",
}  # fmt: skip


def read_materials(entries: list[Entry]) -> tuple[Material, ...]:
    """The job's own materials; what an entry leaves out is as in the bundled one of its name.

    Raises
    ------
    BadInput : names the line and the key
    """
    return tuple(each_once(entries, [_read_material(e) for e in entries]))


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
