"""The trader's book: positions, cost, marks, profit and loss, and what moved it from day to day.

Total profit and loss is cash in less cash out plus the position at its mark. How cost is counted
(first in first out, or moving average) only splits that total into realized and unrealized.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

from blend.domain.book import Deal, Pricing, Side, live
from blend.errors import InputRefused, Problem
from blend.units import LB_PER_CWT, us_date

NIL_LB = 1e-6
"""Less than this is what adding up pounds in other units leaves, and no position."""


class CostMethod(StrEnum):
    FIFO = "fifo"
    AVERAGE = "average"
    """Moving average: each purchase moves it, sales leave it."""


class MarkAt(StrEnum):
    """Which price of the day marks a position."""

    QUOTATION = "quotation"
    EXIT = "exit"
    """What others bid (offer, for a short position), as far as their pounds go."""


@dataclass(frozen=True, slots=True)
class Mark:
    """What an item is quoted at on a day, and what 100 lb of lean and of fat are worth on that
    day's line; None where there is no line."""

    usd_per_cwt: float
    lean_usd_per_cwt: float | None = None
    fat_usd_per_cwt: float | None = None


Marks = Callable[[str, date], Mark | None]
"""The mark of an item on a day; None where none is published."""

Exits = Callable[[str, date, float, float], float]
"""What net pounds of an item could be closed at on a day, USD per cwt, where the last number is
the quotation: that is what is left when others' bids (offers, for a short position) run out."""


def no_exits(_item: str, _day: date, _net_lb: float, quoted_usd_per_cwt: float) -> float:
    """Where the quotation marks every position."""
    return quoted_usd_per_cwt


Rates = Callable[[str, date], float | None]
"""An exchange rate, USD for one, or a freight lane's USD per cwt, on a day."""


def no_rates(_name: str, _day: date) -> None:
    """Where all is in dollars and no freight is open."""


class NoMark(InputRefused):
    """An item held has no mark, or a deal has no rate, on the day asked for."""


def price_usd_per_cwt(deal: Deal, day: date, marks: Marks, rates: Rates = no_rates) -> float:
    """What the deal is priced at on a day; what is still open moves with its quotation or rate."""
    if deal.pricing is Pricing.FIXED:
        return deal.price * _usd_per_currency(deal, day, rates)
    on = deal.priced_on if deal.priced_on and deal.priced_on <= day else day
    return _mark(deal.reference, on, marks).usd_per_cwt + deal.price


def to_land_usd_per_cwt(deal: Deal, day: date, rates: Rates = no_rates) -> float:
    """What is still to be paid to land it."""
    if not deal.freight_lane:
        return deal.to_land_usd_per_cwt
    return deal.to_land_usd_per_cwt + _rate(deal.freight_lane, day, rates)


def all_in_usd_per_cwt(deal: Deal, day: date, marks: Marks, rates: Rates = no_rates) -> float:
    """Its price with what is to be paid to land it: more for a purchase, less for a sale."""
    costs = to_land_usd_per_cwt(deal, day, rates)
    price = price_usd_per_cwt(deal, day, marks, rates)
    return price + (costs if deal.side is Side.BUY else -costs)


def _usd_per_currency(deal: Deal, day: date, rates: Rates) -> float:
    if deal.currency == "USD":
        return 1.0
    return deal.usd_per_currency or _rate(deal.currency, day, rates)


def _mark(item_id: str, day: date, marks: Marks) -> Mark:
    found = marks(item_id, day)
    if found is None:
        raise _no_mark("quotations", "item", item_id, "an item quoted", day)
    return found


def _rate(name: str, day: date, rates: Rates) -> float:
    found = rates(name, day)
    if found is None:
        raise _no_mark("book_rates", "rate", name, "a rate", day)
    return found


def _no_mark(table: str, column: str, name: str, required: str, day: date) -> NoMark:
    required = f"{required} on {us_date(day)} or shortly before"
    hint = "Add it, or choose another day."
    return NoMark([Problem(table, None, column, name, required, hint)])


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
    rates: Rates = no_rates,
    exits: Exits = no_exits,
) -> dict[str, Position]:
    """Every item's position, cost and profit on a day.

    Raises NoMark where an item held has no mark, or a deal no rate.
    """
    by_item: dict[str, list[Deal]] = {}
    for deal in sorted(live(deals, as_of), key=lambda each: (each.traded_on, each.deal_id)):
        by_item.setdefault(deal.item_id, []).append(deal)
    found = {}
    for item_id, own in by_item.items():
        priced = [(deal.signed_lb, all_in_usd_per_cwt(deal, as_of, marks, rates)) for deal in own]
        net_lb, cost_usd, realized_usd = COSTING[method](priced)
        quoted = _mark(item_id, as_of, marks) if net_lb else marks(item_id, as_of)
        mark = None
        if quoted is not None:
            mark = exits(item_id, as_of, net_lb, quoted.usd_per_cwt)
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
        while abs(left) >= NIL_LB and open_lots and open_lots[0][0] * left < 0:
            held_lb, held_price = open_lots[0]
            closed = min(abs(held_lb), abs(left)) * (1 if held_lb > 0 else -1)
            realized += closed / LB_PER_CWT * (price - held_price)
            open_lots[0][0] -= closed
            left += closed
            if abs(open_lots[0][0]) < NIL_LB:
                open_lots.popleft()
        if abs(left) >= NIL_LB:
            open_lots.append([left, price])
    net_lb = sum(lb for lb, _ in open_lots)
    return net_lb, sum(lb / LB_PER_CWT * price for lb, price in open_lots), realized


