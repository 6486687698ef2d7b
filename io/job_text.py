"""Writes a Job as TOML, every default filled in: read again, it is the same job."""

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from flatten.io.job_making import making_values
from flatten.io.job_shop import nesting_values, rates_values
from flatten.records.bundled import DEFAULT_PLY, MATERIALS, STOCKS
from flatten.records.ink import Ink
from flatten.records.job import InkRule, Job, LineFile, ScanSpec
from flatten.records.lines import Line
from flatten.records.material import Limit, Material, Ply, Stock


def write_job(job: Job, folder: Path | None = None) -> str:
    """The job as TOML text; what is None is left out, everything else is written.

    Files are named relative to `folder`, where the text is going to lie, or absolutely without it.
    Numbers are written so that they read back the same to the last bit.
    """
    parts = [
        table_text(
            "",
            {
                "title": job.title,
                "wearer": job.wearer,
                "revision": job.revision,
                "date": job.date,
                "revisions": dict(job.revisions) or None,
                "one_per_pair": job.one_per_pair,
                "pair_tolerance_mm": job.pair_tolerance_mm,
            },
        ),
        *_scan(job.scan, folder),
        *(_line(line, job.inks) for line in job.lines),
        *(_line_file(file, folder) for file in job.line_files),
        *(
            table_text("[[ink]]", {k: getattr(i, k) for k in ("colour", "kind", "joint", "fixing")})
            for i in job.inks
        ),
        *(table_text("[[panel]]", {"name": p.name, "at": p.at}) for p in job.panel_names),
        *(_ply(ply) for ply in job.plies),
        *(table_text("[[point]]", vars(point)) for point in job.points),
        *(table_text("[[alter]]", vars(alter)) for alter in job.alters),
        table_text("[output]", vars(job.output)),
        table_text("[nesting]", nesting_values(job.nesting)),
        table_text("[rates]", rates_values(job.rates)),
        *(_material(material) for material in job.materials),
        *(_stock(stock) for stock in job.stocks),
    ]
    return "\n".join(parts)


def job_of_lines(
    scan: Path, spec: ScanSpec, lines: Sequence[Line], path: Path, inks: Sequence[Ink] = ()
) -> Job:
    """A job for a scan with these lines, everything else by default, to be written to `path`.

    inks : the pens that were found; each gets a rule, so that all its lines change with that
    """
    return Job(
        title=scan.stem,
        path=path.absolute(),
        scan=replace(spec, file=scan.absolute()),
        lines=tuple(lines),
        inks=tuple({i.colour: InkRule(colour=i.colour, kind=i.kind) for i in inks}.values()),
        plies=(DEFAULT_PLY,),
        materials=tuple(m for m in MATERIALS if m.name == DEFAULT_PLY.material),
        stocks=tuple(s for s in STOCKS if s.name == DEFAULT_PLY.stock),
    )


def _scan(scan: ScanSpec, folder: Path | None) -> Iterable[str]:
    yield table_text(
        "[scan]",
        {
            "file": _file(scan.file, folder),
            "unit": scan.unit,
            "up": scan.up,
            "front": scan.front,
            "tape_mm": scan.tape_mm,
            "ease_mm": scan.ease_mm,
            "edge_mm": scan.edge_mm,
            "ink": scan.ink,
            "slit": scan.slit,
            "complete": scan.complete,
            "symmetric": scan.symmetric,
            "symmetric_mm": scan.symmetric_mm,
        },
    )
    if scan.keep is not None:
        yield table_text("[scan.keep]", {"low": scan.keep.low, "high": scan.keep.high})
    for girth in scan.girths:
        yield table_text(
            "[[scan.girth]]", {"at": girth.at, "mm": girth.mm, "over_wrap": girth.over_wrap}
        )


