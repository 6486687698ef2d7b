"""Writes everything a run comes to into one folder, whole or not at all."""

import csv
import io
import json
from pathlib import Path
from typing import Any, Protocol

from flatten.io.atomic import whole_folder
from flatten.io.dxf import write_dxf
from flatten.io.job_text import write_job
from flatten.io.panels_obj import write_panel_obj
from flatten.io.pdf import write_pdf
from flatten.io.report_html import report_page
from flatten.io.report_json import file_stem, report_data
from flatten.io.svg import write_svg
from flatten.records.outcome import Outcome, PlyOutcome


class Stages(Protocol):
    """Whoever times the stages and shows them."""

    seconds: dict[str, float]

    def stage(self, name: str) -> Any: ...


def write_ply(outcome: PlyOutcome, title: str, folder: Path) -> list[str]:
    """Panels, DXF, SVG and PDF of one ply; the drawings' names."""
    stem = file_stem(outcome.ply.name)
    meshes = folder / "panels" / stem
    meshes.mkdir(parents=True)
    flats = outcome.flat_set
    for panel, flat in zip(flats.panel_set.panels, flats.flats, strict=True):
        write_panel_obj(panel, flat, meshes / f"{file_stem(panel.name)}.obj")
    names = []
    for number, drawing in enumerate(outcome.drawings, start=1):
        sheet = stem if len(outcome.drawings) == 1 else f"{stem}-{number}"
        write_dxf(drawing, folder / f"{sheet}.dxf")
        write_svg(drawing, folder / f"{sheet}.svg")
        names += [f"{sheet}.dxf", f"{sheet}.svg"]
    if outcome.tilings:
        write_pdf(outcome.tilings, folder / f"{stem}.pdf", title)
        names.append(f"{stem}.pdf")
    return names


def buy_table(outcome: Outcome) -> str:
    """buy.csv: one row for each thing to buy."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(("ply", "material", "what", "how much"))
    for ply in outcome.plies:
        for what, how_much in ply.lay_plan.usage.buy:
            rows.writerow((ply.ply.name, ply.material.name, what, how_much))
    return out.getvalue()


def write_results(outcome: Outcome, out: Path, watch: Stages) -> dict[str, Any]:
    """Writes the folder `out` and gives what report.json holds.

    Raises
    ------
    CannotWrite : the folder cannot be written; what was there before is left as it was
    """
    with whole_folder(out) as folder:
        files: dict[str, list[str]] = {}
        with watch.stage("write"):
            for ply in outcome.plies:
                files[ply.ply.name] = write_ply(ply, outcome.job.title, folder)
            (folder / "report.html").write_text(report_page(outcome), encoding="utf-8")
            (folder / "buy.csv").write_text(buy_table(outcome), encoding="utf-8")
            (folder / "job.toml").write_text(write_job(outcome.job), encoding="utf-8")
        timings = {**outcome.timings, **watch.seconds}
        data = report_data(outcome, files, timings)
        (folder / "report.json").write_text(json.dumps(data, indent=1) + "\n", encoding="utf-8")
    return data
