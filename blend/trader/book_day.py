"""`blend book`: positions, marks, profit and loss of a day, and what moved it since another."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property
from typing import TYPE_CHECKING, Any

from blend.domain.book import Deal, Pricing
from blend.domain.quotations import Quotation
from blend.output import screen
from blend.output.answer import Answer, Spec
from blend.output.formats import Format, counted, day, long_day, money, register
from blend.trader.book import CostMethod, Explained, Mark, Position, explain, live, positions
from blend.units import LB_PER_CWT, LB_PER_LOAD

if TYPE_CHECKING:
    from pandas import DataFrame

LOAD_LB = LB_PER_LOAD
STALE_AFTER_DAYS = 10
"""Calendar days after which a quotation no longer marks a position. House rule."""

register(
    {
        "book_item": Format("Item"),
        "net_position_lb": Format("Net", "lb", 0),
        "position_loads": Format("Loads", "", 1),
        "lean_lb": Format("Lean", "lb", 0, is_summed=True),
        "fat_lb": Format("Fat", "lb", 0, is_summed=True),
        "cost_usd_per_cwt": Format("Cost", "$/cwt", 2),
        "mark_usd_per_cwt": Format("Mark", "$/cwt", 2),
        "realized_usd": Format("Realized", "$", 0, is_summed=True),
        "unrealized_usd": Format("Unrealized", "$", 0, is_summed=True),
        "total_usd": Format("Total", "$", 0, is_summed=True),
        "new_business_usd": Format("New deals", "$", 0, is_summed=True),
        "quantity_usd": Format("Corrected", "$", 0, is_summed=True),
        "from_lean_usd": Format("Lean", "$", 0, is_summed=True),
        "from_fat_usd": Format("Fat", "$", 0, is_summed=True),
        "from_basis_usd": Format("Basis", "$", 0, is_summed=True),
        "exchange_usd": Format("FX", "$", 0, is_summed=True),
        "formula_usd": Format("Formula", "$", 0, is_summed=True),
        "unexplained_usd": Format("Unexplained", "$", 2, is_summed=True),
        "exposure_usd": Format("Open with them", "$", 0, is_summed=True),
    }
)


@dataclass(frozen=True)
class BookDay(Answer):
    """The book on a day. Tables: `positions`, `explained`, `by_month`, `counterparties`."""

    on: date
    before: date | None
    method: CostMethod
    held: Mapping[str, Position]
    lean: Mapping[str, float]
    moved: Mapping[str, Explained]
    deals: tuple[Deal, ...]
    """Those that stand on the day."""
    old_marks: Mapping[str, date]
    """Items marked at a quotation of an earlier day, and that day."""

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        from pandas import DataFrame

        return {
            "positions": DataFrame([self._position(each) for each in self.held.values()]),
            "explained": DataFrame([_explained(each) for each in self.moved.values()]),
            "by_month": self._summed(lambda deal: (deal.item_id, deal.delivery_month, deal.where)),
            "counterparties": DataFrame(
                [
                    {"counterparty": name or "not named", "exposure_usd": usd}
                    for name, usd in sorted(self.exposures.items())
                ]
            ),
        }

    @property
    def figures(self) -> Mapping[str, Any]:
        return {
            "on": self.on,
            "cost_method": self.method.value,
            "realized_usd": math.fsum(each.realized_usd for each in self.held.values()),
            "unrealized_usd": math.fsum(each.unrealized_usd for each in self.held.values()),
            "total_usd": self.total_usd,
            "moved_usd": math.fsum(each.total_usd for each in self.moved.values()),
        }

    @property
    def total_usd(self) -> float:
        return math.fsum(each.total_usd for each in self.held.values())

    @property
    def exposures(self) -> Mapping[str, float]:
        """By counterparty, what is not in stock yet at the day's marks, bought and sold alike."""
        found: dict[str, float] = {}
        for deal in self.deals:
            if deal.where != "stock":
                mark = self.held[deal.item_id].mark_usd_per_cwt or 0.0
                usd = deal.pounds_lb / LB_PER_CWT * mark
                found[deal.counterparty] = found.get(deal.counterparty, 0.0) + usd
        return found

    def _position(self, each: Position) -> dict[str, Any]:
        lean = self.lean.get(each.item_id, math.nan)
        cost = each.cost_usd / each.net_lb * LB_PER_CWT if each.net_lb else math.nan
        return {
            "book_item": each.item_id,
            "net_position_lb": each.net_lb,
            "position_loads": each.net_lb / LOAD_LB,
            "lean_lb": each.net_lb * lean,
            "fat_lb": each.net_lb * (1 - lean),
            "cost_usd_per_cwt": cost,
            "mark_usd_per_cwt": each.mark_usd_per_cwt,
            "realized_usd": each.realized_usd,
            "unrealized_usd": each.unrealized_usd,
            "total_usd": each.total_usd,
        }

    def _summed(self, key: Any) -> DataFrame:
        from pandas import DataFrame

        net: dict[Any, float] = {}
        for deal in self.deals:
            net[key(deal)] = net.get(key(deal), 0.0) + deal.signed_lb
        return DataFrame(
            [
                {"book_item": item, "delivery_month": month or "not given", "where": str(where),
                 "net_position_lb": lb, "position_loads": lb / LOAD_LB}
                for (item, month, where), lb in sorted(net.items())
                if lb
            ]
        )  # fmt: skip

    def screen(self, sections: Collection[str] = ()) -> str:
        every = "all" in sections
        columns = ["book_item", "position_loads", "cost_usd_per_cwt", "mark_usd_per_cwt",
                   "realized_usd", "unrealized_usd", "total_usd"]  # fmt: skip
        parts = [
            screen.strong(f"Book, {long_day(self.on)}: {money(self.total_usd)} in all"),
            screen.wrapped(self.summary),
            screen.table(self.tables["positions"], columns),
        ]
        if self.before is not None:
            parts.append(screen.wrapped(self.moved_words))
        if watch := screen.watch(self.watch()):
            parts.append(watch)
        if every or "lean" in sections:
            parts.append(
                screen.table(
                    self.tables["positions"],
                    ["book_item", "net_position_lb", "lean_lb", "fat_lb"],
                    title="Position in lean and fat",
                    note="Short positions are below zero.",
                )
            )
        if every or "months" in sections:
            parts.append(screen.table(self.tables["by_month"], title="By month of delivery"))
        if every or "counterparties" in sections:
            parts.append(
                screen.table(
                    self.tables["counterparties"],
                    title="Open with counterparties",
                    note="At the day's marks; not netted.",
                )
            )
        parts.append("More: --explain --lean --months --counterparties, or --all.")
        return "\n\n".join(parts)

    @property
    def summary(self) -> str:
        figures = self.figures
        return (
            f"Realized {money(figures['realized_usd'])}, unrealized "
            f"{money(figures['unrealized_usd'])}, at {_COST_WORDS[self.method]} cost. "
            f"{counted(len(self.deals), 'deal')} stand. Marked at published quotations."
        )

    @property
    def moved_words(self) -> str:
        """What moved the profit since the day before, in one sentence."""
        total = self.figures["moved_usd"]
        since = day(self.before) if self.before else ""
        words = {
            "new deals": "new_business_usd", "corrections": "quantity_usd", "lean": "lean_usd",
            "fat": "fat_usd", "basis": "basis_usd", "exchange": "exchange_usd",
            "formula deals repriced": "formula_usd", "not explained": "unexplained_usd",
        }  # fmt: skip
        parts = [
            f"{name} {money(usd)}"
            for name, field in words.items()
            if abs(usd := math.fsum(getattr(each, field) for each in self.moved.values())) >= 0.5
        ]
        return (
            f"{money(total)} since {since}: {', '.join(parts) or 'nothing moved'}. "
            "The parts add up exactly."
        )

    def watch(self) -> Iterable[str]:
        for item, of in self.old_marks.items():
            yield f"{item} is marked at its quotation of {day(of)}; none is newer."
        for note in sorted({f"{m.item_id}: {n}" for m in self.moved.values() for n in m.notes}):
            yield f"{note}."

    def chart(self) -> Spec:
        from blend.output.charts import signed_bars

        parts = {"New deals": "new_business_usd", "Lean": "lean_usd", "Fat": "fat_usd",
                 "Basis": "basis_usd", "FX": "exchange_usd", "Formula": "formula_usd",
                 "Corrected": "quantity_usd"}  # fmt: skip
        amounts = {
            name: math.fsum(getattr(each, field) for each in self.moved.values())
            for name, field in parts.items()
        }
        since = day(self.before) if self.before else day(self.on)
        return signed_bars(
            f"What moved profit and loss, {since} to {day(self.on)}", amounts, "$", decimals=0
        )


