"""What marks the book: published quotations, live bids and offers, exchange and freight rates."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from blend.domain.book import BidOffer, Book, BookRate, QuoteSide, live
from blend.domain.quotations import Quotation
from blend.trader.book import Exits, Mark
from blend.units import LB_PER_CWT

STALE_AFTER_DAYS = 10
"""Calendar days after which a quotation or a rate no longer marks a position. House rule."""

Steps = dict[str, list[tuple[date, float]]]
"""By name, (day, value) in order of days."""


class QuotedMarks:
    """Marks from published quotations: the latest of the item, not older than a few days; with the
    lean line of that day's fresh items of its species by least squares, where there are two or
    more."""

    def __init__(self, quotations: Sequence[Quotation]) -> None:
        self._by_item: Steps = {}
        self._species = {each.item: each.species for each in quotations}
        for each in sorted(quotations, key=lambda q: q.quoted_on):
            price = each.usd_per_lb * LB_PER_CWT
            self._by_item.setdefault(each.item, []).append((each.quoted_on, price))
        self._lines = _lines(quotations)
        self._known: dict[tuple[str, date], Mark | None] = {}

    def __call__(self, item: str, on: date) -> Mark | None:
        if (item, on) not in self._known:
            self._known[item, on] = self._mark(item, on)
        return self._known[item, on]

    def _mark(self, item: str, on: date) -> Mark | None:
        found = self.latest(item, on)
        if found is None:
            return None
        lean, fat = self._lines.get((self._species[item], found[0]), (None, None))
        return Mark(found[1], lean, fat)

    def latest(self, item: str, on: date) -> tuple[date, float] | None:
        """The quotation that marks the item: its day and USD per cwt."""
        return _latest(self._by_item, item, on)


class DatedRates:
    """The latest rate of a currency or a freight lane, not older than a few days."""

    def __init__(self, rates: Iterable[BookRate]) -> None:
        self._by_name: Steps = {}
        for each in sorted(rates, key=lambda rate: rate.rated_on):
            self._by_name.setdefault(each.rate, []).append((each.rated_on, each.value))

    def __call__(self, name: str, on: date) -> float | None:
        found = self.latest(name, on)
        return found and found[1]

    def latest(self, name: str, on: date) -> tuple[date, float] | None:
        """Its day and the rate."""
        return _latest(self._by_name, name, on)


def _latest(steps: Steps, name: str, on: date) -> tuple[date, float] | None:
    known = steps.get(name, [])
    place = bisect_right(known, (on, math.inf))
    if not place or on - known[place - 1][0] > timedelta(days=STALE_AFTER_DAYS):
        return None
    return known[place - 1]


def _lines(quotations: Sequence[Quotation]) -> Mapping[tuple[str, date], tuple[float, float]]:
    """By species and day, what 100 lb of lean and of fat are worth on the least-squares line of
    fresh items."""
    import numpy as np

    days: dict[tuple[str, date], list[tuple[float, float]]] = {}
    for each in quotations:
        if each.fresh_or_frozen == "fresh":
            pairs = days.setdefault((each.species, each.quoted_on), [])
            pairs.append((each.lean, each.usd_per_lb * LB_PER_CWT))
    found = {}
    for of, pairs in days.items():
        if len({lean for lean, _ in pairs}) >= 2:
            leans, prices = np.array(pairs).T
            slope, fat = np.polyfit(leans, prices, 1)
            found[of] = (float(fat + slope), float(fat))
    return found


@dataclass(frozen=True, slots=True)
class OpenQuote:
    """A bid or offer still good, and what deals have left of it."""

    quote: BidOffer
    left_lb: float

    def is_good_on(self, day: date) -> bool:
        return self.left_lb > 0 and day <= self.quote.good_until

    def is_prompt_on(self, day: date) -> bool:
        """Whether it is for delivery now: one for a later month marks nothing held today."""
        return self.quote.delivery_month <= f"{day:%Y-%m}"


def open_quotes(book: Book, on: date) -> list[OpenQuote]:
    """Bids and offers as they stand on a day, those that ran out among them."""
    taken: dict[str, float] = {}
    for deal in live(book.deals, on) if book.bids_offers else ():
        if deal.takes:
            taken[deal.takes] = taken.get(deal.takes, 0.0) + deal.pounds_lb
    return [
        OpenQuote(each, max(0.0, each.pounds_lb - taken.get(each.quote_id, 0.0)))
        for each in live(book.bids_offers, on)
    ]


def quoted_exits(book: Book, days: Iterable[date]) -> Exits:
    """Others' bids and offers for prompt delivery that are good on each of the days, best first."""
    sides: dict[tuple[str, date, QuoteSide], list[OpenQuote]] = {}
    for day in days:
        for each in open_quotes(book, day):
            quote = each.quote
            if not quote.is_ours and each.is_good_on(day) and each.is_prompt_on(day):
                sides.setdefault((quote.item_id, day, quote.side), []).append(each)

    def closing(item: str, day: date, net_lb: float, quoted_usd_per_cwt: float) -> float:
        is_long = net_lb > 0
        there = sides.get((item, day, QuoteSide.BID if is_long else QuoteSide.OFFER), [])
        there.sort(key=lambda each: each.quote.price_usd_per_cwt, reverse=is_long)
        left_lb, average = abs(net_lb), quoted_usd_per_cwt
        for each in there:
            taken_lb = min(left_lb, each.left_lb)
            left_lb -= taken_lb
            over = each.quote.price_usd_per_cwt - quoted_usd_per_cwt
            average += over * taken_lb / abs(net_lb) if net_lb else 0.0
        return average

    return closing
