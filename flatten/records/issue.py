"""Templates as an earlier run issued them, and what has changed since."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from flatten.records.template import Template

State = Literal["new", "changed", "same", "dropped"]


@dataclass(frozen=True, eq=False, kw_only=True)
class EarlierRun:
    """What an earlier run came to.

    where : the folder it was read from; revision : the job's then
    templates : by name, each with the revision it was issued under; without lettering
    materials : of each ply
    """

    where: str
    revision: int
    templates: Mapping[str, Template] = field(default_factory=dict)
    materials: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Change:
    """What became of one template; `said` are sentences, none where it is the same."""

    ply: str
    piece: str
    revision: int
    state: State
    said: tuple[str, ...] = ()