_COST_WORDS = {CostMethod.FIFO: "first-in-first-out", CostMethod.AVERAGE: "average"}


def _explained(each: Explained) -> dict[str, Any]:
    return {
        "book_item": each.item_id,
        "new_business_usd": each.new_business_usd,
        "quantity_usd": each.quantity_usd,
        "from_lean_usd": each.lean_usd,
        "from_fat_usd": each.fat_usd,
        "from_basis_usd": each.basis_usd,
        "exchange_usd": each.exchange_usd,
        "formula_usd": each.formula_usd,
        "unexplained_usd": each.unexplained_usd,
        "total_usd": each.total_usd,
    }


def book_day(
    deals: Iterable[Deal],
    quotations: Sequence[Quotation],
    on: date | None = None,
    *,
    before: date | None = None,
    method: CostMethod = CostMethod.FIFO,
) -> BookDay:
    """The book on a day (default: the last quotation's), and what moved it since `before` (default:
    the day quoted before it). Raises NoMark where an item held has no quotation near the day.
    """
    deals = tuple(deals)
    days = sorted({each.quoted_on for each in quotations})
    on = on or days[-1]
    if before is None:
        earlier = [each for each in days if each < on]
        before = earlier[-1] if earlier else None
    marks = QuotedMarks(quotations)
    standing = tuple(live(deals, on))
    held = positions(deals, on, marks, method)
    lean = {each.item: each.lean for each in quotations}
    moved = explain(deals, before, on, marks, lean) if before else {}
    old = {
        item: of
        for item, position in held.items()
        if position.net_lb and (of := marks.day_of(item, on)) is not None and of < on
    }
    return BookDay(on, before, method, held, lean, moved, standing, old)


