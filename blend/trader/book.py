"""The trader's book: positions, cost, marks, profit and loss, and what moved it from day to day.

Total profit and loss is cash in less cash out plus the position at its mark. How cost is counted
(first in first out, or moving average) only splits that total into realized and unrealized.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

from blend.domain.book import Deal, Pricing
from blend.units import LB_PER_CWT


class CostMethod(StrEnum):
    FIFO = "fifo"
    AVERAGE = "average"
    """Moving average: each purchase moves it, sales leave it."""


@dataclass(frozen=True, slots=True)
class Mark:
    """What an item is worth on a day: per cwt in `currency`, `usd_per_currency` to the dollar.

    `lean_line_usd_per_cwt` is the day's lean line at the item's lean; the rest is its basis.
    """

    price: float
    currency: str = "USD"
    usd_per_currency: float = 1.0
    lean_usd_per_cwt: float | None = None
    """What 100 lb of lean are worth on that day's line; None where there is no line."""
    fat_usd_per_cwt: float | None = None

    @property
    def usd_per_cwt(self) -> float:
        return self.price * self.usd_per_currency

    def basis_usd_per_cwt(self, lean: float) -> float | None:
        """Mark less the lean line."""
        if self.lean_usd_per_cwt is None or self.fat_usd_per_cwt is None:
            return None
        line = lean * self.lean_usd_per_cwt + (1 - lean) * self.fat_usd_per_cwt
        return self.usd_per_cwt - line


Marks = Callable[[str, date], Mark | None]
"""The mark of an item on a day; None where none is published."""


class NoMark(ValueError):
    """An item held has no mark on the day asked for."""


def live(deals: Iterable[Deal], as_of: date) -> list[Deal]:
    """Deals as they stood on a day: corrections in place of what they correct, withdrawals gone."""
    known = [each for each in deals if each.known_on <= as_of and each.traded_on <= as_of]
    gone = {each.corrects for each in known if each.corrects}
    return [each for each in known if each.deal_id not in gone and not each.withdrawn]


def price_usd_per_cwt(deal: Deal, day: date, marks: Marks) -> float:
    """What the deal is priced at on a day; a formula deal still open moves with the quotation."""
    if deal.pricing is Pricing.FIXED:
        if deal.currency == "USD":
            return deal.price
        return deal.price * _mark(deal.item_id, deal.traded_on, marks).usd_per_currency
    on = deal.priced_on if deal.priced_on and deal.priced_on <= day else day
    return _mark(deal.item_id, on, marks).usd_per_cwt + deal.price


def _mark(item_id: str, day: date, marks: Marks) -> Mark:
    found = marks(item_id, day)
    if found is None:
        raise NoMark(f"{item_id} has no quotation on {day.isoformat()} or shortly before")
    return found


@dataclass(slots=True)
class Position:
    """One item of the book on a day."""

    item_id: str
    net_lb: float = 0.0
    cost_usd: float = 0.0
    """Of what is held; below zero for a short position."""
    realized_usd: float = 0.0
    mark_usd_per_cwt: float | None = None

    @property
    def value_usd(self) -> float:
        return self.net_lb / LB_PER_CWT * (self.mark_usd_per_cwt or 0.0)

    @property
    def unrealized_usd(self) -> float:
        return self.value_usd - self.cost_usd

    @property
    def total_usd(self) -> float:
        return self.realized_usd + self.unrealized_usd


def positions(
    deals: Iterable[Deal],
    as_of: date,
    marks: Marks,
    method: CostMethod = CostMethod.FIFO,
) -> dict[str, Position]:
    """Every item's position, cost and profit on a day.

    Raises NoMark where an item held has no mark.
    """
    by_item: dict[str, list[Deal]] = {}
    for deal in sorted(live(deals, as_of), key=lambda each: (each.traded_on, each.deal_id)):
        by_item.setdefault(deal.item_id, []).append(deal)
    found = {}
    for item_id, own in by_item.items():
        priced = [(deal.signed_lb, price_usd_per_cwt(deal, as_of, marks)) for deal in own]
        net_lb, cost_usd, realized_usd = COSTING[method](priced)
        quoted = _mark(item_id, as_of, marks) if abs(net_lb) > 1e-9 else marks(item_id, as_of)
        mark = None if quoted is None else quoted.usd_per_cwt
        found[item_id] = Position(item_id, net_lb, cost_usd, realized_usd, mark)
    return found


Priced = list[tuple[float, float]]
"""Signed pounds and price in $/cwt, in order of trade."""


def fifo(trades: Priced) -> tuple[float, float, float]:
    """Net pounds, their cost and what is realized; the oldest pounds go first, long or short."""
    open_lots: deque[list[float]] = deque()
    realized = 0.0
    for signed_lb, price in trades:
        left = signed_lb
        while left and open_lots and open_lots[0][0] * left < 0:
            held_lb, held_price = open_lots[0]
            closed = min(abs(held_lb), abs(left)) * (1 if held_lb > 0 else -1)
            realized += closed / LB_PER_CWT * (price - held_price)
            open_lots[0][0] -= closed
            left += closed
            if open_lots[0][0] == 0:
                open_lots.popleft()
        if left:
            open_lots.append([left, price])
    net_lb = sum(lb for lb, _ in open_lots)
    return net_lb, sum(lb / LB_PER_CWT * price for lb, price in open_lots), realized


