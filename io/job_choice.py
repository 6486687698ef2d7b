"""Changes what a job's plies are made of, without touching its lines: `--material`, `--compare`."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TypeVar

from flatten.errors import BadInput
from flatten.io.entries import near
from flatten.records.bundled import MATERIALS, STOCKS, stock_for
from flatten.records.job import Job
from flatten.records.material import Material, Ply, Stock

_T = TypeVar("_T", Ply, Material, Stock)


def read_choices(words: Sequence[str], flag: str) -> list[tuple[str, str]]:
    """(ply, name) of every `PLY=NAME`.

    Raises
    ------
    BadInput : a word is not of that form
    """
    choices = []
    for word in words:
        ply, sign, name = word.partition("=")
        if not (sign and ply.strip() and name.strip()):
            raise BadInput(
                f"'{word}' is not PLY=NAME", flag, f"write {flag} base=eva-foam-5-formed"
            )
        choices.append((ply.strip(), name.strip()))
    return choices


def with_materials(
    job: Job, materials: Iterable[tuple[str, str]], stocks: Iterable[tuple[str, str]] = ()
) -> tuple[Job, list[str]]:
    """The job with other materials for some plies, other stock for some, and what to say of it.

    A ply that keeps a bundled stock which its new material is not sold as gets the bundled one
    that it is, and that is said.

    Raises
    ------
    BadInput : a ply, material or stock is not known
    """
    notes: list[str] = []
    known = _materials(job)
    plies = {ply.name: ply for ply in job.plies}
    chosen = dict(stocks)
    for name, material in materials:
        ply = _known(plies, name, "ply", "--material")
        new = _known(known, material, "material", "--material")
        stock = stock_for(new, ply)
        if stock != ply.stock and name not in chosen:
            notes.append(f"ply '{name}': {material} is cut from {stock}, not from {ply.stock}")
            ply = replace(ply, stock=stock, more_stocks=())
        plies[name] = replace(ply, material=material)
    sold = _stocks(job)
    for name, stock in chosen.items():
        ply = _known(plies, name, "ply", "--stock")
        _known(sold, stock, "stock", "--stock")
        plies[name] = replace(ply, stock=stock, more_stocks=())
    return completed(replace(job, plies=tuple(plies.values()))), notes


def with_comparisons(job: Job, choices: Iterable[tuple[str, str]]) -> Job:
    """The job with more materials to set beside those of its plies; names apart by commas too.

    Raises
    ------
    BadInput : a ply or material is not known
    """
    known = _materials(job)
    plies = {ply.name: ply for ply in job.plies}
    for name, materials in choices:
        ply = _known(plies, name, "ply", "--compare")
        wanted = [word.strip() for word in materials.split(",") if word.strip()]
        for material in wanted:
            _known(known, material, "material", "--compare")
        compare = tuple(dict.fromkeys((*ply.compare, *wanted)))
        plies[name] = replace(ply, compare=compare)
    return completed(replace(job, plies=tuple(plies.values())))


def completed(job: Job) -> Job:
    """The job with every bundled material and stock that its plies name or may need."""
    known, sold = _materials(job), _stocks(job)
    materials = dict.fromkeys(m.name for m in job.materials)
    stocks = dict.fromkeys(s.name for s in job.stocks)
    for ply in job.plies:
        materials |= dict.fromkeys((ply.material, *ply.compare))
        stocks |= dict.fromkeys((ply.stock, *ply.more_stocks))
        stocks |= dict.fromkeys(stock_for(known[m], ply) for m in ply.compare)
    return replace(
        job,
        materials=tuple(known[name] for name in materials),
        stocks=tuple(sold[name] for name in stocks),
    )


def _materials(job: Job) -> dict[str, Material]:
    return {m.name: m for m in (*MATERIALS, *job.materials)}


def _stocks(job: Job) -> dict[str, Stock]:
    return {s.name: s for s in (*STOCKS, *job.stocks)}


def _known(things: Mapping[str, _T], name: str, what: str, flag: str) -> _T:
    if name not in things:
        raise BadInput(f"unknown {what} '{name}'", flag, near(name, things))
    return things[name]
