"""Days, weeks, months and years of a market, and how one compares with another.

Weeks are those of ISO 8601: from Monday, week 1 holds the year's first Thursday. A year has 52 or
53; week 53 has no counterpart in a year of 52. What is still under way is compared with the same
part of the earlier period.
"""

from __future__ import annotations

import calendar
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from statistics import fmean

_MAX_MISSING_SHARE = 0.25
"""Of the market days of a span: with more of them missing it is not compared (own rule)."""
_MONDAY, _THURSDAY, _SATURDAY, _SUNDAY = 0, 3, 5, 6


# Market days ------------------------------------------------------------------------------------


def federal_holidays(year: int) -> dict[date, str]:
    """Holidays of the United States kept in a year, on the day they are kept.

    5 U.S.C. 6103: one that falls on a Saturday is kept on the Friday before, on a Sunday on the
    Monday after, so that New Year can be kept on 31 December. Markets may close on other days.
    """
    kept = {}
    for of_year in (year, year + 1):
        for day, name in _as_dated(of_year):
            moved = day + timedelta(days={_SATURDAY: -1, _SUNDAY: 1}.get(day.weekday(), 0))
            if moved.year == year:
                kept[moved] = name
    return dict(sorted(kept.items()))


def _as_dated(year: int) -> Iterator[tuple[date, str]]:
    yield date(year, 1, 1), "New Year's Day"
    if year >= 1986:
        yield _nth(year, 1, _MONDAY, 3), "Birthday of Martin Luther King, Jr."
    yield _nth(year, 2, _MONDAY, 3), "Washington's Birthday"
    yield _nth(year, 5, _MONDAY, -1), "Memorial Day"
    if year >= 2021:
        yield date(year, 6, 19), "Juneteenth National Independence Day"
    yield date(year, 7, 4), "Independence Day"
    yield _nth(year, 9, _MONDAY, 1), "Labor Day"
    yield _nth(year, 10, _MONDAY, 2), "Columbus Day"
    yield date(year, 11, 11), "Veterans Day"
    yield _nth(year, 11, _THURSDAY, 4), "Thanksgiving Day"
    yield date(year, 12, 25), "Christmas Day"


def _nth(year: int, month: int, weekday: int, number: int) -> date:
    """The number-th such weekday of a month; -1 the last."""
    days = [
        date(year, month, day)
        for day in range(1, calendar.monthrange(year, month)[1] + 1)
        if date(year, month, day).weekday() == weekday
    ]
    return days[number - 1 if number > 0 else number]


def market_days(first: date, last: date) -> list[date]:
    """Weekdays from first to last that are no federal holidays."""
    holidays = {day for year in range(first.year, last.year + 1) for day in federal_holidays(year)}
    days = (first + timedelta(days=after) for after in range((last - first).days + 1))
    return [day for day in days if day.weekday() < _SATURDAY and day not in holidays]


# Weeks ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, order=True)
class Week:
    """A week of ISO 8601, in the year of its Thursday."""

    year: int
    number: int

    @property
    def monday(self) -> date:
        return date.fromisocalendar(self.year, self.number, 1)

    @property
    def sunday(self) -> date:
        return self.monday + timedelta(days=6)

    @property
    def before(self) -> Week:
        return week_of(self.monday - timedelta(days=7))

    @property
    def year_ago(self) -> Week | None:
        """The week of this number a year earlier; None for week 53 after a year of 52."""
        year = self.year - 1
        return Week(year, self.number) if self.number <= weeks_in(year) else None


def week_of(day: date) -> Week:
    year, number, _ = day.isocalendar()
    return Week(year, number)


def weeks_in(year: int) -> int:
    """52 or 53: the week of 28 December is always the last."""
    return date(year, 12, 28).isocalendar()[1]


# Averages ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DayFigure:
    """What one day gives: its quotation, and what was traded at which average price."""

    day: date
    usd_per_cwt: float
    pounds_lb: float = 0.0
    trade_average_usd_per_cwt: float | None = None


@dataclass(frozen=True, slots=True)
class Average:
    """Of a span of days. Weighted: sum(price x pounds) / sum(pounds) of the trades. Simple: the
    mean of the days' quotations. None where there is nothing to average."""

    first: date
    last: date
    weighted_usd_per_cwt: float | None
    simple_usd_per_cwt: float | None
    pounds_lb: float
    days: int
    missing: int
    """Market days of the span without a figure."""

    @property
    def is_patchy(self) -> bool:
        """Whether too many days are missing for a comparison."""
        return self.missing > _MAX_MISSING_SHARE * (self.days + self.missing)


