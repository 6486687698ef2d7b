"""What a whole run comes to: everything the writers of files and reports need."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from flatten.records.cast import Cast
from flatten.records.comparison import Comparison
from flatten.records.drawing import Drawing
from flatten.records.flat import Deciding, FlatSet, SeamReport, Strain, WorstPlace
from flatten.records.guide import Guide
from flatten.records.issue import Change
from flatten.records.job import Job
from flatten.records.lines import LineNetwork
from flatten.records.material import Material, Ply, Stock
from flatten.records.pages import Tiling
from flatten.records.template import LayPlan, Template, TemplateSet


@dataclass(frozen=True, eq=False, kw_only=True)
class PlyOutcome:
    """One ply, from its flats to its drawings; strains, advice, places, deciding go by panel."""

    ply: Ply
    material: Material
    stock: Stock
    flat_set: FlatSet
    strains: tuple[Strain, ...]
    advice: tuple[tuple[str, ...], ...]
    places: tuple[tuple[WorstPlace, ...], ...]
    deciding: tuple[Deciding, ...]
    seams: tuple[SeamReport, ...]
    template_set: TemplateSet
    lay_plan: LayPlan
    drawings: tuple[Drawing, ...]
    tilings: tuple[Tiling, ...] = ()
    hoops: Drawing | None = None
    comparisons: tuple[Comparison, ...] = ()
    changes: tuple[Change, ...] = ()

    @property
    def all_templates(self) -> tuple[Template, ...]:
        """Those to be cut now and those that were issued before."""
        return self.template_set.every or self.template_set.templates


@dataclass(frozen=True, eq=False, kw_only=True)
class Outcome:
    """A finished run.

    timings : seconds by stage, warm; notes : sentences for the user, in the order they came up
    since : the revision of an earlier run that this one was compared with; changes : by piece
    ink_picture : (h, w, 3) the pen lines found over the scan's colours, None where none were read
    """

    job: Job
    cast: Cast
    network: LineNetwork
    plies: tuple[PlyOutcome, ...]
    timings: Mapping[str, float] = field(default_factory=dict)
    cautions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    guide: Guide = field(default_factory=Guide)
    ink_picture: NDArray[np.uint8] | None = None
    since: int | None = None
    changes: tuple[Change, ...] = ()

    @property
    def fits(self) -> bool:
        """True if every panel is within its limits and every template lies on its stock."""
        return all(s.fits for p in self.plies for s in p.strains) and not any(
            p.lay_plan.unplaced for p in self.plies
        )
