"""The panels that one ply uses, out of all."""

from dataclasses import replace
from fnmatch import fnmatchcase

from flatten.errors import BadInput
from flatten.records.panels import PanelSet


def select_panels(panel_set: PanelSet, patterns: tuple[str, ...]) -> PanelSet:
    """Panels whose name fits one of the shell-style patterns, and the seams between them.

    A seam to a panel that was not chosen becomes a rim of the same name.

    Raises
    ------
    BadInput : a pattern fits no panel
    """
    for pattern in patterns:
        if not any(fnmatchcase(panel.name, pattern) for panel in panel_set.panels):
            known = ", ".join(panel.name for panel in panel_set.panels)
            raise BadInput(f"no panel is named '{pattern}'", "ply panels", f"there are: {known}")
    chosen = [
        k
        for k, panel in enumerate(panel_set.panels)
        if any(fnmatchcase(panel.name, pattern) for pattern in patterns)
    ]
    if len(chosen) == len(panel_set.panels):
        return panel_set
    new_panel = {old: new for new, old in enumerate(chosen)}
    kept = [
        k
        for k, seam in enumerate(panel_set.seams)
        if all(side.panel in new_panel for side in seam.sides)
    ]
    new_seam = {old: new for new, old in enumerate(kept)}
    seams = []
    for k in kept:
        seam = panel_set.seams[k]
        a, b = (replace(side, panel=new_panel[side.panel]) for side in seam.sides)
        seams.append(replace(seam, sides=(a, b)))
    panels = []
    for k in chosen:
        panel = panel_set.panels[k]
        border = tuple(
            replace(
                run, seam=new_seam.get(run.seam, -1), side=run.side if run.seam in new_seam else 0
            )
            for run in panel.border
        )
        panels.append(replace(panel, border=border))
    return replace(panel_set, panels=tuple(panels), seams=tuple(seams))
