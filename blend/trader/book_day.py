"""`blend book`: positions, marks, profit and loss of a day, and what moved it since another."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property, partial
from typing import Any

from blend.domain.book import Book, Deal, LimitKind, live
from blend.domain.quotations import Quotation
from blend.errors import refusal
from blend.output import screen
from blend.output.answer import Answer, Spec
from blend.output.formats import Format, cents, counted, day, long_day, money, register
from blend.output.frames import DataFrame
from blend.trader.book import (
    PARTS,
    CostMethod,
    Explained,
    MarkAt,
    Position,
    explain,
    positions,
    to_land_usd_per_cwt,
)
from blend.trader.book_limits import NOT_GIVEN, Amount, LimitUse, amounts_of, limit_uses
from blend.trader.book_marks import DatedRates, OpenQuote, QuotedMarks, open_quotes, quoted_exits
from blend.units import LB_PER_CWT, LB_PER_LOAD, POINTS_PER_SHARE, us_date

SOON_DAYS = 7
"""A basis or formula deal that must be priced within so many days is named."""

register(
    {
        "book_item": Format("Item"),
        "net_position_lb": Format("Net", "lb", 0),
        "net_position_loads": Format("Net", "loads", 1),
        "lean_lb": Format("Lean", "lb", 0, is_summed=True),
        "fat_lb": Format("Fat", "lb", 0, is_summed=True),
        "realized_usd": Format("Realized", "$", 0, is_summed=True),
        "unrealized_usd": Format("Unrealized", "$", 0, is_summed=True),
        "total_usd": Format("Total", "$", 0, is_summed=True),
        **{
            f"from_{part}_usd": Format(heading, "$", 0, is_summed=True)
            for part, heading in zip(
                PARTS,
                (
                    "New deals",
                    "Corrected",
                    "Lean",
                    "Fat",
                    "Basis",
                    "FX",
                    "Freight",
                    "Open prices",
                    "Bid and offer",
                ),
                strict=True,
            )
        },
        "limit_on": Format("Limit"),
        "max_allowed_lb": Format("Limit", "lb", 0),
        "max_allowed_usd": Format("Limit", "$", 0),
        "used_percent": Format("Used", "%", 0),
        "quote_id": Format("Quote"),
        "bid_or_offer": Format("Side"),
        "left_loads": Format("Loads left", "", 1),
        "parity_usd_per_cwt": Format("Mark less costs to land", "$/cwt", 2),
        "still_to_pay_usd_per_cwt": Format("To land", "$/cwt", 2),
        "lean_point": Format("Lean", "%", 0),
        "basis_usd_per_cwt": Format("Basis", "$/cwt", 2, is_signed=True),
        "unexplained_usd": Format("Left over", "$", 2, is_summed=True),
        "exposure_usd": Format("Exposure", "$", 0, is_summed=True),
    }
)


@dataclass(frozen=True)
class BookDay(Answer):
    """The book on a day. Tables: `positions`, `explained`, `limits`, `quotes`, `by_lean`,
    `by_origin`, `by_month`, `afloat`, `open_prices`, `counterparties`."""

    on: date
    before: date | None
    method: CostMethod
    mark_at: MarkAt
    held: Mapping[str, Position]
    lean: Mapping[str, float]
    moved: Mapping[str, Explained]
    deals: tuple[Deal, ...]
    """Those that stand on the day."""
    old_marks: Mapping[str, date]
    """Items marked at a quotation of an earlier day, and that day."""
    amounts: Mapping[LimitKind, Mapping[str, Amount]]
    limits: tuple[LimitUse, ...]
    quotes: tuple[OpenQuote, ...]
    """Bids and offers that are good on the day."""
    ran_out: tuple[OpenQuote, ...]
    """Those good on the day explained from, and no longer."""
    still_to_pay_usd_per_cwt: Mapping[str, float]
    """By deal afloat, what it still costs to land it."""

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        rows: dict[str, list[dict[str, Any]]] = {
            "positions": [self._position(each) for each in self.held.values()],
            "explained": [_explained(each) for each in self.moved.values()],
            "limits": [
                {"limit_on": each.words,
                 "used_lb": None if each.limit.max_lb is None else each.used_lb,
                 "max_allowed_lb": each.limit.max_lb,
                 "used_usd": None if each.limit.max_usd is None else each.used_usd,
                 "max_allowed_usd": each.limit.max_usd, "used_percent": each.used_percent}
                for each in self.limits
            ],
            "quotes": [
                {"quote_id": each.quote.quote_id, "bid_or_offer": each.quote.side.value,
                 "book_item": each.quote.item_id, "left_loads": each.left_lb / LB_PER_LOAD,
                 "price_usd_per_cwt": each.quote.price_usd_per_cwt,
                 "delivery_month": each.quote.delivery_month or "prompt",
                 "whose": "yours" if each.quote.is_ours else each.quote.counterparty,
                 "good_until": each.quote.good_until}
                for each in self.quotes
            ],
            "by_lean": self._summed(
                lambda deal: {"lean_point": POINTS_PER_SHARE * self.lean[deal.item_id]}
                if deal.item_id in self.lean else {"lean_point": math.nan}
            ),
            "by_origin": self._summed(
                lambda deal: {"book_item": deal.item_id, "origin": deal.origin or NOT_GIVEN}
            ),
            "by_month": self._summed(
                lambda deal: {"book_item": deal.item_id,
                              "delivery_month": deal.delivery_month or NOT_GIVEN,
                              "where": str(deal.where)}
            ),
            "afloat": [self._afloat(each) for each in self.deals if each.where == "afloat"],
            "open_prices": [
                {"deal_id": each.deal_id, "book_item": each.item_id, "side": each.side.value,
                 "net_position_loads": each.pounds_lb / LB_PER_LOAD, "priced_off": each.reference,
                 "basis_usd_per_cwt": each.price, "price_by": each.price_by}
                for each in self.open_deals
            ],
            "counterparties": [
                {"counterparty": name, "exposure_usd": usd}
                for name, (_, usd) in sorted(self.amounts[LimitKind.COUNTERPARTY].items())
            ],
        }  # fmt: skip
        return {name: DataFrame(found) for name, found in rows.items()}

    @property
    def figures(self) -> Mapping[str, Any]:
        return {
            "on": self.on,
            "cost_method": self.method.value,
            "realized_usd": math.fsum(each.realized_usd for each in self.held.values()),
            "unrealized_usd": math.fsum(each.unrealized_usd for each in self.held.values()),
            "total_usd": self.total_usd,
            "moved_usd": math.fsum(each.total_usd for each in self.moved.values()),
            "limits_exceeded": len(self.breaches),
        }

    @property
    def total_usd(self) -> float:
        return math.fsum(each.total_usd for each in self.held.values())

    @property
    def breaches(self) -> list[str]:
        return [each.breach for each in self.limits if each.breach]

    @property
    def open_deals(self) -> list[Deal]:
        return [each for each in self.deals if each.is_open_on(self.on)]

    def _position(self, each: Position) -> dict[str, Any]:
        lean = self.lean.get(each.item_id, math.nan)
        return {
            "book_item": each.item_id,
            "net_position_lb": each.net_lb,
            "net_position_loads": each.net_lb / LB_PER_LOAD,
            "lean_lb": each.net_lb * lean,
            "fat_lb": each.net_lb * (1 - lean),
            "cost_usd_per_cwt": _per_cwt(each),
            "mark_usd_per_cwt": each.mark_usd_per_cwt,
            "realized_usd": each.realized_usd,
            "unrealized_usd": each.unrealized_usd,
            "total_usd": each.total_usd,
        }

    def _afloat(self, deal: Deal) -> dict[str, Any]:
        mark = self.held[deal.item_id].mark_usd_per_cwt or math.nan
        to_pay = self.still_to_pay_usd_per_cwt[deal.deal_id]
        return {
            "deal_id": deal.deal_id,
            "book_item": deal.item_id,
            "net_position_loads": deal.signed_lb / LB_PER_LOAD,
            "mark_usd_per_cwt": mark,
            "still_to_pay_usd_per_cwt": to_pay,
            "parity_usd_per_cwt": mark - to_pay,
        }

    def _summed(self, key: Callable[[Deal], Mapping[str, Any]]) -> list[dict[str, Any]]:
        net: dict[tuple[tuple[str, Any], ...], list[float]] = {}
        for deal in self.deals:
            sums = net.setdefault(tuple(key(deal).items()), [0.0, 0.0])
            sums[0] += deal.signed_lb
            sums[1] += deal.signed_lb * self.lean.get(deal.item_id, math.nan)
        return [
            {**dict(names), "net_position_lb": lb, "net_position_loads": lb / LB_PER_LOAD,
             "lean_lb": lean_lb, "fat_lb": lb - lean_lb}
            for names, (lb, lean_lb) in sorted(net.items())
            if lb
        ]  # fmt: skip

    def screen(self, sections: Collection[str] = ()) -> str:
        columns = ["book_item", "net_position_loads", "cost_usd_per_cwt", "mark_usd_per_cwt",
                   "realized_usd", "unrealized_usd", "total_usd"]  # fmt: skip
        first = [
            screen.strong(f"Book, {long_day(self.on)}: {money(self.total_usd)} in all"),
            screen.wrapped(self.summary),
            screen.table(self.tables["positions"], columns),
            screen.wrapped(self.moved_words) if self.before is not None else "",
            screen.watch(self.watch()),
        ]
        return screen.blocks(first, sections, self._sections())

    def _sections(self) -> Mapping[str, Callable[[], str]]:
        """What there is more to see, by the name of its flag."""
        lean = ["book_item", "net_position_lb", "lean_lb", "fat_lb"]
        shown: dict[str, tuple[str, str, Sequence[str] | None, str]] = {
            "explain": ("explained", "What moved profit and loss, by item", None, ""),
            "lean": (
                "positions", "Position in lean and fat", lean, "Short positions are below zero.",
            ),
            "points": ("by_lean", "By lean point", None, ""),
            "months": ("by_month", "By month of delivery",
                       ["book_item", "delivery_month", "where", "net_position_lb",
                        "net_position_loads"], ""),
            "origins": ("by_origin", "By origin", None, ""),
            "counterparties": ("counterparties", "Exposure by counterparty", None,
                               "At the day's marks; not netted."),
            "limits": ("limits", "Limits", None, ""),
            "quotes": ("quotes", "Bids and offers that are good today", None, ""),
            "open-prices": ("open_prices", "Not priced yet", None,
                            "Each moves with the quotation it is priced off."),
            "afloat": ("afloat", "Afloat, at landed parity", None,
                       "The mark less duty, fees and freight still to pay."),
        }  # fmt: skip

        def section(table: str, title: str, columns: Sequence[str] | None, note: str) -> str:
            frame = self.tables[table]
            if columns is None:
                columns = [*frame.columns[:1], *screen.with_values(frame.iloc[:, 1:])]
            return screen.table(frame, columns, title=title, note=note)

        return {
            flag: partial(section, *parts)
            for flag, parts in shown.items()
            if len(self.tables[parts[0]])
        }

    @property
    def summary(self) -> str:
        figures = self.figures
        at = "published quotations"
        if self.mark_at is MarkAt.EXIT:
            at = "bids (long) and offers (short) as far as they go, else at the quotation"
        return (
            f"Realized {money(figures['realized_usd'])}, unrealized "
            f"{money(figures['unrealized_usd'])}, at {_COST_WORDS[self.method]} cost. "
            f"{counted(len(self.deals), 'deal')}. Marked at {at}."
        )

    def part_usd(self, part: str) -> float:
        """One part of what moved, over all items; "unexplained" is one of them."""
        return math.fsum(getattr(each, f"{part}_usd") for each in self.moved.values())

    @property
    def moved_words(self) -> str:
        """What moved the profit since the day before, in one sentence."""
        since = day(self.before) if self.before else ""
        parts = [
            f"{name} {money(usd)}"
            for part, name in PARTS.items()
            if abs(usd := self.part_usd(part)) >= 0.5
        ]
        return (
            f"{money(self.figures['moved_usd'])} since {since}: "
            f"{', '.join(parts) or 'nothing moved'}. "
            f"Left over: ${abs(self.part_usd('unexplained')):,.2f}."
        )

    def watch(self) -> Iterable[str]:
        yield from self.breaches
        for deal in self.open_deals:
            if deal.price_by is not None and deal.price_by < self.on + timedelta(SOON_DAYS):
                late = "should have been" if deal.price_by < self.on else "must be"
                yield f"{deal.deal_id} {late} priced off {deal.reference} by {day(deal.price_by)}."
        for each in self.ran_out:
            quote = each.quote
            yield (
                f"{quote.side.capitalize()} {quote.quote_id}, {quote.item_id} at "
                f"{cents(quote.price_usd_per_cwt)}, expired on {day(quote.good_until)}."
            )
        for item, of in self.old_marks.items():
            yield f"{item} is marked at its quotation of {day(of)}; none is newer."
        open_items = {each.item_id for each in self.deals if each.where != "stock"}
        for item in sorted(open_items):
            if self.held[item].mark_usd_per_cwt is None:
                yield f"{item} has no quotation: open deals in it count as $0 with counterparties."
        for note in sorted({f"{m.item_id}: {n}" for m in self.moved.values() for n in m.notes}):
            yield f"{note}."

    def chart(self) -> Spec:
        from blend.output.charts import signed_bars

        amounts = {
            name[:1].upper() + name[1:]: usd
            for part, name in PARTS.items()
            if abs(usd := self.part_usd(part)) >= 0.5 or part in ("lean", "fat", "basis")
        }
        since = day(self.before) if self.before else day(self.on)
        at = "published quotations" if self.mark_at is MarkAt.QUOTATION else "bids and offers"
        return signed_bars(
            f"What moved profit and loss, {since} to {day(self.on)}",
            amounts,
            "Profit, $",
            subtitle=f"Book of {day(self.on)}, marked at {at}: "
            f"{money(self.figures['moved_usd'])} in all",
            decimals=0,
        )


_COST_WORDS = {CostMethod.FIFO: "first-in-first-out", CostMethod.AVERAGE: "average"}


def _per_cwt(each: Position) -> float:
    """Cost of what is held."""
    return each.cost_usd / each.net_lb * LB_PER_CWT if each.net_lb else math.nan


def _explained(each: Explained) -> dict[str, Any]:
    parts = {f"from_{part}_usd": getattr(each, f"{part}_usd") for part in PARTS}
    return {
        "book_item": each.item_id,
        **parts,
        "unexplained_usd": each.unexplained_usd,
        "total_usd": each.total_usd,
    }


def book_day(
    book: Book | Iterable[Deal],
    quotations: Sequence[Quotation],
    on: date | None = None,
    *,
    before: date | None = None,
    method: CostMethod = CostMethod.FIFO,
    mark_at: MarkAt = MarkAt.QUOTATION,
) -> BookDay:
    """The book on a day (default: the last quotation's), and what moved it since `before` (default:
    the day quoted before it). Raises NoMark where an item held has no quotation near the day, and
    InputRefused for a `before` that is not before it.
    """
    book = book if isinstance(book, Book) else Book(tuple(book))
    days = sorted({each.quoted_on for each in quotations})
    on = on or days[-1]
    if before is None:
        earlier = [each for each in days if each < on]
        before = earlier[-1] if earlier else None
    elif before >= on:
        raise refusal("book", "since", us_date(before), f"a day before {us_date(on)}")
    marks, rates = QuotedMarks(quotations), DatedRates(book.rates)
    closes = {on, before or on} if mark_at is MarkAt.EXIT else ()
    exits = quoted_exits(book, closes)
    standing = tuple(live(book.deals, on))
    held = positions(book.deals, on, marks, method, rates, exits)
    lean = {each.item: each.lean for each in quotations}
    moved = explain(book.deals, before, on, marks, lean, rates, exits) if before else {}
    old = {
        item: found[0]
        for item, position in held.items()
        if position.net_lb and (found := marks.latest(item, on)) is not None and found[0] < on
    }
    at = {item: position.mark_usd_per_cwt or 0.0 for item, position in held.items()}
    amounts = amounts_of(standing, at, lean)
    quotes = open_quotes(book, on)
    good = tuple(each for each in quotes if each.is_good_on(on))
    ran_out = tuple(
        each
        for each in quotes
        if before and each not in good and each.is_good_on(before) and each.left_lb
    )
    to_pay = {
        deal.deal_id: to_land_usd_per_cwt(deal, on, rates)
        for deal in standing
        if deal.where == "afloat"
    }
    return BookDay(
        on, before, method, mark_at, held, lean, moved, standing, old, amounts,
        tuple(limit_uses(book.limits, amounts)), good, ran_out, to_pay,
    )  # fmt: skip
