"""The calendar against published dates, and comparisons of like with like."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.reporter.calendar import (
    DayFigure,
    Span,
    Week,
    average,
    compare,
    federal_holidays,
    market_days,
    rolling,
    week_of,
    weeks_in,
)


def test_holidays_of_2021_and_2022_as_kept():
    """U.S. Office of Personnel Management, Federal Holidays 2021 and 2022 (from memory)."""
    assert list(federal_holidays(2021)) == [
        date(2021, 1, 1), date(2021, 1, 18), date(2021, 2, 15), date(2021, 5, 31),
        date(2021, 6, 18), date(2021, 7, 5), date(2021, 9, 6), date(2021, 10, 11),
        date(2021, 11, 11), date(2021, 11, 25), date(2021, 12, 24), date(2021, 12, 31),
    ]  # fmt: skip
    assert list(federal_holidays(2022)) == [
        date(2022, 1, 17), date(2022, 2, 21), date(2022, 5, 30), date(2022, 6, 20),
        date(2022, 7, 4), date(2022, 9, 5), date(2022, 10, 10), date(2022, 11, 11),
        date(2022, 11, 24), date(2022, 12, 26),
    ]  # fmt: skip


def test_years_of_53_weeks():
    """ISO 8601: those of a Thursday on 1 January, or on 2 January in a leap year."""
    assert [year for year in range(2000, 2040) if weeks_in(year) == 53] == [
        2004, 2009, 2015, 2020, 2026, 2032, 2037,
    ]  # fmt: skip


@given(st.dates(date(1990, 1, 1), date(2060, 12, 31)))
def test_a_week_and_its_neighbours(day):
    week = week_of(day)
    assert week.monday <= day <= week.sunday
    assert week.before.sunday + timedelta(days=1) == week.monday
    if week.year_ago is None:
        assert week.number == 53
    else:
        assert (week.monday - week.year_ago.monday).days in (364, 371)


def test_week_53_has_no_counterpart_in_a_year_of_52():
    assert Week(2026, 53).year_ago is None
    assert Week(2027, 1).year_ago == Week(2026, 1)
    spans = [each.span for each in compare([], date(2026, 12, 30))]
    assert Span.WEEK in spans and Span.WEEK_OF_YEAR not in spans


def test_market_days_leave_out_weekends_and_holidays():
    thanksgiving = market_days(date(2026, 11, 23), date(2026, 11, 29))
    assert [day.day for day in thanksgiving] == [23, 24, 25, 27]


def figure(day: date, usd_per_cwt: float, pounds_lb: float = 0.0) -> DayFigure:
    return DayFigure(day, usd_per_cwt, pounds_lb, usd_per_cwt if pounds_lb else None)


MONDAY = date(2026, 3, 2)


def test_weighted_and_simple_averages_are_both_told():
    figures = [figure(MONDAY, 350, 40_000), figure(MONDAY + timedelta(1), 353, 80_000)]
    made = average(figures, MONDAY, MONDAY + timedelta(4))
    assert made.weighted_usd_per_cwt == pytest.approx(352)
    assert made.simple_usd_per_cwt == pytest.approx(351.5)
    assert (made.days, made.missing, made.pounds_lb) == (2, 3, 120_000)


def test_a_day_without_trades_counts_in_the_simple_average_only():
    figures = [figure(MONDAY, 350, 40_000), figure(MONDAY + timedelta(1), 360)]
    made = average(figures, MONDAY, MONDAY + timedelta(4))
    assert made.weighted_usd_per_cwt == 350 and made.simple_usd_per_cwt == 355
    nothing = average([], MONDAY, MONDAY)
    assert nothing.weighted_usd_per_cwt is None and nothing.simple_usd_per_cwt is None


def test_a_week_of_weeks_is_the_average_of_all_its_pounds():
    """Weighted averages of parts, weighted by their pounds, give that of the whole."""
    days = market_days(date(2026, 3, 2), date(2026, 3, 13))
    figures = [figure(day, 340 + n * n, 1000 * (n + 1)) for n, day in enumerate(days)]
    whole = average(figures, days[0], days[-1])
    parts = [average(figures, days[0], days[4]), average(figures, days[5], days[9])]
    money = sum(part.weighted_usd_per_cwt * part.pounds_lb for part in parts)
    assert whole.weighted_usd_per_cwt == pytest.approx(money / whole.pounds_lb)


def constant(first: date, last: date, usd_per_cwt: float) -> list[DayFigure]:
    return [figure(day, usd_per_cwt, 1000) for day in market_days(first, last)]


def by_span(figures, day):
    return {each.span: each for each in compare(figures, day)}


def test_what_is_under_way_is_held_against_the_same_part():
    figures = [
        figure(day, day.toordinal(), 1000)
        for day in market_days(date(2025, 1, 1), date(2026, 3, 4))
    ]
    made = by_span(figures, date(2026, 3, 4))
    week = made[Span.WEEK]
    assert (week.then.first, week.then.last) == (date(2026, 2, 23), date(2026, 2, 25))
    assert week.weighted_change == pytest.approx(7) and not week.is_whole
    month = made[Span.MONTH]
    assert (month.then.first, month.then.last) == (date(2026, 2, 1), date(2026, 2, 4))
    year = made[Span.YEAR_TO_DATE]
    assert (year.then.first, year.then.last) == (date(2025, 1, 1), date(2025, 3, 4))
    of_year = made[Span.WEEK_OF_YEAR]
    assert (of_year.then.first, of_year.then.last) == (date(2025, 3, 3), date(2025, 3, 5))


def test_what_is_over_is_held_against_the_whole():
    friday = date(2026, 2, 27)  # The last market day of the week and of the month.
    made = by_span(constant(date(2025, 1, 1), friday, 350), friday)
    assert made[Span.WEEK].is_whole and made[Span.MONTH].is_whole
    assert made[Span.WEEK].then.last == date(2026, 2, 22)
    assert made[Span.MONTH].then.last == date(2026, 1, 31)
    assert not made[Span.YEAR_TO_DATE].is_whole


def test_a_leap_day_has_a_year_before():
    made = by_span(constant(date(2023, 1, 1), date(2024, 2, 29), 350), date(2024, 2, 29))
    assert made[Span.YEAR_TO_DATE].then.last == date(2023, 2, 28)
    assert made[Span.MONTH_OF_YEAR].then.last == date(2023, 2, 28)


def test_a_holiday_is_not_missing_and_a_silent_day_is():
    figures = [
        each for each in constant(date(2026, 11, 23), date(2026, 11, 27), 350) if each.day.day != 24
    ]
    assert average(figures, date(2026, 11, 23), date(2026, 11, 29)).missing == 1


def test_rolling_takes_the_days_that_there_are():
    figures = constant(date(2026, 11, 16), date(2026, 11, 27), 350)
    made = rolling(figures, date(2026, 11, 27))
    assert (made.first, made.days) == (date(2026, 11, 20), 5)
    assert rolling(figures[:4], date(2026, 11, 27)) is None


def test_a_span_with_many_days_missing_is_not_compared():
    friday = date(2026, 2, 27)
    days = constant(date(2026, 2, 16), friday, 350)  # of nine market days, one a holiday
    assert by_span(days, friday)[Span.WEEK].weighted_change == 0
    patchy = [each for each in days if each.day.day not in (24, 25)]  # three of five are left
    made = by_span(patchy, friday)[Span.WEEK]
    assert (made.weighted_change, made.simple_change) == (None, None)
    assert made.now.simple_usd_per_cwt == 350
    earlier = [each for each in days if each.day.day not in (17, 18)]  # two of four
    assert by_span(earlier, friday)[Span.WEEK].simple_change is None
    assert by_span(days[1:], friday)[Span.WEEK].simple_change == 0  # three of four


@given(st.dates(date(2024, 2, 1), date(2027, 12, 31)))
def test_a_market_that_stands_still_has_no_change_on_any_calendar(day):
    figures = constant(date(2023, 1, 1), day, 350)
    for each in compare(figures, day):
        assert each.weighted_change is None or each.weighted_change == pytest.approx(0)
        assert each.then.last < each.now.first
