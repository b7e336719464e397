"""How often a trend is false where prices stood still, and how often a move is seen.

The worlds are made with another model than the one that finds trends: prices stand still or jump,
entries scatter as t with three degrees of freedom and differently for each item, companies differ
by the same amount on every item, come and go, some items are heard from two or three companies,
bids and offers lie off the price by exponential amounts, prices are rounded to ticks, and one entry
in 150 is a tenth off.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import numpy as np
import pandas

from blend.domain.market import CanvassEntry, EntryKind, Item
from blend.domain.method import Method
from blend.reporter.trend import PriceTrend, Trend, trends_of

_MONDAY = date(2026, 3, 2)
_DAYS = 18
_LEAN = (0.50, 0.65, 0.73, 0.81, 0.85, 0.90, 0.93)
_IMPORTED = (0.85, 0.90)
ITEMS = tuple(
    Item(f"{'I' if lean in imported else ''}{lean * 100:.0f}s", "", "beef", lean, form, origin,
         tick_usd_per_cwt=tick)
    for form, origin, tick, leans, imported in (
        ("fresh", "domestic", 0.25, _LEAN, ()),
        ("frozen", "imported", 0.5, _IMPORTED, _IMPORTED),
    )
    for lean in leans
)  # fmt: skip
UP, DOWN = (Trend.HIGHER, Trend.FIRM), (Trend.LOWER, Trend.WEAK)
TOLD = (*UP, *DOWN, Trend.STEADY)


@dataclass(frozen=True, slots=True)
class Planted:
    """How prices moved: `usd_per_cwt` at `lean_weight` for each item, so many days before today."""

    name: str
    usd_per_cwt: float = 0.0
    kind: str = "market"
    days_ago: int = 0

    def move(self, index: int, alone: int) -> float:
        lean = ITEMS[index].lean
        share = {"market": 1.0, "lean": (lean - 0.72) / 0.2, "alone": float(index == alone)}
        return self.usd_per_cwt * share[self.kind]


FLAT = (
    Planted("flat"),
    Planted("flat since a jump of $5 three days ago", 5.0, days_ago=3),
    Planted("flat since lean rose $4, fat fell $4", 4.0, "lean", days_ago=2),
)
MOVED = tuple(
    Planted(f"{words} moves ${usd:g}", usd, kind)
    for kind, words in (("market", "whole market"), ("lean", "lean against fat"),
                        ("alone", "one item alone"))
    for usd in (1.0, 2.0, 4.0)
)  # fmt: skip


def trends_in_world(
    planted: Planted, seed: int, method: Method
) -> Iterator[tuple[float, PriceTrend]]:
    """By item, how far its price truly moved since it was last heard, and the trend found."""
    draw = np.random.default_rng([seed, _DAYS])
    days = [_MONDAY + timedelta(days=7 * (n // 5) + n % 5) for n in range(_DAYS)]
    alone = int(draw.integers(len(ITEMS)))
    levels = {item.item_id: _level(draw, item) for item in ITEMS}
    price = {
        (item.item_id, day): levels[item.item_id]
        + (planted.move(index, alone) if number >= _DAYS - 1 - planted.days_ago else 0.0)
        for index, item in enumerate(ITEMS)
        for number, day in enumerate(days)
    }
    found = trends_of(ITEMS, days[-1], _canvass(draw, price, days), method, days)
    for index, item in enumerate(ITEMS):
        if planted.kind == "alone" and planted.usd_per_cwt and index != alone:
            continue
        trend = found[item.item_id]
        since = price[item.item_id, trend.compared_with or days[-2]]
        yield price[item.item_id, days[-1]] - since, trend


def _level(draw: np.random.Generator, item: Item) -> float:
    return 640 * item.lean - 230 + draw.normal(0, 5)


def _canvass(
    draw: np.random.Generator, price: Mapping[tuple[str, date], float], days: list[date]
) -> dict[str, list[CanvassEntry]]:
    bias = draw.laplace(0, 0.7, 15)
    entries: dict[str, list[CanvassEntry]] = {}
    for item in ITEMS:
        companies = draw.choice(15, draw.choice((3, 4, 5, 9), p=(0.3, 0.3, 0.2, 0.2)), False)
        first = np.where(draw.random(15) < 0.2, draw.integers(0, _DAYS, 15), 0)
        scale = draw.uniform(0.4, 1.2)
        own = entries[item.item_id] = []
        for number, day in enumerate(days):
            for company in companies:
                if draw.random() > 0.7 or number < first[company]:
                    continue
                kind = draw.choice(["trade", "bid", "offer"], p=(0.75, 0.125, 0.125))
                apart = {"trade": 0.0, "bid": -1.0, "offer": 1.0}[kind] * draw.exponential(1.5)
                usd = price[item.item_id, day] + bias[company] + apart + scale * draw.standard_t(3)
                if draw.random() < 1 / 150:
                    usd *= draw.choice((0.9, 1.1))
                tick = item.tick_usd_per_cwt
                own.append(
                    CanvassEntry(
                        f"{item.item_id} {day} {company}",
                        datetime.combine(day, time(12)),
                        day,
                        EntryKind(kind),
                        item.item_id,
                        max(5.0, tick * round(usd / tick)),
                        40_000.0,
                        f"company {company}",
                        "packer",
                    )
                )
    return entries


def trends_table(
    method: Method, worlds: int, of: Sequence[Planted] = (*FLAT, *MOVED)
) -> pandas.DataFrame:
    """By what was planted: shares of item-days with a word, a false one, and a right one, in
    percent of the item-days on which anything could be compared."""
    rows = []
    for planted in of:
        found = [
            each
            for seed in range(worlds)
            for each in trends_in_world(planted, seed, method)
            if each[1].is_tested
        ]
        moved = [(true, trend) for true, trend in found if abs(true) > 1e-9] or found
        is_flat = planted in FLAT
        sample = [each for each in found if abs(each[0]) < 1e-9] if is_flat else moved
        rows.append(
            {
                "planted": planted.name,
                "item-days": len(sample),
                "a word %": _percent(trend.word in TOLD for _, trend in sample),
                "false direction %": _percent(_is_false(true, trend) for true, trend in sample),
                "right direction %": None if is_flat else _percent(
                    trend.word in (UP if true > 0 else DOWN) for true, trend in sample
                ),
                "steady %": _percent(trend.word is Trend.STEADY for _, trend in sample),
            }
        )  # fmt: skip
    return pandas.DataFrame(rows)


def _is_false(true: float, trend: PriceTrend) -> bool:
    if abs(true) < 1e-9:
        return trend.word in (*UP, *DOWN)
    return trend.word in (DOWN if true > 0 else UP)


def _percent(hits: Iterator[bool]) -> float:
    every = list(hits)
    return round(100 * sum(every) / max(1, len(every)), 1)


NOTE = (
    "A false direction: a direction where the price stood still, or the wrong one. Steady is false "
    "where the price moved by as much as is measurable ($1, or $2 for imported items)."
)