def average(figures: Iterable[DayFigure], first: date, last: date) -> Average:
    """The averages of the days from first to last, both of them included."""
    within = [each for each in figures if first <= each.day <= last]
    pounds = math.fsum(each.pounds_lb for each in within)
    money = math.fsum(
        each.pounds_lb * each.trade_average_usd_per_cwt
        for each in within
        if each.trade_average_usd_per_cwt is not None
    )
    there = {each.day for each in within}
    return Average(
        first,
        last,
        weighted_usd_per_cwt=money / pounds if pounds else None,
        simple_usd_per_cwt=fmean(each.usd_per_cwt for each in within) if within else None,
        pounds_lb=pounds,
        days=len(within),
        missing=sum(day not in there for day in market_days(first, last)),
    )


def rolling(figures: Sequence[DayFigure], day: date, days: int = 5) -> Average | None:
    """Over the last so many days that have a figure, up to `day`; None with fewer."""
    latest = sorted((each for each in figures if each.day <= day), key=lambda each: each.day)
    latest = latest[-days:]
    if len(latest) < days:
        return None
    return average(latest, latest[0].day, latest[-1].day)


# Comparisons ------------------------------------------------------------------------------------


class Span(StrEnum):
    WEEK = "week on week"
    WEEK_OF_YEAR = "week on year"
    MONTH = "month on month"
    MONTH_OF_YEAR = "month on year"
    YEAR_TO_DATE = "year to date"


@dataclass(frozen=True, slots=True)
class Comparison:
    """One span compared with an earlier one. `is_whole`: no market day of the span is to come.

    There is no change where either span is patchy.
    """

    span: Span
    now: Average
    then: Average
    is_whole: bool

    @property
    def weighted_change(self) -> float | None:
        return self._change(self.now.weighted_usd_per_cwt, self.then.weighted_usd_per_cwt)

    @property
    def simple_change(self) -> float | None:
        return self._change(self.now.simple_usd_per_cwt, self.then.simple_usd_per_cwt)

    def _change(self, now: float | None, then: float | None) -> float | None:
        if now is None or then is None or self.now.is_patchy or self.then.is_patchy:
            return None
        return now - then


def compare(figures: Sequence[DayFigure], day: date) -> tuple[Comparison, ...]:
    """Week, month and year to date up to `day`, each compared with its counterparts."""
    comparisons = []
    for span, first, end, first_then, end_then in _spans(day):
        is_whole = not market_days(day + timedelta(days=1), end)
        # While a span is under way, its counterpart ends as many days into it.
        last_then = end_then if is_whole else min(end_then, first_then + (day - first))
        if span is Span.YEAR_TO_DATE:
            last_then = _year_before(day)
        now, then = average(figures, first, day), average(figures, first_then, last_then)
        comparisons.append(Comparison(span, now, then, is_whole))
    return tuple(comparisons)


def _spans(day: date) -> Iterator[tuple[Span, date, date, date, date]]:
    """Each span with its first and last day, and those of its counterpart."""
    week = week_of(day)
    yield (Span.WEEK, week.monday, week.sunday, week.before.monday, week.before.sunday)
    if week.year_ago is not None:
        then = week.year_ago
        yield (Span.WEEK_OF_YEAR, week.monday, week.sunday, then.monday, then.sunday)
    first, last = day.replace(day=1), _month_end(day)
    last_month = first - timedelta(days=1)
    yield (Span.MONTH, first, last, last_month.replace(day=1), last_month)
    ago = _year_before(first)
    yield (Span.MONTH_OF_YEAR, first, last, ago, _month_end(ago))
    year = day.year
    yield (
        Span.YEAR_TO_DATE,
        date(year, 1, 1),
        date(year, 12, 31),
        date(year - 1, 1, 1),
        date(year - 1, 12, 31),
    )


def _month_end(day: date) -> date:
    return day.replace(day=calendar.monthrange(day.year, day.month)[1])


def _year_before(day: date) -> date:
    """The same day a year earlier; 28 February for the 29th."""
    last = calendar.monthrange(day.year - 1, day.month)[1]
    return day.replace(year=day.year - 1, day=min(day.day, last))
