"""The stages in order, from a scan and a job to everything that will be written; no files."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from flatten.cautions import choose_cautions
from flatten.completion import complete_lines
from flatten.distortion.advise import advise
from flatten.distortion.measure import measure_strain
from flatten.distortion.places import places_of
from flatten.distortion.seams import report_seams
from flatten.drawing.compose import compose, template_blocks
from flatten.drawing.hoops import hoop_sheet
from flatten.drawing.paper import paper_tiling
from flatten.guide.build import build_guide
from flatten.ink.pairs import name_pairs
from flatten.ink.picture import lines_picture
from flatten.ink.read import read_ink
from flatten.lines.even import even_lines
from flatten.lines.network import join_lines
from flatten.nest.compare import comparison_of
from flatten.nest.plies import Store, stocks_of
from flatten.panels.cut import cut_panels
from flatten.panels.offset import offset_panels
from flatten.panels.select import select_panels
from flatten.parameterize.flat import flatten_panels
from flatten.parameterize.straight import carries_closure
from flatten.plies import thickness_beneath, thickness_beneath_at, with_detail_holes, with_overlays
from flatten.records.bundled import stock_for
from flatten.records.cast import Cast
from flatten.records.comparison import Comparison
from flatten.records.flat import FlatSet, Strain
from flatten.records.ink import InkReading
from flatten.records.issue import EarlierRun
from flatten.records.job import Job
from flatten.records.lines import Line
from flatten.records.material import Material, Ply, Stock
from flatten.records.outcome import Outcome, PlyOutcome
from flatten.records.panels import PanelSet
from flatten.records.scan import Scan
from flatten.records.template import LayPlan
from flatten.scan.prepare import prepare
from flatten.template.alter import cut_lengths
from flatten.template.build import build_templates
from flatten.template.changes import check_pieces, choose_pieces, list_changes
from flatten.template.names import check_alters, idle_names, own_alters
from flatten.template.practice import joint_choice
from flatten.template.spec import TemplateSpec

# The stages as the report's timings and the progress messages name them.
STAGES = ("clean", "lines", "cut", "flatten", "templates", "lay_plan")

Progress = Callable[[str, float], None]
_Named = TypeVar("_Named", Material, Stock)


def quiet(stage: str, done: float) -> None:
    """Progress that nobody watches; `done` runs from 0 to 1 within a stage."""


class Clock:
    """Seconds by stage, and the word to whoever watches."""

    def __init__(self, progress: Progress) -> None:
        self.seconds: dict[str, float] = dict.fromkeys(STAGES, 0.0)
        self.progress = progress

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        self.progress(name, 0.0)
        start = time.perf_counter()
        yield
        self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - start
        self.progress(name, 1.0)

    def within(self, name: str) -> Callable[[float], None]:
        """Where a stage tells how far it has come; its begin and end are told by `stage`."""
        return lambda share: self.progress(name, min(max(share, 0.01), 0.99))


def clean_scan(job: Job, scan: Scan, clock: Clock) -> Cast:
    """The cast of the job's scan.

    Raises
    ------
    BadInput : as `prepare` says
    """
    with clock.stage("clean"):
        return prepare(scan, job.scan)


def run_job(
    job: Job,
    scan: Scan,
    cast: Cast,
    file_lines: tuple[Line, ...],
    clock: Clock,
    *,
    earlier: EarlierRun | None = None,
    changed_only: bool = False,
) -> Outcome:
    """From the cast to everything that will be written; `file_lines` come from the line files.

    earlier : a run to compare with: what has changed since is issued under the next revision
    changed_only : draw and cut no other pieces than those

    Raises
    ------
    BadInput : as the stages say
    """
    if earlier is not None:
        job = replace(job, revision=max(job.revision, earlier.revision + 1))
    with clock.stage("lines"):
        lines, reading = gather_lines(job, scan, cast, file_lines)
        evened: tuple[str, ...] = ()
        if job.scan.symmetric:
            lines, evened = even_lines(cast, lines)
        network = join_lines(cast, lines)
        added: tuple[str, ...] = ()
        if job.scan.complete:
            done = complete_lines(cast, lines, network, job.plies)
            lines, network, added = done.lines, done.network, done.notes
            job = replace(job, plies=done.plies)
    cuts: dict[tuple[str, ...], PanelSet] = {}
    plain: list[PanelSet] = []
    for ply in job.plies:
        with clock.stage("cut"):
            if not ply.panels:  # overlays alone
                nothing = np.empty((0, 3))
                own = PanelSet(cast=cast, cut_V=nothing, cut_N=nothing, panels=(), seams=())
            else:
                if ply.lines not in cuts:
                    cuts[ply.lines] = cut_panels(network, lines=ply.lines, names=job.panel_names)
                own = select_panels(cuts[ply.lines], ply.panels)
            plain.append(own)
    garment = next(iter(cuts.values()), None)
    with clock.stage("cut"):
        panel_sets = [
            with_overlays(ply, own, network, garment)
            for ply, own in zip(job.plies, plain, strict=True)
        ]
    panel_sets = with_detail_holes(job, panel_sets, network)
    check_alters(job.alters, panel_sets)
    whole = [p for p, own in zip(job.plies, plain, strict=True) if own is cuts.get(p.lines)]
    store = Store(job=job)
    outcomes = [
        make_ply(
            job,
            ply,
            panel_set,
            clock,
            store,
            thickness_beneath_at(job, ply, panel_sets, plain, whole),
            earlier,
            changed_only,
        )
        for ply, panel_set in zip(job.plies, panel_sets, strict=True)
    ]
    with clock.stage("lay_plan"):
        laid = [(o.ply, o.material, o.lay_plan) for o in outcomes]
        outcomes = [replace(o, lay_plan=store.with_ways(o.ply, laid)) for o in outcomes]
    fixings = {seam.fixing for outcome in outcomes for seam in outcome.seams}
    of_cuts = cut_notes(cuts)
    own_notes = [
        f"ply '{outcome.ply.name}': {note}"
        for outcome in outcomes
        for note in outcome.flat_set.panel_set.notes
        if note not in of_cuts
    ]
    own_notes += [note for outcome in outcomes for note in template_notes(job, outcome)]
    with clock.stage("templates"):
        guide = build_guide([(o.ply, o.material, o.template_set) for o in outcomes])
    templates = [t for outcome in outcomes for t in outcome.all_templates]
    held = {t.name: t.revision for t in templates if t.revision != job.revision}
    check_pieces(job.output.pieces, templates)
    if changed_only:
        cut = tuple(t.name for outcome in outcomes for t in outcome.template_set.templates)
        job = replace(job, output=replace(job.output, pieces=cut))
    return Outcome(
        job=replace(
            job,
            lines=lines,
            line_files=(),
            scan=replace(job.scan, ink=False),
            revisions=held,
        ),
        since=None if earlier is None else earlier.revision,
        changes=tuple(change for outcome in outcomes for change in outcome.changes),
        cast=cast,
        network=network,
        plies=tuple(outcomes),
        timings=clock.seconds,
        guide=guide,
        ink_picture=None if reading is None else lines_picture(scan, cast, reading),
        cautions=choose_cautions([(o.ply, o.material) for o in outcomes], fixings),
        notes=tuple(
            dict.fromkeys(
                (
                    *cast.notes,
                    *ink_notes(reading),
                    *evened,
                    *network.notes,
                    *added,
                    *of_cuts,
                    *own_notes,
                )
            )
        ),
    )


def cut_notes(cuts: dict[tuple[str, ...], PanelSet]) -> list[str]:
    """Everything the cutting had to say, over all plies."""
    return [note for panel_set in cuts.values() for note in panel_set.notes]


def template_notes(job: Job, outcome: PlyOutcome) -> list[str]:
    """What a ply's templates have to say, names that meet nothing, and files that are withheld."""
    ply, templates = outcome.ply, outcome.template_set
    notes = idle_names(ply, outcome.flat_set.panel_set)
    if job.output.svg_processes and outcome.material.laser_refusal:
        notes.append(f"ply '{ply.name}': {outcome.material.laser_refusal}")
    notes += [f"ply '{ply.name}': {note}" for note in templates.notes]
    return notes + [f"{t.name}: {note}" for t in templates.templates for note in t.notes]


