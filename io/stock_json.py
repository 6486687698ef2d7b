"""The report's numbers on stock: cost, handwork, ways out, offcuts, materials compared."""

from typing import Any

from flatten.records.outcome import PlyOutcome


def stock_data(outcome: PlyOutcome) -> dict[str, Any]:
    """What an entry of `plies` holds beyond the lay plan's own figures."""
    plan = outcome.lay_plan
    work = plan.handwork
    return {
        "stock": [{"name": name, "amount": much} for name, much in plan.usage.taken],
        "cost": plan.usage.cost,
        "ways_out": [
            {"kind": w.kind, "words": w.words, "cost": w.cost, "minutes": w.minutes}
            for w in plan.ways
        ],
        "lay_plan_notes": list(plan.notes),
        "offcuts": len(plan.offcuts),
        "handwork": None
        if work is None
        else {
            **{k: v for k, v in vars(work).items() if k not in ("minutes", "details")},
            "minutes": dict(work.minutes),
            "details_minutes": dict(work.details),
            "total_minutes": work.total_minutes,
        },
        "materials": [
            {
                **{k: v for k, v in vars(c).items() if k not in ("over", "allowance_mm")},
                "over": list(c.over),
                "allowance_mm": dict(c.allowance_mm),
                "fits": c.fits,
            }
            for c in outcome.comparisons
        ],
    }
