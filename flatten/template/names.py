"""Names that a job uses for lines, rims and details, held against those that a ply really has."""

import difflib
from collections.abc import Iterable, Sequence
from fnmatch import fnmatchcase

from flatten.errors import BadInput
from flatten.records.making import Alter
from flatten.records.material import Ply
from flatten.records.panels import PanelSet


def edge_names(panel_set: PanelSet) -> set[str]:
    """Names of lines, of their stretches and of rims."""
    runs = {run.name for panel in panel_set.panels for run in panel.border}
    return runs | {seam.line for seam in panel_set.seams} | {s.name for s in panel_set.seams}


def own_alters(alters: Iterable[Alter], panel_set: PanelSet) -> tuple[Alter, ...]:
    """The alterations that name a line or rim of this ply's panels."""
    there = edge_names(panel_set)
    return tuple(alter for alter in alters if alter.line in there)


def check_alters(alters: Sequence[Alter], panel_sets: Sequence[PanelSet]) -> None:
    """Every alteration names a line or rim of some ply.

    Raises
    ------
    BadInput : names the first that does not
    """
    there = sorted(set().union(*(edge_names(panel_set) for panel_set in panel_sets)))
    for alter in alters:
        if alter.line not in there:
            raise BadInput(
                f"no seam or rim '{alter.line}'", "alter", f"name one of: {', '.join(there)}"
            )


def idle_names(ply: Ply, panel_set: PanelSet) -> list[str]:
    """A sentence for each name in a ply's tables that none of its lines, rims or details bears."""
    lines = {seam.line for seam in panel_set.seams}
    rims = {r.name for panel in panel_set.panels for r in panel.border if r.seam < 0}
    details = {panel.detail for panel in panel_set.panels} - {""}
    making = ply.making
    both = edge_names(panel_set)
    said = []
    for key, names, known, what in (
        ("joints", ply.joints, lines, "seam"),
        ("rim_finish", making.rim_finish, rims, "rim or overlay"),
        ("stitch", making.stitch, (both - rims) | details, "seam"),
        ("topstitch", making.topstitch, both, "seam or rim"),
        ("detail_pieces", making.detail_pieces, details, "closed detail"),
    ):
        for name in names:
            by_pattern = key == "detail_pieces" and any(fnmatchcase(k, name) for k in known)
            if name == "*" or name in known or by_pattern:
                continue
            if key == "detail_pieces" and any(f"'{name}'" in note for note in panel_set.notes):
                continue  # why nothing is made of it has been said
            near = difflib.get_close_matches(name, known, n=1, cutoff=0.6)
            hint = f"; did you mean '{near[0]}'?" if near else ""
            said.append(f"ply '{ply.name}', {key}: no {what} is called '{name}'{hint}")
    return said