def moving_average(trades: Priced) -> tuple[float, float, float]:
    """As `fifo`, at the average cost of what is held when each trade is made."""
    net_lb = cost_usd = realized = 0.0
    for signed_lb, price in trades:
        if net_lb * signed_lb >= 0:
            net_lb, cost_usd = net_lb + signed_lb, cost_usd + signed_lb / LB_PER_CWT * price
            continue
        average = cost_usd / net_lb * LB_PER_CWT
        closed = min(abs(net_lb), abs(signed_lb)) * (1 if net_lb > 0 else -1)
        realized += closed / LB_PER_CWT * (price - average)
        net_lb, cost_usd = net_lb - closed, cost_usd - closed / LB_PER_CWT * average
        opened = signed_lb + closed
        net_lb, cost_usd = net_lb + opened, cost_usd + opened / LB_PER_CWT * price
    return net_lb, cost_usd, realized


COSTING: Mapping[CostMethod, Callable[[Priced], tuple[float, float, float]]] = {
    CostMethod.FIFO: fifo,
    CostMethod.AVERAGE: moving_average,
}


@dataclass(slots=True)
class Explained:
    """Profit and loss of one item from one day to another, part by part, USD."""

    item_id: str
    new_business_usd: float = 0.0
    quantity_usd: float = 0.0
    """Corrections of pounds or price made between the days, at the later mark."""
    lean_usd: float = 0.0
    fat_usd: float = 0.0
    basis_usd: float = 0.0
    exchange_usd: float = 0.0
    formula_usd: float = 0.0
    """Open formula deals repriced with the quotation."""
    total_usd: float = 0.0
    notes: list[str] = field(default_factory=list)

    @property
    def unexplained_usd(self) -> float:
        """The total less its parts: zero but for rounding, or for what has no lean line."""
        parts = (
            self.new_business_usd, self.quantity_usd, self.lean_usd, self.fat_usd,
            self.basis_usd, self.exchange_usd, self.formula_usd,
        )  # fmt: skip
        return self.total_usd - sum(parts)


def explain(
    deals: Iterable[Deal], before: date, after: date, marks: Marks, lean_of: Mapping[str, float]
) -> dict[str, Explained]:
    """What moved each item's profit and loss between two days.

    The change of a mark on pounds held is split into lean, fat and basis by the two days' lean
    lines; where the mark is in another currency, price and exchange are split by their Shapley
    values (each at the average of the other). Raises NoMark.
    """
    deals = list(deals)
    then = {deal.deal_id: deal for deal in live(deals, before)}
    now = {deal.deal_id: deal for deal in live(deals, after)}
    found: dict[str, Explained] = {}
    for item_id in sorted({deal.item_id for deal in (*then.values(), *now.values())}):
        found[item_id] = _explain_item(
            item_id,
            [deal for deal in then.values() if deal.item_id == item_id],
            [deal for deal in now.values() if deal.item_id == item_id],
            before, after, marks, lean_of.get(item_id),
        )  # fmt: skip
    return found


def _explain_item(
    item_id: str, then: list[Deal], now: list[Deal], before: date, after: date,
    marks: Marks, lean: float | None,
) -> Explained:  # fmt: skip
    made = Explained(item_id)
    end = _mark(item_id, after, marks)
    start = _mark(item_id, before, marks) if then else end
    kept_ids = {deal.deal_id for deal in then} & {deal.deal_id for deal in now}

    def worth(deal: Deal, day: date, mark: Mark) -> float:
        price = price_usd_per_cwt(deal, day, marks)
        return deal.signed_lb / LB_PER_CWT * (mark.usd_per_cwt - price)

    made.total_usd = sum(worth(deal, after, end) for deal in now) - sum(
        worth(deal, before, start) for deal in then
    )
    replaced = {deal.deal_id for deal in then} - kept_ids
    for deal in now:
        if deal.deal_id in kept_ids:
            continue
        if deal.corrects in replaced or deal.traded_on <= before:
            made.quantity_usd += worth(deal, after, end)
        else:
            made.new_business_usd += worth(deal, after, end)
    for deal in then:
        if deal.deal_id in replaced:  # what was corrected or withdrawn leaves at the later mark
            made.quantity_usd -= worth(deal, after, end)
        made.formula_usd -= (
            deal.signed_lb
            / LB_PER_CWT
            * (price_usd_per_cwt(deal, after, marks) - price_usd_per_cwt(deal, before, marks))
        )
    held_cwt = sum(deal.signed_lb for deal in then) / LB_PER_CWT
    made.exchange_usd = (
        held_cwt * (start.price + end.price) / 2 * (end.usd_per_currency - start.usd_per_currency)
    )
    rest = held_cwt * (end.usd_per_cwt - start.usd_per_cwt) - made.exchange_usd
    lines = (
        start.lean_usd_per_cwt,
        end.lean_usd_per_cwt,
        start.fat_usd_per_cwt,
        end.fat_usd_per_cwt,
    )
    if lean is None or None in lines:
        made.basis_usd = rest
        if held_cwt:
            made.notes.append("no lean line on both days: the price move is all basis")
        return made
    lean_before, lean_after, fat_before, fat_after = (line or 0.0 for line in lines)
    made.lean_usd = held_cwt * lean * (lean_after - lean_before)
    made.fat_usd = held_cwt * (1 - lean) * (fat_after - fat_before)
    made.basis_usd = rest - made.lean_usd - made.fat_usd
    return made
