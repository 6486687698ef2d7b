"""A ply in one material as a row of the table that a maker chooses from."""

from collections.abc import Sequence

from flatten.records.comparison import Comparison
from flatten.records.flat import Strain
from flatten.records.material import Material
from flatten.records.template import LayPlan


def comparison_of(
    material: Material,
    panels: Sequence[str],
    strains: Sequence[Strain],
    plan: LayPlan,
) -> Comparison:
    """Strain against limits, allowance, pieces, stock, cost, cutting length and time of one making.

    `panels` and `strains` go together.
    """
    allowance: dict[str, float] = {}
    for template in plan.template_set.templates:
        for edge in template.net:
            kind = edge.joint if edge.seam >= 0 else "rim"
            if kind:
                allowance[kind] = max(allowance.get(kind, 0.0), edge.allowance_mm)
    usage, work = plan.usage, plan.handwork
    shown = [name for name, _ in usage.taken]
    take = [f"{what}: {much}" for what, much in usage.buy if what in shown]
    return Comparison(
        material=material.name,
        stock=plan.stock,
        thickness_mm=material.thickness_mm,
        stretch_pct=max((s.stretch_peak_pct for s in strains), default=0.0),
        squeeze_pct=max((s.squeeze_peak_pct for s in strains), default=0.0),
        stretch_limit_pct=material.stretch_pct.least,
        squeeze_limit_pct=material.squeeze_pct.least,
        load=max((s.load_peak for s in strains), default=0.0),
        over=tuple(n for n, s in zip(panels, strains, strict=True) if not s.fits),
        allowance_mm=allowance,
        pieces=work.pieces if work is not None else 0,
        unplaced=len(plan.unplaced),
        take="; ".join(take),
        cost=usage.cost,
        yield_pct=usage.yield_pct,
        cut_mm=work.cut_mm if work is not None else usage.cut_mm,
        minutes=work.total_minutes if work is not None else 0.0,
    )
