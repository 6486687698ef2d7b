"""What one ply would come to in another material: a row of the table a maker chooses from."""

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """One material and thickness for a ply, the lines and panels being the same.

    stretch_pct, squeeze_pct : the worst panel's peaks; limits beside them, the least of all
        directions where they differ
    load : the largest strain over its limit, in its own direction; 1 is at the limit
    over : names of the panels beyond their limits
    allowance_mm : what is added outside the net line, by joint, and at rims
    pieces, unplaced : pieces to cut, templates that found no place
    take : the stock in words; cost : at its price, None where none is given
    cut_mm, minutes : length of the cut lines, and handwork by the job's rates
    """

    material: str
    stock: str
    thickness_mm: float
    stretch_pct: float
    squeeze_pct: float
    stretch_limit_pct: float
    squeeze_limit_pct: float
    load: float = 0.0
    over: tuple[str, ...] = ()
    allowance_mm: Mapping[str, float] = field(default_factory=dict)
    pieces: int = 0
    unplaced: int = 0
    take: str = ""
    cost: float | None = None
    yield_pct: float = 0.0
    cut_mm: float = 0.0
    minutes: float = 0.0

    @property
    def fits(self) -> bool:
        return not self.over and not self.unplaced