def gather_lines(
    job: Job, scan: Scan, cast: Cast, file_lines: tuple[Line, ...]
) -> tuple[tuple[Line, ...], InkReading | None]:
    """The job's own lines, those of its files and, if asked for, the pen lines of the scan."""
    lines = (*job.lines, *file_lines)
    if not job.scan.ink:
        return lines, None
    reading = name_pairs(read_ink(scan, cast, job.inks), cast)
    taken = {line.name for line in lines}
    return (*lines, *(x for x in reading.lines if x.name not in taken)), reading


def ink_notes(reading: InkReading | None) -> list[str]:
    """What the reading of the pen has to say, the doubtful places last."""
    if reading is None:
        return []
    # Numbered as on the picture.
    doubts = (f"to check {n}: {d.said}" for n, d in enumerate(reading.doubts, start=1))
    return [*reading.notes, *doubts]


def make_ply(
    job: Job,
    ply: Ply,
    panel_set: PanelSet,
    clock: Clock,
    store: Store,
    beneath_at: float | NDArray[np.float64],
    earlier: EarlierRun | None = None,
    changed_only: bool = False,
) -> PlyOutcome:
    """One ply from its panels on the cast to its drawings; `beneath_at` is what lies under it."""
    material = named(job.materials, ply.material)
    stock = stocks_of(job, ply, material)[0]
    with clock.stage("flatten"):
        beneath = thickness_beneath(ply, job)
        flat_set, strains = flatten_in(panel_set, material, ply, beneath_at)
        places, deciding = places_of(flat_set, strains)
        advice = advise(flat_set, strains, deciding)
    with clock.stage("templates"):
        spec = TemplateSpec(
            **vars(ply.making),
            title=job.title,
            wearer=job.wearer,
            revision=job.revision,
            date=job.date,
            beneath_mm=beneath,
            points=job.points,
            alters=own_alters(job.alters, panel_set),
            one_per_pair=job.one_per_pair,
            pair_tolerance_mm=job.pair_tolerance_mm,
            revisions=job.revisions,
            earlier=earlier,
        )
        template_set = build_templates(flat_set, ply, spec)
        changes = () if earlier is None else tuple(list_changes(template_set, earlier))
        again = {c.piece for c in changes if c.state in ("new", "changed")}
        template_set = choose_pieces(
            template_set, job.output.pieces, again if changed_only else None
        )
    with clock.stage("lay_plan"):
        lay_plan = store.lay(ply, material, template_set, clock.within("lay_plan"))
        drawings = compose(
            lay_plan,
            stock,
            f"{job.title}, {ply.name}",
            remark=laser_remark(material),
            unmarked=ply.making.marks == "paper",
        )
        papers = job.output.papers
        words = f"{job.title}, {ply.name}, revision {job.revision}"
        blocks = template_blocks(template_set.templates)
        tilings = tuple(paper_tiling(blocks, words, paper) for paper in papers if blocks)
    comparisons = compare_materials(
        job, ply, panel_set, clock, store, beneath_at, spec, (material, strains, lay_plan)
    )
    edges = template_set.seam_edges
    holes = {place: edge.holes for place, edge in edges.items()}
    joined = {seam: (edge.joint, edge.fixing) for (seam, side), edge in edges.items() if side == 0}
    return PlyOutcome(
        ply=ply,
        material=material,
        stock=stock,
        flat_set=flat_set,
        strains=strains,
        advice=advice,
        places=places,
        deciding=deciding,
        seams=cut_lengths(report_seams(flat_set, holes, joined), template_set, spec.alters),
        template_set=template_set,
        lay_plan=lay_plan,
        drawings=drawings,
        tilings=tilings,
        hoops=hoop_sheet(template_set, f"{job.title}, {ply.name}, hoops"),
        changes=changes,
        comparisons=comparisons,
    )


