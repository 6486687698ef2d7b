"""The cleaned scan: one oriented manifold shell in mm, its openings bounded by rims."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from flatten.records.arrays import lock, lock_fields


@dataclass(frozen=True, eq=False, kw_only=True)
class Rim:
    """The border loop of one opening.

    vertices : (k,) int, in order, not repeated at the end, the surface on the left from outside
    name : where it lies on the body ("upper", "lower", "left", "right", with a number if needed)
    length_mm : along the mesh edges; smooth_length_mm : the same once raggedness is smoothed out
    flatness_mm : rms distance from the rim's own best plane
    """

    name: str
    vertices: NDArray[np.int32]
    length_mm: float
    smooth_length_mm: float
    flatness_mm: float
    centre: NDArray[np.float64]

    def __post_init__(self) -> None:
        lock_fields(
            self,
            vertices=lock(self.vertices, np.int32, None, name="vertices"),
            centre=lock(self.centre, np.float64, 3, name="centre"),
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class Girth:
    """A level tape measurement: what was asked for and what the cast measures.

    at : (3,) the point on the cast, mm, cast frame
    asked_mm : what the tape said on the wearer, None where only measured
    measured_mm : convex hull length of the level section, after scale and tape (or over the wrap)
    allowed_mm : ISO 20685's allowed difference for a girth of this size
    """

    at: NDArray[np.float64]
    measured_mm: float
    asked_mm: float | None = None
    over_wrap: bool = False
    allowed_mm: float = 9.0

    def __post_init__(self) -> None:
        lock_fields(self, at=lock(self.at, np.float64, 3, name="at"))


@dataclass(frozen=True, eq=False, kw_only=True)
class Symmetry:
    """The left-right mirror plane: a point on it, its unit normal, and how well it fits."""

    point: NDArray[np.float64]
    normal: NDArray[np.float64]
    rms_mm: float

    def __post_init__(self) -> None:
        lock_fields(
            self,
            point=lock(self.point, np.float64, 3, name="point"),
            normal=lock(self.normal, np.float64, 3, name="normal"),
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class Cast:
    """One oriented manifold shell in mm; up is +y, front +z, the wearer's left +x.

    V : (n, 3) float64 mm, sorted along a space-filling curve
    F : (m, 3) int32, counterclockwise seen from outside
    N : (n, 3) float64, unit outward normals of the denoised surface (offsets follow them)
    to_cast : (4, 4) scan-file numbers -> cast frame mm (pose and scale; before the offset)
    scale : mm per scan-file number in `to_cast`
    offset_mm : how far the surface was then moved outward along N (ease - tape)
    symmetry : None where none was found within reason
    repairs : what was mended, counts and millimetres by speaking key
    slits : closed or kept slits as polylines (k, 3) mm, cast frame
    """

    name: str
    V: NDArray[np.float64]
    F: NDArray[np.int32]
    N: NDArray[np.float64]
    rims: tuple[Rim, ...]
    to_cast: NDArray[np.float64]
    unit: str = "mm"
    scale: float = 1.0
    offset_mm: float = 0.0
    edge_mm: float = 5.0
    girths: tuple[Girth, ...] = ()
    symmetry: Symmetry | None = None
    repairs: Mapping[str, int | float | str] = field(default_factory=dict)
    slits: tuple[NDArray[np.float64], ...] = ()
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        n = len(self.V)
        lock_fields(
            self,
            V=lock(self.V, np.float64, None, 3, name="V"),
            F=lock(self.F, np.int32, None, 3, name="F"),
            N=lock(self.N, np.float64, n, 3, name="N"),
            to_cast=lock(self.to_cast, np.float64, 4, 4, name="to_cast"),
        )

    def spot(self, point: NDArray[np.float64]) -> str:
        """A point (3,) on the cast as the scan file would put it, for messages."""
        x, y, z = np.linalg.solve(self.to_cast[:3, :3], point - self.to_cast[:3, 3])
        return f"({x:.4g}, {y:.4g}, {z:.4g})"
