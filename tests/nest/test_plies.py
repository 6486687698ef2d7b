"""Plies that share their stock, and what is set through several of them."""

from dataclasses import replace
from pathlib import Path

import pytest
from plans import FOAM, rectangle, template_set

from flatten.errors import BadInput
from flatten.nest.place import unwatched
from flatten.nest.plies import Store, fastenings, stocks_of
from flatten.records.effort import Effort
from flatten.records.job import Job, ScanSpec
from flatten.records.making import PointDetail
from flatten.records.material import Ply, Stock

BOARD = Stock(
    name="board", kind="sheet", width_mm=425.0, length_mm=930.0, gap_mm=5.0, margin_mm=10.0, count=2
)
LINING = replace(FOAM, name="lining-foam", thickness_mm=2.0)
BASE = Ply(name="base", material=FOAM.name, stock="board")
COVER = Ply(name="cover", material=LINING.name, stock="board", over="base")


def job(stocks=(BOARD,), points=()) -> Job:
    return Job(
        title="t",
        path=Path("t.toml"),
        scan=ScanSpec(file=Path("s.ply")),
        plies=(BASE, COVER),
        materials=(FOAM, LINING),
        stocks=stocks,
        nesting=Effort(iterations=2),
        points=points,
    )


def test_two_plies_do_not_cut_the_same_sheet():
    # Six to a board: the base takes one, the cover finds one left and needs two.
    store = Store(job=job())
    first = store.lay(BASE, FOAM, template_set([rectangle(300, 200)] * 5), unwatched)
    second = store.lay(COVER, LINING, template_set([rectangle(300, 200)] * 8, LINING), unwatched)
    assert store.taken == {"board": 2.0}
    assert not first.unplaced
    assert len(second.placements) == 6
    assert second.unplaced
    # The base has left room for one, not for two: no way out that does not hold.
    plans = [(BASE, FOAM, first), (COVER, LINING, second)]
    assert "other stock" not in [w.kind for w in store.with_ways(COVER, plans).ways]


def test_what_goes_through_two_plies_is_bought_once():
    points = (
        PointDetail(name="a", kind="rivet", at=(0.0, 0.0, 0.0), diameter_mm=3.0),
        PointDetail(name="b", kind="eyelet", at=(0.0, 0.0, 0.0), diameter_mm=5.0, plies=("cover",)),
    )
    made = template_set([rectangle(50, 50)])
    own = fastenings(job(points=points), BASE, made)
    assert [(f.kind, f.stack_mm) for f in own] == [("rivet", 7.0)]
    over = fastenings(job(points=points), COVER, made)
    assert [(f.kind, f.stack_mm) for f in over] == [("hole", 7.0), ("eyelet", 2.0)]
    # One that was left out of the templates is not bought.
    out = replace(made, notes=("rivet 'a' would break out of the piece: left out",))
    assert fastenings(job(points=points), BASE, out) == []


def test_stock_of_another_material_serves_no_ply():
    other = replace(BOARD, name="other", material="card")
    listed = replace(BASE, stock="other", more_stocks=("board",))
    assert [s.name for s in stocks_of(job((other, BOARD)), listed, FOAM)] == ["board"]
    with pytest.raises(BadInput, match="of card"):
        stocks_of(job((other,)), replace(BASE, stock="other"), FOAM)