def flatten_in(
    panel_set: PanelSet, material: Material, ply: Ply, beneath_at: float | NDArray[np.float64]
) -> tuple[FlatSet, tuple[Strain, ...]]:
    """The panels of a ply flattened in a material, and the strain of each."""
    offset = offset_panels(panel_set, beneath_at + material.k * material.thickness_mm)
    joints = [joint_choice(seam, ply.joints, material) for seam in offset.seams]
    closures = [i for i, joint in enumerate(joints) if carries_closure(*joint)]
    flat_set = flatten_panels(offset, material, ply=ply.name, closures=closures)
    strains = tuple(
        measure_strain(panel, flat, material)
        for panel, flat in zip(offset.panels, flat_set.flats, strict=True)
    )
    return flat_set, strains


def compare_materials(
    job: Job,
    ply: Ply,
    panel_set: PanelSet,
    clock: Clock,
    store: Store,
    beneath_at: float | NDArray[np.float64],
    spec: TemplateSpec,
    own: tuple[Material, tuple[Strain, ...], LayPlan],
) -> tuple[Comparison, ...]:
    """The ply's own material and every other that it is to be compared with, the panels the same."""
    wanted = [name for name in ply.compare if name != ply.material]
    names = [panel.name for panel in panel_set.panels]
    if not wanted:
        return ()
    material, strains, plan = own
    rows = [comparison_of(material, names, strains, plan)]
    for name in wanted:
        material = named(job.materials, name)
        other = replace(ply, material=name)
        if stock_for(material, ply) != ply.stock:
            other = replace(other, stock=stock_for(material, ply), more_stocks=())
        with clock.stage("flatten"):
            flat_set, strains = flatten_in(panel_set, material, other, beneath_at)
        with clock.stage("templates"):
            templates = build_templates(flat_set, other, replace(spec, earlier=None))
        with clock.stage("lay_plan"):
            effort = replace(job.nesting, seconds=None)
            plan = store.try_on(other, material, templates, effort, clock.within("lay_plan"))
        rows.append(comparison_of(material, names, strains, plan))
    return tuple(rows)


def laser_remark(material: Material) -> str:
    """What stands on every sheet of a material that a laser must not cut."""
    doubt = material.laser_doubt
    return f"NOT FOR A LASER: {material.name}, {doubt}" if doubt else ""


def named(things: tuple[_Named, ...], name: str) -> _Named:
    """The material or stock of that name; the job's reader has made sure that there is one."""
    return next(thing for thing in things if thing.name == name)
