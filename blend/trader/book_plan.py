"""`blend book plan`: what to buy, freeze, hold, sell and roll from what the book holds.

The several-days model without orders: a day for today and one for each later month of delivery.
What was agreed before comes in and goes out whatever is decided, so its price changes nothing and
is left out; the profit is that of what is decided from here on.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cached_property
from typing import Any

from blend.domain.book import Book, Deal, Where, first_of_month, live
from blend.domain.case import Case, Settings
from blend.domain.days import Sale
from blend.domain.horizon import FROZEN, Cooler, ForwardPrice, Horizon, Side
from blend.domain.lots import ON_HAND, Lot
from blend.domain.quotations import Quotation
from blend.errors import NoPlan, SolverTrouble, refusal
from blend.grinder.days import DaysAnswer
from blend.grinder.plan_days import Say, plan_days
from blend.output import screen
from blend.output.answer import Answer, Spec
from blend.output.formats import Format, day, money, pounds, register
from blend.output.frames import DataFrame
from blend.output.gap import BY_SOLVER, CERTIFIED
from blend.trader.book_marks import open_quotes
from blend.trader.customers import CustomerDemand
from blend.units import LB_PER_CWT, LB_PER_LOAD

register(
    {
        "on_or_for": Format("When"),
        "action_lb": Format("Pounds", "lb", 0),
        "planned_loads": Format("Loads", "", 2),
        "of_price_usd_per_cwt": Format("Price", "$/cwt", 2),
        "through": Format("On"),
        "planned_usd": Format("In (out)", "$", 0, is_signed=True),
        "rolled_from": Format("Sell for"),
        "rolled_to": Format("Buy for"),
        "roll_gain_usd_per_cwt": Format("Gains", "$/cwt", 2, is_signed=True),
        "bid_break_even_usd_per_cwt": Format("Break-even", "$/cwt", 2),
        "bid_short_usd_per_cwt": Format("Short by", "$/cwt", 2),
    }
)
_MIN_LB = 0.5
_MAX_ACTIONS = 16
BID, OFFER = Side.BID, Side.OFFER
MARKET = "market"


@dataclass(frozen=True)
class BookPlan(Answer):
    """The most profitable plan of the book. Tables: `actions`, `rolls`, `not_sold`, `not_bought`,
    `held`, `money`.

    Pounds are not rounded. `days` is the plan as the several-days model has it, checked and with
    its floor.
    """

    days: DaysAnswer
    agreed: Mapping[str, Deal]
    """By id of the price: what was agreed before."""
    whole_loads: bool
    market_share: float | None
    """Of the last quotation, at which the rest can be sold too; None where only bids count."""

    @property
    def profit_usd(self) -> float:
        return -self.days.plan.bound.printed_usd

    @property
    def highest_usd(self) -> float:
        """No plan earns more."""
        return -self.days.plan.bound.bound_usd

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:

        of_days = self.days.tables
        actions = ["on_or_for", "do", "item_id", "action_lb", "planned_loads",
                   "of_price_usd_per_cwt", "through", "planned_usd"]  # fmt: skip
        not_bought = of_days["not_bought"]
        held = of_days["ledger"]
        return {
            "actions": DataFrame(list(self._actions()), columns=actions),
            "rolls": DataFrame(list(self._rolls())),
            "not_sold": DataFrame(self._not_sold()),
            "not_bought": not_bought.drop(
                columns=["item", "buy_lb", "buy_usd"], errors="ignore"
            ),
            "held": held[held["kept_lb"] >= _MIN_LB] if len(held) else held,
            "money": DataFrame(
                [
                    {"line": line, "planned_usd": usd}
                    for line, usd in (
                        ("Bought", -self.days.plan.money.bought_usd),
                        ("Sold", self.days.plan.money.sold_on_usd),
                        ("Freezing", -self.days.plan.money.freezing_usd),
                        ("Holding", -self.days.plan.money.holding_usd),
                        ("Left at the end", self.days.plan.money.leftover_credit_usd),
                    )
                    if usd
                ]
            ),
        }  # fmt: skip

    def _actions(self) -> Iterator[dict[str, Any]]:
        plan, horizon = self.days.plan, self.days.horizon
        for of in plan.days:
            for bought in plan.purchases:
                if bought.day == of and bought.pounds_lb >= _MIN_LB:
                    do = "receive" if bought.offer_id in self.agreed else "buy"
                    yield self._action(of, do, bought, bought.offer_id, -1)
            for sold in plan.sales:
                if sold.day == of and sold.pounds_lb >= _MIN_LB:
                    do = "deliver" if sold.price_id in self.agreed else "sell"
                    yield self._action(of, do, sold, sold.price_id, 1)
            for each in plan.freezes:
                if each.day == of and each.fresh_lb >= _MIN_LB:
                    usd = each.fresh_lb * _freezing_usd_per_lb(horizon, each.lot_id)
                    yield self._row(of, "freeze", each.lot_id, each.fresh_lb) | {
                        "planned_usd": -usd
                    }
            for row in plan.ledger:
                if row.day == of and row.kept_lb >= _MIN_LB:
                    is_last = of == plan.days[-1]
                    do = "left at the end" if is_last else "hold"
                    yield self._row(of, do, row.lot_id, row.kept_lb)
            for lost in plan.wastes:
                if lost.day == of and lost.pounds_lb >= _MIN_LB:
                    yield self._row(of, "lost, too old", lost.lot_id, lost.pounds_lb)

    def _row(self, of: date, do: str, item_id: str, lb: float) -> dict[str, Any]:
        return {
            "on_or_for": self._when(of),
            "do": do,
            "item_id": item_id,
            "action_lb": lb,
            "planned_loads": lb / LB_PER_LOAD,
        }

    def _action(self, of: date, do: str, each: Any, price_id: str, sign: int) -> dict[str, Any]:
        row = self._row(of, do, each.lot_id, each.pounds_lb) | {"through": price_id}
        if price_id in self.agreed:
            return row
        usd = each.price_usd_per_lb
        if price_id.startswith(f"{MARKET} "):
            row["through"] = MARKET
        return row | {
            "of_price_usd_per_cwt": usd * LB_PER_CWT,
            "planned_usd": sign * usd * each.pounds_lb,
        }

    def _when(self, of: date) -> str:
        return "now" if of == self.days.plan.days[0] else f"{of:%b %Y}"

    def _rolls(self) -> Iterator[dict[str, Any]]:
        """Sold for one month and bought back for a later one."""
        plan = self.days.plan
        bought = [each for each in plan.purchases if each.offer_id not in self.agreed]
        sold = [each for each in plan.sales if each.price_id not in self.agreed]
        left_lb = {each.offer_id: each.pounds_lb for each in bought}
        for sale in sorted(sold, key=lambda each: each.day, reverse=True):
            open_lb = sale.pounds_lb
            for purchase in sorted(bought, key=lambda each: each.day):
                lb = min(open_lb, left_lb[purchase.offer_id])
                is_later = purchase.day > sale.day
                if purchase.lot_id != sale.lot_id or not is_later or lb < _MIN_LB:
                    continue
                open_lb -= lb
                left_lb[purchase.offer_id] -= lb
                gain = (sale.price_usd_per_lb - purchase.price_usd_per_lb) * LB_PER_CWT
                yield {
                    "item_id": sale.lot_id,
                    "rolled_from": self._when(sale.day),
                    "rolled_to": self._when(purchase.day),
                    "action_lb": lb,
                    "planned_loads": lb / LB_PER_LOAD,
                    "roll_gain_usd_per_cwt": gain,
                }

    def _not_sold(self) -> list[dict[str, Any]]:
        def short(each: Sale) -> float:
            return ((each.value_usd_per_lb or 0.0) - each.price_usd_per_lb) * LB_PER_CWT

        return [
            {
                "on_or_for": self._when(each.day),
                "item_id": each.lot_id,
                "through": each.price_id,
                "of_price_usd_per_cwt": each.price_usd_per_lb * LB_PER_CWT,
                "bid_break_even_usd_per_cwt": (each.value_usd_per_lb or 0.0) * LB_PER_CWT,
                "bid_short_usd_per_cwt": short(each),
            }
            for each in sorted(self.days.plan.sales, key=short)
            if each.pounds_lb < _MIN_LB and each.value_usd_per_lb is not None
            if math.isfinite(each.value_usd_per_lb) and not each.price_id.startswith(MARKET)
        ]

    @property
    def figures(self) -> Mapping[str, Any]:
        bound = self.days.plan.bound
        return {
            "on": self.days.plan.days[0],
            "profit_usd": self.profit_usd,
            "highest_usd": self.highest_usd,
            "gap_usd": bound.gap_usd,
            "is_certified": bound.is_certified,
        }

    def screen(self, sections: Collection[str] = ()) -> str:
        actions = self.tables["actions"]
        hidden = max(0, len(actions) - _MAX_ACTIONS)
        shown = actions.head(_MAX_ACTIONS)
        first = self.days.plan.days[0]
        title = f"Plan of the book, {day(first)} to {self.days.plan.days[-1]:%b %Y}"
        parts = [
            f"{screen.strong(title)}\n{screen.wrapped(self.headline)}",
            screen.table(
                shown,
                [name for name in actions.columns if name != "action_lb" or not self.whole_loads],
                note=f"And {hidden} more (--actions)." if hidden else "",
            ),
            screen.watch(self._warnings()),
        ]
        if len(self.tables["rolls"]):
            parts.insert(2, screen.table(self.tables["rolls"], title="Rolls"))
        titles = {
            "actions": "All there is to do",
            "not_bought": "Not bought, closest to break-even first",
            "not_sold": "Bids not taken, closest to break-even first",
            "money": "Money",
        }
        basis = "Break-evens as if loads could be split."
        offered = {
            name.replace("_", "-"): lambda name=name, words=words: screen.table(
                self.tables[name], title=words, note=basis if name.startswith("not") else ""
            )
            for name, words in titles.items()
            if len(self.tables[name])
        }
        return screen.blocks(parts, sections, offered)

    @property
    def headline(self) -> str:
        bound = self.days.plan.bound
        more = self.highest_usd - self.profit_usd
        loads = "whole loads" if self.whole_loads else "loads that can be split"
        how = CERTIFIED if bound.is_certified else BY_SOLVER
        return (
            f"From here on it earns {money(self.profit_usd)}, in {loads}; at these prices no plan "
            f"earns over {money(max(1.0, math.ceil(more - 1e-6)))} more, {how}. What was agreed "
            "before is the same in every plan and not counted."
        )

    def _warnings(self) -> Iterator[str]:
        plan, horizon = self.days.plan, self.days.horizon
        left = [row for row in plan.ledger if row.day == plan.days[-1] and row.kept_lb >= _MIN_LB]
        if left:
            names = ", ".join(f"{pounds(row.kept_lb)} of {row.lot_id}" for row in left)
            yield f"Left at the end, counted at nothing: {names}."
        lost_lb = sum(each.pounds_lb for each in plan.wastes)
        if lost_lb >= _MIN_LB:
            yield f"{pounds(lost_lb)} lost past the last day of use."
        endless = sorted(
            {
                receipt.lot_id
                for receipt in horizon.receipts
                if receipt.last_day is None
                and horizon.lot(receipt.lot_id).fresh_or_frozen != FROZEN
            }
        )
        if endless:
            yield (
                f"No last day of use for fresh {', '.join(endless)}: planned to keep forever. "
                "Enter shelf_life_days of its cooler."
            )
        if plan.stopped_early:
            yield "Search stopped early: a better plan may exist, within what is said above."
        if self.market_share is not None and any(
            each.price_id.startswith(MARKET) and each.pounds_lb >= _MIN_LB for each in plan.sales
        ):
            yield (
                f"Sales at market have no buyer yet: taken at {self.market_share:.0%} of the last "
                "quotation."
            )
        yield "A month's deliveries all count on its first business day."

    def chart(self) -> Spec:
        from blend.output.charts import (
            BLUE,
            GREEN,
            ORANGE,
            PURPLE,
            amount,
            chart,
            layer,
            name,
            rows_of,
        )

        plan = self.days.plan
        kinds = {"buy": 1, "receive": 1, "sell": -1, "deliver": -1}
        actions = rows_of(self.tables["actions"])
        whens = [self._when(of) for of in plan.days]
        rows = [
            {
                "item": row["item_id"],
                "when": row["on_or_for"],
                "do": row["do"],
                "loads": kinds[row["do"]] * row["planned_loads"],
            }
            for row in actions
            if row["do"] in kinds
        ]
        held = [
            {"item": row["item_id"], "when": row["on_or_for"], "held": row["planned_loads"]}
            for row in actions
            if row["do"] in ("hold", "left at the end")
        ]
        items = sorted({row["item"] for row in (*rows, *held)})
        x = name("when", axis={"labelAngle": 0}) | {"sort": whens, "scale": {"domain": whens}}
        y = amount("loads", "Loads")
        shade = {"domain": list(kinds), "range": [BLUE, GREEN, ORANGE, PURPLE]}
        color = name("do", scale=shade, legend={"orient": "top", "title": None})
        panels = []
        for item in items:
            own = [{"transform": [{"filter": {"field": "item", "equal": item}}]}] * 2
            bars = layer({"type": "bar", "width": 26}, "moves", x=x, y=y, color=color)
            dots = layer({"type": "point", "filled": True, "size": 70, "color": "black"}, "held",
                         x=x, y=y | {"field": "held"})  # fmt: skip
            panels.append(
                {"title": {"text": item, "anchor": "start", "fontSize": 13},
                 "width": 640, "height": 90, "layer": [bars | own[0], dots | own[1]]}
            )  # fmt: skip
        return chart(
            "What to do with the book",
            {"moves": rows, "held": held},
            {"vconcat": panels},
            subtitle=f"Book of {day(plan.days[0])}. Bars: in above, out below; dots: held "
            "afterward.",
        )


def _freezing_usd_per_lb(horizon: Horizon, lot_id: str) -> float:
    freezer = horizon.freezer_of(horizon.lot(lot_id))
    assert freezer is not None and freezer.freezing is not None
    return freezer.freezing.usd_per_lb


def book_plan(
    book: Book,
    quotations: Sequence[Quotation],
    coolers: Sequence[Cooler],
    on: date | None = None,
    *,
    demands: Mapping[str, Sequence[CustomerDemand]] | None = None,
    whole_loads: bool = False,
    market_share: float | None = None,
    time_limit_s: float = 20.0,
    progress: Say | None = None,
    stopped: Callable[[], bool] | None = None,
) -> BookPlan:
    """The most profitable plan from the book's stock, what is afloat and what was agreed.

    It may take live bids and offers of others, now or for their month, and customers' `demands`
    by item, load by load. With `market_share` what is held or agreed may also be sold at that
    share of its last quotation; what is left at the end counts at nothing. Raises InputRefused
    where an item held is not quoted, or where what was sold cannot be delivered.
    """
    on = on or max(each.quoted_on for each in quotations)
    horizon, agreed = book_horizon(
        book, quotations, coolers, on, demands=demands or {}, whole_loads=whole_loads,
        market_share=market_share, time_limit_s=time_limit_s,
    )  # fmt: skip
    try:
        plan = plan_days(horizon, progress=progress, stopped=stopped)
    except NoPlan as error:
        raise _not_deliverable(error, horizon) from None
    if not plan.is_valid:
        raise SolverTrouble("The plan fails its own check; do not use it.")
    return BookPlan(DaysAnswer(horizon, plan), agreed, whole_loads, market_share)


def _not_deliverable(error: NoPlan, horizon: Horizon) -> Exception:
    from blend.grinder.days import day_requirement_words

    short = getattr(error.infeasible, "loosening_lb", None) or {}
    words = "; ".join(
        f"{day_requirement_words(of, horizon)}: {lb:,.0f} lb of {of.lot_id or of.cooler_id} over"
        for of, lb in short.items()
    )
    return refusal(
        "deals", "pounds_lb", words or "what was agreed", "what can be delivered and held",
        "Enter an offer that covers it, or more room in coolers.csv.",
    )  # fmt: skip


def book_horizon(
    book: Book,
    quotations: Sequence[Quotation],
    coolers: Sequence[Cooler],
    on: date,
    *,
    demands: Mapping[str, Sequence[CustomerDemand]],
    whole_loads: bool = False,
    market_share: float | None = None,
    time_limit_s: float = 20.0,
) -> tuple[Horizon, Mapping[str, Deal]]:
    """The book as a horizon without orders, and the deals that are in it as agreed.

    What is in stock, or was due by this month, is there now, net by item; a net short is owed now.
    Of several last days of use of an item in stock the earliest counts for all of it.
    """
    now = on.replace(day=1)
    net_lb: dict[str, float] = {}
    use_by: dict[str, date] = {}
    agreed: dict[str, Deal] = {}
    prices: list[ForwardPrice] = []
    load_lb = LB_PER_LOAD if whole_loads else None
    for deal in live(book.deals, on):
        month = first_of_month(deal.delivery_month)
        if deal.where is Where.STOCK or month is None or month <= now:
            net_lb[deal.item_id] = net_lb.get(deal.item_id, 0.0) + deal.signed_lb
            if deal.use_by is not None and deal.signed_lb > 0:
                use_by[deal.item_id] = min(deal.use_by, use_by.get(deal.item_id, deal.use_by))
            continue
        side = OFFER if deal.signed_lb > 0 else BID
        agreed[deal.deal_id] = deal
        prices.append(
            ForwardPrice(
                deal.deal_id,
                side,
                deal.item_id,
                first_business_day(month),
                0.0,
                deal.pounds_lb,
                is_agreed=True,
            )
        )
    for item_id, lb in net_lb.items():
        if lb < -_MIN_LB:
            owed = next(d for d in live(book.deals, on) if d.item_id == item_id)
            agreed[f"owed {item_id}"] = owed
            prices.append(
                ForwardPrice(f"owed {item_id}", BID, item_id, on, 0.0, -lb, is_agreed=True)
            )
    for each in open_quotes(book, on):
        quote = each.quote
        if quote.is_ours or not each.is_good_on(on):
            continue
        month = first_of_month(quote.delivery_month)
        of = on if month is None or month <= now else first_business_day(month)
        usd = quote.price_usd_per_cwt / LB_PER_CWT
        prices.append(
            ForwardPrice(quote.quote_id, quote.side, quote.item_id, of, usd, each.left_lb,
                         load_lb=load_lb)
        )  # fmt: skip
    bidding = {
        (each.quote.counterparty, each.quote.item_id)
        for each in open_quotes(book, on)
        if each.quote.side is BID and each.is_good_on(on)
    }
    for item_id, of_item in demands.items():
        for demand in of_item:
            if (demand.customer, item_id) in bidding:
                continue  # their bid covers them
            for number, fob in enumerate(demand.fob_usd_per_cwt, 1):
                prices.append(
                    ForwardPrice(
                        f"{demand.customer}, load {number}",
                        BID,
                        item_id,
                        on,
                        fob / LB_PER_CWT,
                        LB_PER_LOAD,
                        load_lb=load_lb,
                    )
                )
    latest = _latest(quotations, on)
    wanted = {price.lot_id for price in prices} | {i for i, lb in net_lb.items() if lb > _MIN_LB}
    lots = [
        _lot(latest[item_id], on, net_lb.get(item_id, 0.0), use_by.get(item_id))
        for item_id in sorted({_unfrozen(item_id, latest) for item_id in wanted})
    ]
    if market_share is not None:
        prices += list(_at_market(lots, prices, on, market_share))
    settings = Settings(plan_on=on, time_limit_s=time_limit_s)
    horizon = Horizon(
        case=Case(settings, tuple(lots), ()),
        days=tuple({on, *(price.day for price in prices)}),
        orders=(),
        coolers=tuple(coolers),
    )
    known = {lot.lot_id for lot in horizon.lots}
    for price in prices:
        if price.lot_id not in known:
            hint = "Enter a cooler of coolers.csv that freezes it."
            required = "an item quoted, or one that a cooler freezes"
            raise refusal("bids_offers", "item_id", price.lot_id, required, hint)
    return replace(horizon, prices=tuple(prices)), agreed


def _latest(quotations: Sequence[Quotation], on: date) -> Mapping[str, Quotation]:
    known = sorted((q for q in quotations if q.quoted_on <= on), key=lambda q: q.quoted_on)
    return {each.item: each for each in known}


def _unfrozen(item_id: str, latest: Mapping[str, Quotation]) -> str:
    """The item itself, or the fresh one it is frozen from."""
    if item_id in latest:
        return item_id
    fresh = item_id.removesuffix(f" {FROZEN}")
    if fresh not in latest:
        raise refusal("quotations", "item", item_id, "an item quoted", "Quote it, or correct it.")
    return fresh


def _at_market(
    lots: Sequence[Lot], prices: Sequence[ForwardPrice], on: date, share: float
) -> Iterator[ForwardPrice]:
    """Sales at a share of the last quotation on the day meat is there, of no more than is held or
    was agreed to come in: none is a reason to buy."""
    for lot in lots:
        own_lb = {on: lot.quantity_lb or 0.0}
        for price in prices:
            if price.is_agreed and price.side is OFFER and price.lot_id == lot.lot_id:
                own_lb[price.day] = own_lb.get(price.day, 0.0) + price.max_lb
        for of, lb in own_lb.items():
            if lb:
                name, usd = f"{MARKET} {lot.lot_id} {of}", share * lot.price_usd_per_lb
                yield ForwardPrice(name, BID, lot.lot_id, of, usd, lb)


def _lot(quoted: Quotation, on: date, net_lb: float, use_by: date | None) -> Lot:
    return Lot(
        lot_id=quoted.item,
        item=quoted.item,
        species=quoted.species,
        lean=quoted.lean,
        price_usd_per_lb=quoted.usd_per_lb,
        quantity_lb=max(0.0, net_lb),
        fresh_or_frozen=quoted.fresh_or_frozen,
        origin="",
        on_hand_or_offered=ON_HAND,
        use_by=None if use_by is None else max(use_by, on),
    )


def first_business_day(month: date) -> date:
    """The first Monday to Friday of a month."""
    return month + timedelta(days={5: 2, 6: 1}.get(month.weekday(), 0))
