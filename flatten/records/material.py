"""Materials, stock and plies: what the panels are made of and how."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from flatten.records.arrays import lock, lock_fields
from flatten.records.making import Making


@dataclass(frozen=True, kw_only=True)
class Limit:
    """How far a material may be strained, percent; equal in all directions for foam or leather."""

    warp: float
    weft: float
    bias: float

    @property
    def isotropic(self) -> bool:
        return self.warp == self.weft == self.bias

    @property
    def least(self) -> float:
        """Along the thread that takes less."""
        return min(self.warp, self.weft)


def same(pct: float) -> Limit:
    """A limit that is the same in every direction."""
    return Limit(warp=pct, weft=pct, bias=pct)


@dataclass(frozen=True, kw_only=True)
class Allowance:
    """Width added beyond the net line, mm, by joint, and at rims."""

    butt: float = 0.0
    seam: float = 10.0
    lap: float = 15.0
    gap: float = 0.0
    rim: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Material:
    """What a ply is cut from. `family` picks practice: foam, leather, cloth or card."""

    name: str
    family: Literal["foam", "leather", "cloth", "card"]
    thickness_mm: float
    stretch_pct: Limit
    squeeze_pct: Limit
    k: float = 0.5
    grain: Literal["free", "along"] = "free"
    grain_tol_deg: float = 2.0
    one_way: bool = False
    bevel: bool = False
    kerf_mm: float = 0.0
    shrink_pct: float = 0.0
    laser: Literal["ok", "ask", "never"] = "ask"
    may_hold_pvc: bool = False
    allowance_mm: Allowance = field(default_factory=Allowance)
    source: str = ""

    @property
    def isotropic(self) -> bool:
        """Whether it takes as much in every direction."""
        return self.stretch_pct.isotropic and self.squeeze_pct.isotropic

    @property
    def split_joint(self) -> tuple[str, str, float]:
        """Joint, fixing and allowance, mm, where a piece is put together of parts."""
        if self.family in ("foam", "card"):
            return "butt", "glue", self.allowance_mm.butt
        return "seam", "stitch", self.allowance_mm.seam

    @property
    def laser_doubt(self) -> str:
        """Why a laser must not cut this material; "" where the user says `laser = "ok"`.

        A bundled material is "ok" only where it is known what it is made of.
        """
        if self.laser == "ok":
            return ""
        if self.may_hold_pvc:
            return "it may hold PVC, which gives off hydrogen chloride"
        if self.laser == "never":
            return "it is not for a laser"
        return "nobody has said yet that it may be cut so"

    @property
    def laser_refusal(self) -> str:
        """Why nothing is written for a laser in this material, "" where it may be."""
        if not self.laser_doubt:
            return ""
        return (
            f"no file for a laser in {self.name}: {self.laser_doubt}; if its data sheet allows a"
            ' laser, say laser = "ok" in its own [[material]]'
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class Zone:
    """A part of a hide that stretches alike (back, shoulder, belly): outline (k, 2) mm."""

    name: str
    outline: NDArray[np.float64]

    def __post_init__(self) -> None:
        lock_fields(self, outline=lock(self.outline, np.float64, None, 2, name="outline"))


@dataclass(frozen=True, eq=False, kw_only=True)
class Stock:
    """The material as it is bought or left over.

    kind : sheet (width, length, count), roll (width; length 0 = as needed), hide (outline), or
        offcut (outline, the grain along x as on the sheet or roll it is left of)
    outline : (k, 2) mm for a hide or offcut, else None; holes : flaws to keep clear of, each (k, 2)
    count : how many there are, 0 = as many as needed
    teeth_mm : depth of the teeth round a mat that locks into its neighbours; the size is over all
    fold : cloth folded along its length, face to face, cut through both layers
    backbone_deg : direction of a hide's backbone: leather gives least along it, most toward the
        belly, so the grain of every piece is laid along it; None where it is not known
    zones : pairs are cut from one zone where there are any
    material : what it is of; "" where it serves any ply that names it
    notes : what is to be said of it wherever it is used
    """

    name: str
    kind: Literal["sheet", "roll", "hide", "offcut"]
    width_mm: float = 0.0
    length_mm: float = 0.0
    count: int = 0
    gap_mm: float = 3.0
    margin_mm: float = 5.0
    price: float = 0.0
    outline: NDArray[np.float64] | None = None
    holes: tuple[NDArray[np.float64], ...] = ()
    teeth_mm: float = 0.0
    fold: bool = False
    backbone_deg: float | None = None
    zones: tuple[Zone, ...] = ()
    material: str = ""
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.outline is not None:
            lock_fields(self, outline=lock(self.outline, np.float64, None, 2, name="outline"))


@dataclass(frozen=True, kw_only=True)
class JointChoice:
    """A ply's own word on how a line is joined; None keeps the line's."""

    joint: str | None = None
    fixing: str | None = None


@dataclass(frozen=True, kw_only=True)
class Ply:
    """One making of the panels in one material.

    stock, more_stocks : what it is cut from, the first first
    compare : other materials to set beside this one
    """

    name: str
    material: str
    stock: str
    more_stocks: tuple[str, ...] = ()
    compare: tuple[str, ...] = ()
    panels: tuple[str, ...] = ("*",)
    lines: tuple[str, ...] = ("*",)
    over: str | None = None
    face: Literal["face", "back"] = "face"
    joints: Mapping[str, JointChoice] = field(default_factory=dict)
    making: Making = field(default_factory=Making)
