"""Several stocks for one ply: what there is first, then what can be had, the cheapest that holds."""

from dataclasses import replace

from flatten.nest.attempt import Attempt, Piece, Sheet, Task, area_of, lay_plain, price_of
from flatten.nest.folded import lay_folded
from flatten.nest.hides import lay_zoned
from flatten.records.material import Stock


def lay_on(task: Task, pieces: list[Piece], stock: Stock) -> Attempt:
    """The pieces on one stock, in the manner that suits it."""
    if stock.fold:
        return lay_folded(task, pieces, stock)
    halves = tuple(p for p in pieces if task.templates[p[0]].fold)
    if halves:
        whole = lay_on(task, [p for p in pieces if p not in halves], stock)
        return replace(whole, left=(*halves, *whole.left))
    if stock.zones:
        return lay_zoned(task, pieces, stock)
    return lay_plain(task, pieces, stock)


def is_counted(stock: Stock) -> bool:
    """True where there is only so much of it."""
    return stock.length_mm > 0.0 if stock.kind == "roll" else stock.count > 0


def lay_over(task: Task, pieces: list[Piece], stocks: list[Stock]) -> Attempt:
    """The pieces over all stocks: those that are counted in the order given, then one of the others.

    Of those that can be had as needed the one is taken that leaves least over and costs least (by
    price where all have one, else by area); its last sheet may be of another size.
    """
    sheets: list[Sheet] = []
    reasons: dict[int, str] = {}
    notes: list[str] = []
    left = list(pieces)
    for stock in (s for s in stocks if is_counted(s)):
        if not left:
            break
        attempt = lay_on(task, left, stock)
        sheets += attempt.sheets
        reasons |= attempt.reasons
        notes += attempt.notes
        left = list(attempt.left)
    endless = [s for s in stocks if not is_counted(s)]
    if left and endless:
        attempt = _cheapest(task, left, endless)
        sheets += attempt.sheets
        reasons |= attempt.reasons
        notes += attempt.notes
        left = list(attempt.left)
    return Attempt(
        sheets=tuple(sheets),
        left=tuple(left),
        reasons={i: why for i, why in reasons.items() if any(i == p for p, _ in left)},
        notes=tuple(dict.fromkeys(notes)),
    )


def _cheapest(task: Task, pieces: list[Piece], stocks: list[Stock]) -> Attempt:
    priced = all(s.price > 0.0 for s in stocks)
    by_name = {s.name: s for s in stocks}

    def rank(attempt: Attempt) -> tuple[float, float]:
        spent = price_of(attempt.sheets, by_name) if priced else None
        area = sum(sheet.area for sheet in attempt.sheets)
        return area_of(task, attempt.left), area if spent is None else spent

    tried = [_then(task, pieces, stock, stocks) for stock in stocks]
    best = min(tried, key=rank)
    if len(stocks) == 1 or not best.sheets:
        return best
    # The pieces of the last sheet may lie on one of another size.
    last = [laid.piece for laid in best.sheets[-1].laid]
    for stock in stocks:
        if stock.name == best.sheets[-1].source:
            continue
        one = stock if stock.kind == "roll" else replace(stock, count=1)
        again = lay_on(replace(task, effort=replace(task.effort, seconds=None)), last, one)
        if again.left:
            continue
        other = replace(best, sheets=(*best.sheets[:-1], *again.sheets))
        best = min((best, other), key=rank)
    return best


def _then(task: Task, pieces: list[Piece], first: Stock, stocks: list[Stock]) -> Attempt:
    """All on one stock; what is too large for it on the next."""
    attempt = lay_on(task, pieces, first)
    for stock in stocks:
        if not attempt.left:
            break
        if stock is first:
            continue
        more = lay_on(task, list(attempt.left), stock)
        attempt = Attempt(
            sheets=(*attempt.sheets, *more.sheets),
            left=more.left,
            reasons=attempt.reasons | more.reasons,
            notes=(*attempt.notes, *more.notes),
        )
    return attempt
