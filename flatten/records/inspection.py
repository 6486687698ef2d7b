"""What a scan is like, and what preparing it would repair."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from flatten.records.cast import Girth, Rim


@dataclass(frozen=True, eq=False, kw_only=True)
class Inspection:
    """The findings of a check, in mm and the cast's frame unless a field says otherwise.

    faces, points : as they came from the file
    unit, scale : the unit taken, and mm per file number with the girths
    unit_candidates_mm : where the unit is not clear, the longest side in each that fits; else empty
    size_mm : extent along left-right, up and front
    openings : the rims that stay, as on the mended scan before it is meshed anew
    holes_mm : smoothed lengths of the borders that would be filled, longest first
    slits_mm : lengths of the slits found
    girths : those asked for and what the scan measures; without any, level girths at a quarter,
        half and three quarters of the height
    colours : "vertex", "texture" or "none"
    noise_mm : what a paraboloid fitted to 8 mm patches leaves over, 0 where the scan is clean
    edge_mm : the working resolution that `run` would mesh it with
    repairs : what would be mended, counts and mm by name
    """

    name: str
    faces: int
    points: int
    unit: str
    scale: float
    size_mm: tuple[float, float, float]
    openings: tuple[Rim, ...]
    holes_mm: tuple[float, ...]
    slits_mm: tuple[float, ...]
    girths: tuple[Girth, ...]
    colours: str
    noise_mm: float
    edge_mm: float
    unit_candidates_mm: Mapping[str, float] = field(default_factory=dict)
    repairs: Mapping[str, int | float | str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
