"""Past weeks of quotations, exchange and freight: how their prices moved together."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

import numpy as np

from blend.domain.book import BookRate
from blend.domain.quotations import Quotation
from blend.errors import did_you_mean, refusal
from blend.output.formats import day
from blend.trader.book_marks import DatedRates, QuotedMarks
from blend.trader.risk import Array

MAX_AGE_DAYS = 6
"""A quotation older than that is not the week's."""
MIN_WEEKS = 12
"""Fewer say too little of how prices move together. House rule."""


@dataclass(frozen=True, slots=True)
class PastWeeks:
    """Relative changes of every series in weeks that have all of them, the earliest first."""

    names: tuple[str, ...]
    now: tuple[float, ...]
    """Their prices and rates at the end."""
    ends: tuple[date, ...]
    changes: tuple[tuple[float, ...], ...]

    @property
    def array(self) -> Array:
        """(weeks, series)."""
        return np.array(self.changes, float).reshape(len(self.ends), len(self.names))


def past_weeks(
    quotations: Sequence[Quotation],
    rates: Iterable[BookRate],
    names: Sequence[str],
    on: date,
    min_weeks: int = 0,
) -> PastWeeks:
    """Weeks back from `on`, of items quoted and of rates. Raises InputRefused for a name that has
    no price or rate within the week, and where fewer than `min_weeks` have all names."""
    rates = tuple(rates)
    marks, dated = QuotedMarks(quotations), DatedRates(rates)
    known = sorted({each.item for each in quotations} | {each.rate for each in rates})
    first = min((each.quoted_on for each in quotations), default=on)
    days, prices = weekly_prices(marks, dated, names, first, on)
    for name, now in zip(names, prices[0], strict=True):
        if math.isnan(now):
            required = f"a price or rate within {MAX_AGE_DAYS} days of {day(on)}"
            hint = "" if name in known else did_you_mean(name, known)
            raise refusal("quotations", "item", name, required, hint)
    whole = [
        place
        for place, (later, earlier) in enumerate(pairwise(prices))
        if not np.isnan(later).any() and not np.isnan(earlier).any()
    ][::-1]
    if len(whole) < min_weeks:
        wrong = f"{len(whole)} past weeks with all of {', '.join(names)}"
        required = f"at least {min_weeks}"
        raise refusal("quotations", "quoted_on", wrong, required, "Name a longer history.")
    changes = (prices[place] / prices[place + 1] - 1 for place in whole)
    return PastWeeks(
        tuple(names),
        tuple(prices[0].tolist()),
        tuple(days[place] for place in whole),
        tuple(tuple(each.tolist()) for each in changes),
    )


def weekly_prices(
    marks: QuotedMarks, rates: DatedRates, names: Sequence[str], first: date, on: date
) -> tuple[list[date], Array]:
    """Days a week apart back from `on`, and (days, names) the price or rate then or within the
    week before; not a number where there was none, or none above zero."""
    days = [on - timedelta(weeks=back) for back in range((on - first).days // 7 + 1)]

    def price(name: str, of: date) -> float:
        found = marks.latest(name, of) or rates.latest(name, of)
        if found is None or (of - found[0]).days > MAX_AGE_DAYS or found[1] <= 0:
            return math.nan
        return found[1]

    return days, np.array([[price(name, of) for name in names] for of in days])
