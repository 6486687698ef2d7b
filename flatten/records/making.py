"""What the user may ask of the templates and of the files: finishes, stitching, alterations, output."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

from flatten.records.pages import PAPERS

Finish = Literal["raw", "bevelled", "bound", "turned", "piped"]
FINISHES: tuple[Finish, ...] = get_args(Finish)
Marks = Literal["piece", "back", "allowance", "paper"]
MARKS: tuple[Marks, ...] = get_args(Marks)
PointKind = Literal["eyelet", "rivet", "slit", "buttonhole"]
POINT_KINDS: tuple[PointKind, ...] = get_args(PointKind)
DxfVersion = Literal["R12", "R2000", "R2004", "R2007", "R2010", "R2013", "R2018"]
DXF_VERSIONS: tuple[DxfVersion, ...] = get_args(DxfVersion)
DxfUnit = Literal["mm", "in"]
DXF_UNITS: tuple[DxfUnit, ...] = get_args(DxfUnit)


@dataclass(frozen=True, kw_only=True)
class StitchChoice:
    """A user's own hole row along a line; None keeps what the material's family suggests.

    pitch_mm : between holes; inside_mm : from the edge (0: on the net line)
    hole_mm : diameter; rows : 1, or 2 for a paired row one pitch farther in
    """

    pitch_mm: float | None = None
    inside_mm: float | None = None
    hole_mm: float | None = None
    rows: int | None = None


@dataclass(frozen=True, kw_only=True)
class Alter:
    """A change found at the fitting: a seam let out, or a rim moved.

    line : the seam's line, a stretch of it, or a rim
    by_mm : outward on every side of the seam; negative takes in
    start, end : where along the stretch, as fractions of its length on the body, in the seam's (or
        rim's) direction; between an end inside the edge and 15 % of it farther in, the change
        fades in
    """

    line: str
    by_mm: float
    start: float = 0.0
    end: float = 1.0


@dataclass(frozen=True, kw_only=True)
class PointDetail:
    """An eyelet, rivet, slit or buttonhole at a place on the body.

    at : a point on the scan, in the file's own numbers
    diameter_mm : of the hole, or of the button; for a slit its length
    thickness_mm : of the button; angle_deg : of a slit or buttonhole, 0 level on the wearer
    plies : patterns of the plies that have it
    """

    name: str
    kind: PointKind
    at: tuple[float, float, float]
    diameter_mm: float
    thickness_mm: float = 0.0
    angle_deg: float = 0.0
    plies: tuple[str, ...] = ("*",)


@dataclass(frozen=True, kw_only=True)
class SplitChoice:
    """Where a piece is cut in parts: mm from where its grain begins, and from the grain's right."""

    across_mm: tuple[float, ...] = ()
    along_mm: tuple[float, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Making:
    """How one ply's templates are finished. Mappings go by line or rim name, "*" for all others.

    rim_finish : how rims end; left out: turned for cloth with an allowance and for covers, else raw
    stitch : hole rows; topstitch : lines of stitching, mm inside the edge
    detail_pieces : patterns of the closed details that are cut as pieces of their own
    cut_details : cut them where seams of the ply cross them; else they stay whole over the seams
    hoop_mm : width and length of the field that an embroidery hoop can sew, None for no hoop
    facing_mm : width of the facing behind a gap
    turn_mm : what a turned edge takes beyond the thickness beneath
    dart_stop_mm : how far short of its point a folded dart is sewn
    relief_mm : diameter of the hole at a leather dart's point
    binding_join_mm : what a binding needs beyond the rim's own length
    marks : where what is drawn goes: on the piece as it lies; on its back; in the allowance; or on
        the paper only, so that a machine is sent nothing but what it cuts and scores
    mock_up : made for the fitting: wide seams, level and centre lines
    split : pieces cut in parts, by their names
    """

    rim_finish: Mapping[str, Finish] = field(default_factory=dict)
    stitch: Mapping[str, StitchChoice] = field(default_factory=dict)
    topstitch: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    detail_pieces: tuple[str, ...] = ()
    cut_details: bool = False
    hoop_mm: tuple[float, float] | None = None
    facing_mm: float = 28.0
    turn_mm: float = 13.0
    dart_stop_mm: float = 15.0
    relief_mm: float = 2.5
    binding_join_mm: float = 20.0
    marks: Marks = "piece"
    mock_up: bool = False
    split: Mapping[str, SplitChoice] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class OutputChoice:
    """Which files are written besides those that always are.

    papers : paper of PLY.pdf, then of further PDF files named after theirs
    sewn_dxf : the published sewn-products profile; svg_processes : an SVG file for each process,
    for machines that take one at a time; projector : a sheet of light lines on black
    pieces : patterns of the pieces that are drawn and cut, by name, with or without their ply's
    """

    papers: tuple[str, ...] = ("A4",)
    sewn_dxf: bool = False
    dxf_version: DxfVersion = "R2010"
    dxf_unit: DxfUnit = "mm"
    svg_processes: bool = False
    projector: bool = False
    pieces: tuple[str, ...] = ("*",)

    def __post_init__(self) -> None:
        unknown = [paper for paper in self.papers if paper not in PAPERS]
        if unknown:
            raise ValueError(f"unknown paper {unknown[0]}")
