"""Several plies and the stock they share: who has taken what, who can spare what, what is set where."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatchcase

from flatten.errors import BadInput
from flatten.nest.place import lay_out, spared_by, with_ways
from flatten.nest.search import Progress
from flatten.records.effort import Effort, Fastening, Rates
from flatten.records.job import Job
from flatten.records.material import Material, Ply, Stock
from flatten.records.template import LayPlan, TemplateSet


@dataclass(kw_only=True)
class Store:
    """The job's stock while its plies are laid one after another.

    taken : of every stock by its name, sheets or mm of a roll
    """

    job: Job
    taken: dict[str, float] = field(default_factory=dict)

    def lay(
        self, ply: Ply, material: Material, template_set: TemplateSet, progress: Progress
    ) -> LayPlan:
        """The ply's plan on what earlier plies have left of its stock; takes what it needs."""
        plan = self.try_on(ply, material, template_set, self.job.nesting, progress)
        for name, much in plan.usage.taken:
            self.taken[name] = self.taken.get(name, 0.0) + much
        return plan

    def try_on(
        self,
        ply: Ply,
        material: Material,
        template_set: TemplateSet,
        effort: Effort,
        progress: Progress,
    ) -> LayPlan:
        """The same, but nothing is taken."""
        return lay_out(
            template_set,
            stocks_of(self.job, ply, material),
            material,
            effort,
            progress,
            rates=self.job.rates,
            taken=self.taken,
            points=fastenings(self.job, ply, template_set),
        )

    def with_ways(self, ply: Ply, plans: Sequence[tuple[Ply, Material, LayPlan]]) -> LayPlan:
        """A ply's plan with the ways out that the other plies' stock offers."""
        own = next((m, plan) for p, m, plan in plans if p.name == ply.name)
        others = [
            spared_by(p.name, plan, stocks_of(self.job, p, m), self.taken)
            for p, m, plan in plans
            if p.name != ply.name and m.family == own[0].family
        ]
        material, plan = own
        rates: Rates = self.job.rates
        return with_ways(plan, stocks_of(self.job, ply, material), material, rates, others)


def stocks_of(job: Job, ply: Ply, material: Material) -> list[Stock]:
    """The stocks a ply names, in that order, without those that are of another material.

    Raises
    ------
    BadInput : none is left
    """
    by_name = {stock.name: stock for stock in job.stocks}
    named = [by_name[name] for name in (ply.stock, *ply.more_stocks)]
    fitting = [s for s in named if s.material in ("", material.name)]
    if not fitting:
        raise BadInput(
            f"its stock is of {named[0].material}, not of {material.name}",
            f"ply '{ply.name}'",
            "name stock of that material",
        )
    return fitting


def fastenings(job: Job, ply: Ply, template_set: TemplateSet) -> list[Fastening]:
    """What is set at the job's points in this ply, but for those that were left out.

    What goes through several plies is set, and bought, with the first of them; in the others it is
    a hole.
    """
    notes = [*template_set.notes, *(n for t in template_set.templates for n in t.notes)]
    thick = {m.name: m.thickness_mm for m in job.materials}
    found = []
    for point in job.points:
        through = [p for p in job.plies if any(fnmatchcase(p.name, w) for w in point.plies)]
        if ply.name not in [p.name for p in through]:
            continue
        called = f"{point.kind} '{point.name}'"
        if any(note.startswith(called) and note.endswith("left out") for note in notes):
            continue
        kind = point.kind if through[0].name == ply.name else "hole"
        stack = sum(thick[p.material] for p in through)
        found.append(Fastening(kind=kind, stack_mm=stack, diameter_mm=point.diameter_mm))
    return found
