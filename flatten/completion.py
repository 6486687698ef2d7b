"""Adds the lines without which the panels would not be disks, one shortest line after the other."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase

from flatten.errors import BadInput
from flatten.lines.network import join_lines
from flatten.panels.carve import CUTTING
from flatten.panels.cut import propose_lines
from flatten.records.bundled import DEFAULT_PLY
from flatten.records.cast import Cast
from flatten.records.ink import InkReading
from flatten.records.lines import Line, LineNetwork, Proposal
from flatten.records.material import Ply

# A cast with so many openings and handles was not meant to be one piece.
MOST_LINES = 40


@dataclass(frozen=True, eq=False, kw_only=True)
class Completed:
    """Lines that cut the cast into disks for every ply.

    lines, network, plies : with the added lines; `plies` take them up where they need them
    notes : what was added, in the order it was
    """

    lines: tuple[Line, ...]
    network: LineNetwork
    plies: tuple[Ply, ...]
    notes: tuple[str, ...]


def complete_lines(
    cast: Cast, lines: tuple[Line, ...], network: LineNetwork, plies: tuple[Ply, ...]
) -> Completed:
    """The lines and the shortest further seams that make every panel of every ply a disk.

    Raises
    ------
    BadInput : more lines are needed than a cast can want, or as joining and cutting say
    """
    notes: list[str] = []
    added = 0
    for pattern in dict.fromkeys(ply.lines for ply in plies):
        wanted = pattern
        while proposals := propose_lines(network, lines=wanted):
            made = named_lines(proposals, [line.name for line in network.lines])
            added += len(made)
            if added > MOST_LINES:
                raise BadInput(
                    f"more than {MOST_LINES} lines would have to be added",
                    f"panel '{proposals[0].panel}'",
                    "draw the seams that you want first",
                )
            plies = tuple(_taking(ply, pattern, wanted, made, network) for ply in plies)
            wanted = _with(wanted, made)
            lines = (*lines, *made)
            network = join_lines(cast, lines)
            notes += [
                f"line '{line.name}' was added to panel '{p.panel}' ({p.fault}): {p.said}"
                for line, p in zip(made, proposals, strict=True)
            ]
    return Completed(lines=lines, network=network, plies=plies, notes=tuple(notes))


def complete_reading(reading: InkReading, cast: Cast, *, accept: bool) -> InkReading:
    """The reading with the lines that its panels lack: added where you `accept`, else only told."""
    try:
        network = join_lines(cast, reading.lines)
        if accept:
            plies = (DEFAULT_PLY,)
            done = complete_lines(cast, reading.lines, network, plies)
            return replace(reading, lines=done.lines, notes=(*reading.notes, *done.notes))
        said = [
            f"panel '{p.panel}': {p.fault}; the shortest line that would open it runs {p.said};"
            " --complete adds it" + (f" and {p.more} more" if p.more > 0 else "")
            for p in propose_lines(network)
        ]
    except BadInput as error:
        if accept:
            raise
        said = [f"the lines do not make panels yet: {error}"]
    return replace(reading, notes=(*reading.notes, *said))


def named_lines(proposals: Sequence[Proposal], taken: Sequence[str]) -> list[Line]:
    """The proposals as seams with names of their own."""
    names = set(taken)
    made = []
    for proposal in proposals:
        stem = " ".join(x for x in ("added seam", proposal.side) if x)
        name, number = stem, 1
        while name in names:
            number += 1
            name = f"{stem} {number}"
        names.add(name)
        made.append(
            Line(
                name=name,
                kind="seam",
                points=proposal.points,
                closed=proposal.closed,
                source="added",
            )
        )
    return made


def _with(patterns: tuple[str, ...], made: Sequence[Line]) -> tuple[str, ...]:
    """The patterns, and the names of those made lines that they leave out."""
    more = [x.name for x in made if not any(fnmatchcase(x.name, p) for p in patterns)]
    return (*patterns, *more)


def _taking(
    ply: Ply,
    pattern: tuple[str, ...],
    wanted: tuple[str, ...],
    made: Sequence[Line],
    network: LineNetwork,
) -> Ply:
    """A ply that takes up the made lines if they were made for it, and keeps to its own if not."""
    if ply.lines in (pattern, wanted):
        return replace(ply, lines=_with(wanted, made))
    if not any(fnmatchcase(line.name, p) for line in made for p in ply.lines):
        return ply
    own = [
        line.name
        for line in network.lines
        if line.kind in CUTTING and any(fnmatchcase(line.name, p) for p in ply.lines)
    ]
    return replace(ply, lines=tuple(own)) if own else ply
