"""The making guide of a job: from templates to steps in the order of the trade (common practice)."""

from collections.abc import Sequence

from flatten.guide.edges import closing_steps, flat_steps, rim_steps
from flatten.guide.places import seam_stage
from flatten.guide.tape import tape_checks
from flatten.records.guide import Guide, GuidePly, GuideStep
from flatten.records.material import Material, Ply
from flatten.records.template import TemplateSet

Made = tuple[Ply, Material, TemplateSet]


def build_guide(made: Sequence[Made]) -> Guide:
    """The guide for all plies, those beneath before those over them.

    Within a ply: mark, punch and top-stitch while flat; bevel, seal, form; darts; seams within the
    front and within the back; shoulders; sides; the closure; edges. A mock-up comes before the
    plies that it is to try. The tape checks are those of the innermost ply that is none.
    """
    ordered = _inside_out(made)
    plies = tuple(
        GuidePly(
            name=f"{ply.name}, mock-up" if ply.making.mock_up else ply.name,
            material=material.name,
            over=ply.over or "",
            steps=(
                *flat_steps(ply, material, templates),
                *_seam_steps(material, templates),
                *rim_steps(ply, templates),
            ),
        )
        for ply, material, templates in ordered
    )
    worn = [templates for ply, _, templates in ordered if not ply.making.mock_up]
    worn += [templates for _, _, templates in ordered]
    return Guide(plies=plies, checks=tape_checks(worn[0]) if worn else ())


def _inside_out(made: Sequence[Made]) -> list[Made]:
    over = {ply.name: ply.over for ply, _, _ in made}

    def depth(name: str) -> int:
        count, below = 0, over.get(name)
        while below is not None and count < len(over):
            count, below = count + 1, over.get(below)
        return count

    return sorted(made, key=lambda m: (not m[0].making.mock_up, depth(m[0].name)))


def _seam_steps(material: Material, templates: TemplateSet) -> list[GuideStep]:
    """A step for every seam stretch and dart, in the order they are closed."""
    panel_set = templates.flat_set.panel_set
    steps = []
    for index, seam in enumerate(panel_set.seams):
        edge = templates.seam_edges[index, 0]
        rank, stage, away = seam_stage(panel_set, seam, edge.joint, edge.fixing)
        steps.append((rank, away, index, closing_steps(material, templates, index, stage)))
    return [step for *_, step in sorted(steps, key=lambda s: s[:3])]