class QuotedMarks:
    """Marks from published quotations: the latest of the item, not older than a few days; with the
    lean line of that day's fresh items by least squares, where there are two or more."""

    def __init__(self, quotations: Sequence[Quotation]) -> None:
        self._by_item: dict[str, list[tuple[date, float]]] = {}
        for each in sorted(quotations, key=lambda q: q.quoted_on):
            price = each.usd_per_lb * LB_PER_CWT
            self._by_item.setdefault(each.item, []).append((each.quoted_on, price))
        self._lines = _lines(quotations)

    def __call__(self, item: str, on: date) -> Mark | None:
        found = self._latest(item, on)
        if found is None:
            return None
        lean, fat = self._lines.get(found[0], (None, None))
        return Mark(found[1], lean_usd_per_cwt=lean, fat_usd_per_cwt=fat)

    def day_of(self, item: str, on: date) -> date | None:
        """The day of the quotation that marks the item."""
        found = self._latest(item, on)
        return found and found[0]

    def _latest(self, item: str, on: date) -> tuple[date, float] | None:
        known = self._by_item.get(item, [])
        place = bisect_right(known, (on, math.inf))
        if not place or on - known[place - 1][0] > timedelta(days=STALE_AFTER_DAYS):
            return None
        return known[place - 1]


def _lines(quotations: Sequence[Quotation]) -> dict[date, tuple[float, float]]:
    """By day, what 100 lb of lean and of fat are worth on the least-squares line of fresh beef."""
    import numpy as np

    days: dict[date, list[tuple[float, float]]] = {}
    for each in quotations:
        if each.fresh_or_frozen == "fresh" and each.species == "beef":
            days.setdefault(each.quoted_on, []).append((each.lean, each.usd_per_lb * LB_PER_CWT))
    found = {}
    for of, pairs in days.items():
        if len({lean for lean, _ in pairs}) >= 2:
            leans, prices = np.array(pairs).T
            slope, fat = np.polyfit(leans, prices, 1)
            found[of] = (float(fat + slope), float(fat))
    return found


def open_formula(deals: Iterable[Deal], on: date) -> list[Deal]:
    """Formula deals that are not priced yet."""
    return [
        each
        for each in live(deals, on)
        if each.pricing is Pricing.FORMULA and (each.priced_on is None or each.priced_on > on)
    ]
