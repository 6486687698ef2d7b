"""Everything that shapes one ply's templates: its finishes, and what the whole job says."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from flatten.records.issue import EarlierRun
from flatten.records.making import Alter, Making, PointDetail


@dataclass(frozen=True, kw_only=True)
class TemplateSpec(Making):
    """A ply's finishes, with what the job says of title, revision, alterations and pairs.

    date : as it is to be printed, None for no date (so that the same job gives the same drawing)
    beneath_mm : thickness of the plies beneath this one, for edges turned round them
    points : eyelets and the like, of all plies
    alters : those that name a line or rim of this ply
    one_per_pair : one template for two panels that are mirror images, quantity 2
    pair_tolerance_mm : how nearly they must be
    revisions : of templates that were last issued under another one than the job's, by name
    earlier : an earlier run: what has not changed since keeps its revision
    """

    title: str = ""
    wearer: str = ""
    revision: int = 1
    date: str | None = None
    beneath_mm: float = 0.0
    points: tuple[PointDetail, ...] = ()
    alters: tuple[Alter, ...] = ()
    one_per_pair: bool = False
    pair_tolerance_mm: float = 2.0
    revisions: Mapping[str, int] = field(default_factory=dict)
    earlier: EarlierRun | None = None