def moving_average(trades: Priced) -> tuple[float, float, float]:
    """As `fifo`, at the average cost of what is held when each trade is made."""
    net_lb = cost_usd = realized = 0.0
    for signed_lb, price in trades:
        closed = 0.0
        if net_lb * signed_lb < 0:
            closed = math.copysign(min(abs(net_lb), abs(signed_lb)), net_lb)
            cost_of_closed = cost_usd * closed / net_lb
            realized += closed / LB_PER_CWT * price - cost_of_closed
            cost_usd -= cost_of_closed
        cost_usd += (signed_lb + closed) / LB_PER_CWT * price
        net_lb += signed_lb
        if abs(net_lb) < NIL_LB:
            net_lb = cost_usd = 0.0
    return net_lb, cost_usd, realized


COSTING: Mapping[CostMethod, Callable[[Priced], tuple[float, float, float]]] = {
    CostMethod.FIFO: fifo,
    CostMethod.AVERAGE: moving_average,
}


PARTS = {
    "new_business": "new deals",
    "quantity": "corrections",
    "lean": "lean",
    "fat": "fat",
    "basis": "basis",
    "exchange": "exchange",
    "freight": "freight",
    "formula": "open prices",
    "side": "bid and offer",
}
"""What moves profit and loss, as `Explained` names it (`..._usd`) and as people read it."""


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
    freight_usd: float = 0.0
    """Of lanes still open."""
    formula_usd: float = 0.0
    """Formula and basis deals still open, repriced with the quotation."""
    side_usd: float = 0.0
    """What closing at bid or offer costs against the quotation, and how that changed."""
    total_usd: float = 0.0
    notes: list[str] = field(default_factory=list)

    @property
    def unexplained_usd(self) -> float:
        """The total less its parts: zero but for rounding."""
        return self.total_usd - sum(getattr(self, f"{part}_usd") for part in PARTS)


def explain(
    deals: Iterable[Deal],
    before: date,
    after: date,
    marks: Marks,
    lean_of: Mapping[str, float],
    rates: Rates = no_rates,
    exits: Exits = no_exits,
) -> dict[str, Explained]:
    """What moved each item's profit and loss between two days.

    The change of a mark on pounds held is split into lean, fat and basis by the two days' lean
    lines. Raises NoMark.
    """
    deals = list(deals)
    then, now = _by_item(live(deals, before)), _by_item(live(deals, after))
    found: dict[str, Explained] = {}
    for item_id in sorted(then.keys() | now.keys()):
        held, kept = then.get(item_id, {}), now.get(item_id, {})
        net_then_lb, net_now_lb = _net_lb(held), _net_lb(kept)
        start = _mark(item_id, before, marks) if net_then_lb else marks(item_id, before)
        end = _mark(item_id, after, marks) if net_now_lb else marks(item_id, after)
        # pounds that net to nothing are worth the same at any mark
        end = end or start or Mark(0.0)
        start = start or end
        made = Explained(item_id)

        def worth(deal: Deal, day: date, mark: Mark) -> float:
            all_in = all_in_usd_per_cwt(deal, day, marks, rates)
            return deal.signed_cwt * (mark.usd_per_cwt - all_in)

        made.side_usd = _side_usd(item_id, after, net_now_lb, end, exits) - _side_usd(
            item_id, before, net_then_lb, start, exits
        )
        made.total_usd = (
            sum(worth(deal, after, end) for deal in kept.values())
            - sum(worth(deal, before, start) for deal in held.values())
            + made.side_usd
        )
        for deal_id, deal in kept.items():
            if deal_id in held:
                continue
            if deal.corrects in held or deal.traded_on <= before:
                made.quantity_usd += worth(deal, after, end)
            else:
                made.new_business_usd += worth(deal, after, end)
        for deal_id, deal in held.items():
            if deal_id not in kept:  # what was corrected or withdrawn leaves at the later mark
                made.quantity_usd -= worth(deal, after, end)
            moved = deal.signed_cwt * (
                price_usd_per_cwt(deal, after, marks, rates)
                - price_usd_per_cwt(deal, before, marks, rates)
            )
            if deal.pricing is Pricing.FIXED:
                made.exchange_usd -= moved
            else:
                made.formula_usd -= moved
            made.freight_usd -= abs(deal.signed_cwt) * (
                to_land_usd_per_cwt(deal, after, rates) - to_land_usd_per_cwt(deal, before, rates)
            )
        _split_the_move(made, net_then_lb / LB_PER_CWT, start, end, lean_of.get(item_id))
        found[item_id] = made
    return found


def _by_item(deals: Iterable[Deal]) -> dict[str, dict[str, Deal]]:
    found: dict[str, dict[str, Deal]] = {}
    for deal in deals:
        found.setdefault(deal.item_id, {})[deal.deal_id] = deal
    return found


def _net_lb(deals: Mapping[str, Deal]) -> float:
    net_lb = math.fsum(deal.signed_lb for deal in deals.values())
    return net_lb if abs(net_lb) >= NIL_LB else 0.0


def _side_usd(item_id: str, day: date, net_lb: float, quoted: Mark, exits: Exits) -> float:
    """What closing a position would bring over its value at the quotation."""
    closing = exits(item_id, day, net_lb, quoted.usd_per_cwt)
    return net_lb / LB_PER_CWT * (closing - quoted.usd_per_cwt)


def _split_the_move(
    made: Explained, held_cwt: float, start: Mark, end: Mark, lean: float | None
) -> None:
    """The change of the mark on what was held, by lean, fat and basis."""
    rest = held_cwt * (end.usd_per_cwt - start.usd_per_cwt)
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
        return
    lean_before, lean_after, fat_before, fat_after = (line or 0.0 for line in lines)
    made.lean_usd = held_cwt * lean * (lean_after - lean_before)
    made.fat_usd = held_cwt * (1 - lean) * (fat_after - fat_before)
    made.basis_usd = rest - made.lean_usd - made.fat_usd
