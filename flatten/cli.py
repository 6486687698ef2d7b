"""The command: demo, run, check and lines; progress on stderr, results on stdout."""

import argparse
import json
import os
import sys
import tempfile
import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any, NoReturn

from flatten import __version__
from flatten.errors import BadInput, FlattenError
from flatten.watch import Watch

CHANGED = "changed"  # for --only
EXAMPLES = """examples:
  flatten demo                          the whole job on the bundled casts
  flatten check scan.glb                what the scan is like, and what would be mended
  flatten lines scan.glb --out job.toml read the pen lines off the scan's colours
  flatten run job.toml --out results    from scan to templates
  flatten run job.toml --since results --only changed   after a fitting: what is to be cut again
"""


class OneLineParser(argparse.ArgumentParser):
    """A parser whose errors are one line, as all others of the command are."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"flatten: {message}; see {self.prog} --help\n")


def parser() -> argparse.ArgumentParser:
    """The command line as a parser."""
    shared = OneLineParser(add_help=False)
    shared.add_argument("--json", action="store_true", help="machine-readable result on stdout")
    shared.add_argument("-q", "--quiet", action="store_true", help="no progress, only the result")
    top = OneLineParser(
        prog="flatten",
        description="Turns a scan of a taped body cast into flat, true-size templates.",
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"flatten {__version__}")
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def add(name: str, says: str, example: str) -> argparse.ArgumentParser:
        return commands.add_parser(
            name,
            parents=[shared],
            help=says,
            description=says,
            epilog=f"example:\n  {example}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )

    demo = add("demo", "the whole job on the bundled casts", "flatten demo --out demo")
    demo.add_argument("--out", type=Path, default=Path("tide-warden-out"), metavar="DIR")
    run = add("run", "the whole job", "flatten run breastplate.toml --out breastplate")
    run.add_argument("job", type=Path, metavar="JOB.toml")
    run.add_argument("--out", type=Path, metavar="DIR", help="default: the job's name + -out")
    run.add_argument(
        "--material",
        action="append",
        default=[],
        metavar="PLY=NAME",
        help="make a ply in another material, by the same lines",
    )
    run.add_argument(
        "--stock",
        action="append",
        default=[],
        metavar="PLY=NAME",
        help="cut a ply from other stock",
    )
    run.add_argument(
        "--compare",
        action="append",
        default=[],
        metavar="PLY=NAME,NAME",
        help="set other materials beside a ply's own in the report",
    )
    run.add_argument(
        "--complete",
        action="store_true",
        help="add the shortest lines without which a panel could not lie flat",
    )
    run.add_argument(
        "--since",
        type=Path,
        metavar="DIR",
        help="an earlier run's results: lists what has changed, under the next revision",
    )
    run.add_argument(
        "--only",
        action="append",
        default=[],
        metavar="PIECE",
        help="draw and cut this piece only, by name or pattern; 'changed': those that have changed",
    )
    check = add("check", "what a scan is like and what would be mended", "flatten check scan.ply")
    check.add_argument("scan", type=Path, metavar="SCAN")
    check.add_argument("--unit", choices=("mm", "cm", "m", "in"), help="the scan's unit")
    lines = add("lines", "read the pen lines off the scan's colours", "flatten lines scan.glb")
    lines.add_argument("scan", type=Path, metavar="SCAN")
    lines.add_argument("--unit", choices=("mm", "cm", "m", "in"), help="the scan's unit")
    lines.add_argument("--out", type=Path, metavar="JOB.toml", help="default: the scan's name")
    lines.add_argument(
        "--mirror",
        choices=("left", "right"),
        help="the side that is drawn; the other is its mirror",
    )
    lines.add_argument(
        "--complete",
        action="store_true",
        help="add the shortest lines without which a panel could not lie flat",
    )
    return top


def demo_jobs() -> list[Path]:
    """The bundled jobs, in the order they are run."""
    folder = Path(str(files("flatten.meshes")))
    return sorted(folder.glob("*.toml"))


def run_one(
    job_path: Path,
    out: Path,
    watch: Watch,
    *,
    complete: bool = False,
    since: Path | None = None,
    only: Sequence[str] = (),
    materials: Sequence[str] = (),
    stocks: Sequence[str] = (),
    compare: Sequence[str] = (),
) -> dict[str, Any]:
    """Reads, runs and writes one job; what report.json holds.

    complete : as `[scan] complete` of the job
    since : the results of an earlier run, to compare with
    only : the pieces to draw and cut, by name; "changed" stands for those that have changed
    materials, stocks, compare : "PLY=NAME": another material or stock, a material to set beside
    """
    from flatten.io.atomic import check_folder
    from flatten.io.formats import read_scan
    from flatten.io.issued import read_issued
    from flatten.io.job_choice import read_choices, with_comparisons, with_materials
    from flatten.io.jobs import read_job
    from flatten.io.polylines import read_line_file
    from flatten.io.results import write_results
    from flatten.pipeline import Clock, clean_scan, run_job
    from flatten.units import MM_PER_UNIT

    with watch.stage("read"):
        job = read_job(job_path)
        job = replace(job, scan=replace(job.scan, complete=job.scan.complete or complete))
        job, said = with_materials(
            job, read_choices(materials, "--material"), read_choices(stocks, "--stock")
        )
        job = with_comparisons(job, read_choices(compare, "--compare"))
        earlier = None if since is None else read_issued(since)
        if CHANGED in only and earlier is None:
            raise BadInput("--only changed compares", "--only", "name the earlier run with --since")
        names = tuple(name for name in only if name != CHANGED)
        if names:
            job = replace(job, output=replace(job.output, pieces=names))
        check_folder(out)
        scan = read_scan(job.scan.file, job.scan.unit)
    clock = Clock(watch.progress)
    cast = clean_scan(job, scan, clock)
    # A line file may state its own unit, so the scan's must be known first.
    mm = MM_PER_UNIT[cast.unit]
    drawn = tuple(line for f in job.line_files for line in read_line_file(f, job.inks, mm))
    outcome = run_job(job, scan, cast, drawn, clock, earlier=earlier, changed_only=CHANGED in only)
    outcome = replace(outcome, notes=(*said, *outcome.notes))
    return write_results(outcome, out, watch)


@contextmanager
def second_core() -> Iterator[None]:
    """Lets a second process compile the later stages meanwhile, if this is a first run."""
    from flatten.warm import warm_aside

    aside = warm_aside()
    try:
        yield
    finally:
        if aside is not None:
            aside.terminate()
            aside.wait()


def do_demo(args: argparse.Namespace, watch: Watch) -> tuple[int, Any]:
    reports = []
    for path in demo_jobs():
        out = args.out / path.stem
        watch.say(f"{path.stem}:")
        reports.append({"job": path.stem, "out": str(out), "report": run_one(path, out, watch)})
        watch.say(f"  results in {out} (open {out / 'report.html'})")
    return 0, reports


def do_run(args: argparse.Namespace, watch: Watch) -> tuple[int, Any]:
    # Another material's results lie beside the job's own.
    words = "-".join([args.job.stem, *(w.replace("=", "-") for w in args.material)])
    out = args.out or args.job.parent / f"{words}-out"
    report = run_one(
        args.job,
        out,
        watch,
        complete=args.complete,
        since=args.since,
        only=args.only,
        materials=args.material,
        stocks=args.stock,
        compare=args.compare,
    )
    fits = all(p["fits"] for p in report["panels"]) and not any(
        p["unplaced"] for p in report["plies"]
    )
    for panel in report["panels"]:
        mark = "" if panel["fits"] else "  OVER ITS LIMITS"
        watch.say(
            f"  {panel['ply']}, {panel['name']}: stretch {panel['stretch_peak_pct']:.1f} %,"
            f" squeeze {panel['squeeze_peak_pct']:.1f} %{mark}"
        )
    for piece in (report["changes"] or {"pieces": ()})["pieces"]:
        if piece["state"] != "same":
            said = "; ".join(piece["said"]) or piece["state"]
            watch.say(f"  {piece['piece']}, revision {piece['revision']}: {said}")
    for ply in report["plies"]:
        for reason in ply["unplaced"]:
            watch.say(f"  {ply['name']}: {reason}")
        for row in ply["materials"]:
            cost = "" if row["cost"] is None else f", cost {row['cost']:.2f}"
            watch.say(
                f"  {ply['name']} in {row['material']}: stretch {row['stretch_pct']:.1f} of"
                f" {row['stretch_limit_pct']:g} %, squeeze {row['squeeze_pct']:.1f} of"
                f" {row['squeeze_limit_pct']:g} %, {row['take']}{cost},"
                f" {row['cut_mm'] / 1000:.1f} m to cut, {row['minutes'] / 60:.1f} h"
            )
    watch.say(f"results in {out} (open {out / 'report.html'})")
    return (0 if fits else 1), report


def do_check(args: argparse.Namespace, watch: Watch) -> tuple[int, Any]:
    from flatten.io.formats import read_scan
    from flatten.io.inspection import inspection_data, inspection_text
    from flatten.records.job import ScanSpec
    from flatten.scan.survey import inspect

    with watch.stage("read"):
        scan = read_scan(args.scan, args.unit)
    with watch.stage("clean"):
        found = inspect(scan, ScanSpec(file=args.scan, unit=args.unit))
    if not args.json:
        print(inspection_text(found))
    return 0, inspection_data(found)


def do_lines(args: argparse.Namespace, watch: Watch) -> tuple[int, Any]:
    from flatten.completion import complete_reading
    from flatten.ink.complete import mirror_lines
    from flatten.ink.pairs import name_pairs
    from flatten.ink.picture import lines_picture
    from flatten.ink.read import read_ink
    from flatten.io.atomic import check_folder, write_together
    from flatten.io.charts import png_bytes
    from flatten.io.formats import read_scan
    from flatten.io.ink_report import ink_data, ink_text
    from flatten.io.job_text import job_of_lines, write_job
    from flatten.records.job import ScanSpec
    from flatten.scan.prepare import prepare

    out = args.out or args.scan.with_name(f"{args.scan.stem}.toml")
    with watch.stage("read"):
        scan = read_scan(args.scan, args.unit)
        check_folder(out.absolute().parent)
    spec = ScanSpec(file=args.scan, unit=args.unit)
    with watch.stage("clean"):
        cast = prepare(scan, spec)
    with watch.stage("lines"):
        reading = name_pairs(read_ink(scan, cast), cast)
        if args.mirror:
            reading = mirror_lines(reading, cast, args.mirror)
        reading = complete_reading(reading, cast, accept=args.complete)
    picture = out.with_name(f"{out.stem}-lines.png")
    job = write_job(job_of_lines(args.scan, spec, reading.lines, out, reading.inks))
    drawn = png_bytes(lines_picture(scan, cast, reading))
    write_together({picture: drawn, out: job.encode()})
    if not args.json:
        print(ink_text(reading))
    watch.say(f"job with {len(reading.lines)} lines in {out}; check them in {picture}")
    return 0, {"job": str(out), "picture": str(picture), **ink_data(reading)}


COMMANDS = {"demo": do_demo, "run": do_run, "check": do_check, "lines": do_lines}


def internal_fault(error: BaseException) -> str:
    """One line for a fault of our own; the details go to a file that can be sent with a report."""
    said = f"internal fault: {type(error).__name__}: {' '.join(str(error).split())[:200]}"
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="flatten-fault-", suffix=".txt", delete=False, encoding="utf-8"
        ) as out:
            out.write(f"flatten {__version__}, Python {sys.version}\n")
            traceback.print_exception(error, file=out)
    except OSError:
        return f"{said}; please report it with the job and the scan"
    return f"{said}; please report it with the job, the scan and {out.name}"


def main(argv: Sequence[str] | None = None) -> int:
    """Runs one command and gives its exit code (0 done, 1 over limits, 2 bad input, 3 fault)."""
    args = parser().parse_args(argv)
    watch = Watch(quiet=args.quiet)
    try:
        code, said = perform(args, watch)
        if sys.stdout is not None:
            sys.stdout.flush()
    except OSError as error:
        # Whoever reads the output has gone, or the disk that it is sent to is full.
        gone = isinstance(error, BrokenPipeError)
        code, said = (0, "") if gone else (3, f"cannot print ({error.strerror}); make room there")
        with suppress(OSError, ValueError):
            if sys.stdout is not None:
                os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    if said:
        with suppress(OSError):
            watch.close()
            print(f"flatten: {said}", file=sys.stderr, flush=True)
    return code


def perform(args: argparse.Namespace, watch: Watch) -> tuple[int, str]:
    """Runs one command; its exit code and, if it failed, the line that says why.

    Raises
    ------
    OSError : what it has to say cannot be printed
    """
    try:
        with second_core() if args.command in ("run", "demo") else nullcontext():
            code, data = COMMANDS[args.command](args, watch)
    except FlattenError as error:
        return error.exit_code, str(error)
    except KeyboardInterrupt:
        return 130, "cancelled; nothing was written"
    except MemoryError as error:
        return 3, f"{args.command}: not enough memory; {error}"
    except Exception as error:
        # Only writing to an open stream that no file was named for fails without a name.
        if isinstance(error, OSError) and error.filename is None:
            raise
        return 3, internal_fault(error)
    watch.close()
    if args.json:
        json.dump(data, sys.stdout, indent=1)
        print()
    return code, ""
