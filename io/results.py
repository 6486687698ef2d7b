"""Writes everything a run comes to into one folder, whole or not at all."""

import csv
import io
import json
from pathlib import Path
from typing import Any, Protocol

from flatten.io.atomic import whole_folder
from flatten.io.charts import write_picture
from flatten.io.dxf import write_dxf
from flatten.io.dxf_sewn import write_sewn_dxf
from flatten.io.issued import NAME as ISSUED
from flatten.io.issued import issued_text
from flatten.io.job_text import write_job
from flatten.io.offcuts import offcuts_text
from flatten.io.panels_obj import write_panel_obj
from flatten.io.pdf import write_pdf
from flatten.io.pdf_guide import write_guide
from flatten.io.pdf_projector import write_projector
from flatten.io.report_html import report_page
from flatten.io.report_json import file_stem, report_data
from flatten.io.svg import Process, write_svg
from flatten.records.job import Job
from flatten.records.outcome import Outcome, PlyOutcome

# The processes that a machine is sent one by one, and what goes with every such file.
ONE_BY_ONE: tuple[Process, ...] = ("cut", "score", "mark")
WATCHED = (
    "For a laser: only a material that its data sheet allows, never unattended, with extraction and"
    " an extinguisher at hand."
)


class Stages(Protocol):
    """Whoever times the stages and shows them."""

    seconds: dict[str, float]

    def stage(self, name: str) -> Any: ...


def write_ply(outcome: PlyOutcome, job: Job, folder: Path) -> list[str]:
    """Panels, DXF, SVG and PDF of one ply, and what the job's output asks for; the drawings' names.

    Files of a single process are what a laser takes: they are withheld where the material refuses.
    """
    output, refusal = job.output, outcome.material.laser_refusal
    stem = file_stem(outcome.ply.name)
    meshes = folder / "panels" / stem
    meshes.mkdir(parents=True)
    flats = outcome.flat_set
    for panel, flat in zip(flats.panel_set.panels, flats.flats, strict=True):
        write_panel_obj(panel, flat, meshes / f"{file_stem(panel.name)}.obj")
    names = []
    for number, drawing in enumerate(outcome.drawings, start=1):
        sheet = stem if len(outcome.drawings) == 1 else f"{stem}-{number}"
        write_dxf(drawing, folder / f"{sheet}.dxf", output.dxf_version, output.dxf_unit)
        write_svg(drawing, folder / f"{sheet}.svg", remark=refusal or WATCHED)
        names += [f"{sheet}.dxf", f"{sheet}.svg"]
        for process in ONE_BY_ONE if output.svg_processes and not refusal else ():
            names.append(f"{sheet}-{process}.svg")
            write_svg(drawing, folder / names[-1], (process,), remark=WATCHED)
        if output.projector:
            names.append(f"{sheet}-projector.pdf")
            write_projector(drawing, folder / names[-1])
    if outcome.hoops is not None:
        write_dxf(outcome.hoops, folder / f"{stem}-hoops.dxf", output.dxf_version, output.dxf_unit)
        write_svg(outcome.hoops, folder / f"{stem}-hoops.svg", remark=refusal or WATCHED)
        names += [f"{stem}-hoops.dxf", f"{stem}-hoops.svg"]
    for paper in output.papers:
        tilings = [tiling for tiling in outcome.tilings if tiling.paper == paper]
        if tilings:
            names.append(f"{stem}.pdf" if paper == output.papers[0] else f"{stem}-{paper}.pdf")
            write_pdf(tilings, folder / names[-1], job.title)
    if output.sewn_dxf:
        names.append(f"{stem}-d6673.dxf")
        write_sewn_dxf(outcome.template_set, folder / names[-1], title=job.title, wearer=job.wearer)
    return names


def buy_table(outcome: Outcome) -> str:
    """buy.csv: one row for each thing to buy."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(("ply", "material", "what", "how much"))
    for ply in outcome.plies:
        for what, how_much in ply.lay_plan.usage.buy:
            rows.writerow((ply.ply.name, ply.material.name, what, how_much))
    costs = [ply.lay_plan.usage.cost for ply in outcome.plies]
    known = [cost for cost in costs if cost is not None]
    if known and len(outcome.plies) > 1:
        some = "" if len(known) == len(costs) else ", of the plies whose stock has a price"
        rows.writerow(("all", "", "stock, cost", f"{sum(known):.2f}{some}"))
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
                files[ply.ply.name] = write_ply(ply, outcome.job, folder)
            if outcome.ink_picture is not None:
                write_picture(outcome.ink_picture, folder / "lines.png")
            (folder / "report.html").write_text(report_page(outcome), encoding="utf-8")
            write_guide(outcome, folder / "guide.pdf")
            (folder / "buy.csv").write_text(buy_table(outcome), encoding="utf-8")
            offcuts = [o for ply in outcome.plies for o in ply.lay_plan.offcuts]
            if offcuts:
                (folder / "offcuts.toml").write_text(offcuts_text(offcuts), encoding="utf-8")
            (folder / ISSUED).write_text(issued_text(outcome), encoding="utf-8")
            (folder / "job.toml").write_text(write_job(outcome.job), encoding="utf-8")
        timings = {**outcome.timings, **watch.seconds}
        data = report_data(outcome, files, timings)
        (folder / "report.json").write_text(json.dumps(data, indent=1) + "\n", encoding="utf-8")
    return data