def _line(line: Line, inks: Sequence[InkRule]) -> str:
    # What the rule for its ink says is left to the rule, so that changing it changes the line.
    rule = next((rule for rule in inks if rule.colour == line.ink), None)
    ruled = rule is not None and (rule.kind, rule.joint, rule.fixing) == (
        line.kind,
        line.joint,
        line.fixing,
    )
    return table_text(
        "[[line]]",
        {
            "name": line.name,
            "kind": None if ruled else line.kind,
            "ink": line.ink,
            "closed": line.closed,
            "mirror": line.mirror,
            "joint": None if ruled else line.joint,
            "fixing": None if ruled else line.fixing,
            "under": line.under,
            "ease_mm": line.ease_mm,
            "ease_side": line.ease_side,
            "ease_from": line.ease_from,
            "ease_to": line.ease_to,
            "no_stretch": line.no_stretch,
            "points": line.points,
        },
    )


def _line_file(file: LineFile, folder: Path | None) -> str:
    return table_text(
        "[[line]]",
        {
            "file": _file(file.path, folder),
            "name": file.name,
            "kind": file.kind,
            "joint": file.joint,
            "fixing": file.fixing,
            "mirror": file.mirror,
        },
    )


def _ply(ply: Ply) -> str:
    joints = {
        name: {k: v for k, v in (("joint", c.joint), ("fixing", c.fixing)) if v is not None}
        for name, c in ply.joints.items()
    }
    return table_text(
        "[[ply]]",
        {
            "name": ply.name,
            "material": ply.material,
            "stock": [ply.stock, *ply.more_stocks] if ply.more_stocks else ply.stock,
            "compare": list(ply.compare) or None,
            "panels": list(ply.panels),
            "lines": list(ply.lines),
            "over": ply.over,
            "face": ply.face,
            "joints": joints,
            **making_values(ply.making),
        },
    )


def _material(material: Material) -> str:
    allowance = material.allowance_mm
    return table_text(
        "[[material]]",
        {
            "name": material.name,
            "family": material.family,
            "thickness_mm": material.thickness_mm,
            "k": material.k,
            "stretch_pct": _limit(material.stretch_pct),
            "squeeze_pct": _limit(material.squeeze_pct),
            "grain": material.grain,
            "grain_tol_deg": material.grain_tol_deg,
            "one_way": material.one_way,
            "bevel": material.bevel,
            "kerf_mm": material.kerf_mm,
            "shrink_pct": material.shrink_pct,
            "laser": material.laser,
            "may_hold_pvc": material.may_hold_pvc,
            "allowance_mm": {
                k: getattr(allowance, k) for k in ("butt", "seam", "lap", "gap", "rim")
            },
            "source": material.source,
        },
    )


def _limit(limit: Limit) -> float | dict[str, float]:
    if limit.isotropic:
        return limit.warp
    return {"warp": limit.warp, "weft": limit.weft, "bias": limit.bias}


def _stock(stock: Stock) -> str:
    return table_text(
        "[[stock]]",
        {
            "name": stock.name,
            "kind": stock.kind,
            "width_mm": stock.width_mm,
            "length_mm": stock.length_mm,
            "count": stock.count,
            "gap_mm": stock.gap_mm,
            "margin_mm": stock.margin_mm,
            "price": stock.price,
            "outline": stock.outline,
            "holes": list(stock.holes) or None,
            "teeth_mm": stock.teeth_mm or None,
            "fold": stock.fold or None,
            "backbone": stock.backbone_deg,
            "zones": [{"name": z.name, "outline": z.outline} for z in stock.zones] or None,
            "of": stock.material or None,
            "notes": list(stock.notes) or None,
        },
    )


def _file(path: Path, folder: Path | None) -> str:
    if folder is None:
        return path.absolute().as_posix()
    try:
        return Path(os.path.relpath(path, folder)).as_posix()
    except ValueError:  # another drive
        return path.absolute().as_posix()


def table_text(header: str, values: Mapping[str, Any]) -> str:
    """One TOML table under its header; what is None is left out."""
    rows = [f"{key} = {_value(v)}" for key, v in values.items() if v is not None]
    return "\n".join([*([header] if header else []), *rows]) + "\n"


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, np.ndarray):
        return "[\n" + "".join(f"  {_value(row)},\n" for row in value.tolist()) + "]"
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_quoted(k)} = {_value(v)}" for k, v in value.items())
        return f"{{ {inner} }}" if inner else "{}"
    return "[" + ", ".join(_value(v) for v in value) + "]"


def _quoted(text: str) -> str:
    """A TOML basic string; JSON's escapes are valid in it, but it wants delete escaped too."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
