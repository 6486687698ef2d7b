"""Panels laid flat, and what that costs in strain."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flatten.records.arrays import lock, lock_fields
from flatten.records.material import Material
from flatten.records.panels import PanelSet


@dataclass(frozen=True, eq=False, kw_only=True)
class Flat:
    """One panel on the plane.

    U : (n, 2) float64 mm, index by index with the panel's V; the outside faces up (triangles run
        counterclockwise) and the wearer's up is +y as far as the panel allows
    grain_deg : direction of the grain line (warp) on this flat, degrees from +x; 90 is up
    above_least_pct : how far its worst strain may be above the least possible, percent of it
    stopped : why no less was sought
    """

    U: NDArray[np.float64]
    grain_deg: float = 90.0
    above_least_pct: float = 0.0
    stopped: str = ""
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        lock_fields(self, U=lock(self.U, np.float64, None, 2, name="U"))


@dataclass(frozen=True, eq=False, kw_only=True)
class FlatSet:
    """All panels of one ply, flat; `flats[i]` belongs to `panel_set.panels[i]`."""

    ply: str
    material: Material
    panel_set: PanelSet
    flats: tuple[Flat, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class Strain:
    """Strain of one flat: what the flat material must do to take the panel's shape.

    s1, s2 : (m,) principal stretches of the map flat -> surface, s1 >= s2
    stretch_disc, squeeze_disc : (m,) area-weighted means over faces within 5 mm, as fractions
    Percentages are fractions times 100; the fields are named as in report.json.
    """

    s1: NDArray[np.float64]
    s2: NDArray[np.float64]
    stretch_disc: NDArray[np.float64]
    squeeze_disc: NDArray[np.float64]
    area_surface_mm2: float
    area_flat_mm2: float
    stretch_peak_pct: float
    squeeze_peak_pct: float
    stretch_max_pct: float
    squeeze_max_pct: float
    stretch_p99_pct: float
    squeeze_p99_pct: float
    angle_error_mean_deg: float
    bending_max_pct: float
    flipped_faces: int
    overlap_mm2: float
    load_peak: float  # the largest of peak / limit over both; 1 is at the limit
    fits: bool

    def __post_init__(self) -> None:
        m = len(self.s1)
        for name in ("s1", "s2", "stretch_disc", "squeeze_disc"):
            lock_fields(self, **{name: lock(getattr(self, name), np.float64, m, name=name)})


@dataclass(frozen=True, kw_only=True)
class Deciding:
    """The strain by which a panel fits or does not: the one that is most of its limit.

    kind : "stretch" or "squeeze"; pct : what is asked, limit_pct : what the material gives there
    direction : of the weave, in words; empty where the limits are the same in all directions
    edge : the nearest border run's name; edge_mm : distance to it on the flat
    """

    kind: str
    pct: float
    limit_pct: float
    direction: str
    edge: str
    edge_mm: float


@dataclass(frozen=True, kw_only=True)
class WorstPlace:
    """One place that a chart numbers.

    face : the panel's face; at : its centre on the flat, mm
    pct : positive for stretch, negative for squeeze
    edge : the nearest border run's name; edge_mm : distance to it on the flat
    edge_gain_mm : how much longer that whole edge is on the body than on the flat
    """

    face: int
    at: tuple[float, float]
    pct: float
    edge: str
    edge_mm: float
    edge_gain_mm: float


@dataclass(frozen=True, kw_only=True)
class SeamReport:
    """One row of the report's seams table (design.md, section 5)."""

    ply: str
    line: str
    name: str
    joint: str
    fixing: str
    panels: tuple[str, str]
    surface_mm: tuple[float, float]
    flat_mm: tuple[float, float]
    holes: tuple[int, int]
    mismatch_mm: float
    worst_cumulative_mm: float
