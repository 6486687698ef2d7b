"""The job: everything the user asked for, validated, defaults filled in."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from flatten.records.effort import Effort, Rates
from flatten.records.lines import Line
from flatten.records.making import Alter, OutputChoice, PointDetail
from flatten.records.material import Material, Ply, Stock


@dataclass(frozen=True, kw_only=True)
class GirthSpec:
    """A tape measurement: a point the level tape passes near (file numbers), and its mm."""

    at: tuple[float, float, float]
    mm: float
    over_wrap: bool = False


@dataclass(frozen=True, kw_only=True)
class KeepBox:
    """The part of the scan to keep, in file numbers: two opposite corners of a box."""

    low: tuple[float, float, float]
    high: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class ScanSpec:
    """How to read and prepare the scan; None means: find it and say so."""

    file: Path
    unit: str | None = None
    up: tuple[float, float, float] | None = None
    front: tuple[float, float, float] | None = None
    tape_mm: float = 0.0
    ease_mm: float = 0.0
    edge_mm: float | None = None
    ink: bool = False
    girths: tuple[GirthSpec, ...] = ()
    keep: KeepBox | None = None
    slit: str = "close"  # or "keep": the slit stays an opening seam
    complete: bool = False  # True: lines that are missing for disks are added
    symmetric: bool = False  # True: left and right are averaged to exact mirrors
    symmetric_mm: float = 10.0  # how nearly the cast must be its mirror image for that, rms


@dataclass(frozen=True, kw_only=True)
class LineFile:
    """Lines to be read from a file; what they become where the file does not say."""

    path: Path
    name: str | None = None
    kind: str | None = None
    joint: str = "butt"
    fixing: str = "glue"
    mirror: bool = False


@dataclass(frozen=True, kw_only=True)
class InkRule:
    """What the pen lines of a colour become."""

    colour: str
    kind: str
    joint: str = "butt"
    fixing: str = "glue"


@dataclass(frozen=True, kw_only=True)
class PanelName:
    """A name for the panel nearest to a point given in the scan file's own numbers."""

    name: str
    at: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class Job:
    """A whole job. Lines from files and from the pen are added by the pipeline.

    date : as it is to be printed, None for no date (so that the same job gives the same drawing)
    one_per_pair : one template for two panels that are mirror images, quantity 2
    pair_tolerance_mm : how nearly they must be
    revisions : of templates that keep an earlier revision than the job's, by name
    """

    title: str
    path: Path
    scan: ScanSpec
    wearer: str = ""
    revision: int = 1
    lines: tuple[Line, ...] = ()
    line_files: tuple[LineFile, ...] = ()
    inks: tuple[InkRule, ...] = ()
    panel_names: tuple[PanelName, ...] = ()
    plies: tuple[Ply, ...] = ()
    materials: tuple[Material, ...] = ()  # the job's own, then the bundled ones it uses
    stocks: tuple[Stock, ...] = ()
    date: str | None = None
    one_per_pair: bool = False
    pair_tolerance_mm: float = 2.0
    points: tuple[PointDetail, ...] = ()
    alters: tuple[Alter, ...] = ()
    revisions: Mapping[str, int] = field(default_factory=dict)
    output: OutputChoice = field(default_factory=OutputChoice)
    nesting: Effort = field(default_factory=Effort)
    rates: Rates = field(default_factory=Rates)
