"""Everything that shapes one ply's templates: its finishes, and what the whole job says."""

from dataclasses import dataclass

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
