"""Volumes against last week and last year, against price, and the breadth of a market."""

from __future__ import annotations

import math
from datetime import date, timedelta
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import linregress

from blend.domain.market import Volume
from blend.reporter.indicators import (
    MIN_PAIRS,
    QUALIFYING_TERMS,
    Measure,
    Series,
    _line,
    breadth,
    by_week,
    grouped,
    indicator,
    lagged,
    qualifying_term,
    series_of,
    total_of,
    totals,
    year_before,
)

SATURDAY = date(2025, 1, 4)


def weekly(values, start=SATURDAY, measure=Measure.FLOW):
    points = tuple((start + timedelta(weeks=i), float(v)) for i, v in enumerate(values))
    return Series("slaughter", "head", measure, points)


def test_a_series_is_of_one_id_item_and_origin_and_the_last_figure_of_a_day_counts():
    days = [date(2026, 3, 7), date(2026, 3, 14)]
    volumes = [
        Volume("imports", days[1], 20, "lb", "90 CL", "Australia"),
        Volume("imports", days[0], 10, "lb", "90 CL", "Australia"),
        Volume("imports", days[0], 3, "lb", "90 CL", "Uruguay"),
        Volume("stocks", days[0], 5, "lb"),
        Volume("imports", days[1], 22, "lb", "90 CL", "Australia", corrects=days[1]),
    ]
    imports, other, stocks = series_of(volumes, levels=["stocks"])
    assert imports.name == "imports 90 CL Australia"
    assert imports.points == ((days[0], 10), (days[1], 22))
    assert imports.measure is Measure.FLOW
    assert other.points == ((days[0], 3),)
    assert (stocks.name, stocks.measure) == ("stocks", Measure.LEVEL)
    # the total is of the days that all parts have
    assert total_of([imports, other], "imports").points == ((days[0], 13),)


def test_many_parts_are_told_as_totals_and_few_one_by_one():
    def part(series_id, item="", origin="", value=1.0):
        return Volume(series_id, SATURDAY, value, "lb", item, origin)

    items = [part("availability", f"{number}s", "domestic") for number in (50, 81, 90)]
    imports = [part("availability", "90 CL", "imported", 2.0)]
    orders = [part(f"orders GB{number}") for number in (73, 80)]
    series = series_of([*items, *imports, *orders, part("stocks")])
    told = {each.name: (each.points[0][1], whole and whole.name) for each, whole in grouped(series)}
    assert told == {
        "availability, all": (5, None),
        "availability, domestic": (3, "availability, all"),
        "availability, imported": (2, "availability, all"),
        "orders, all": (2, None),
        "orders GB73": (1, "orders, all"),
        "orders GB80": (1, "orders, all"),
        "stocks": (1, None),
    }
    whole = grouped(series)[0][0]
    assert whole.parts == tuple(
        f"availability {name}"
        for name in ("50s domestic", "81s domestic", "90s domestic", "90 CL imported")
    )
    assert {name: each.points[0][1] for name, each in totals(series).items()} == {"availability": 5}


def test_week_year_and_year_to_date_by_hand():
    # 52 weeks of 100, then 110, 120, 130: the third week of 2026 is compared with that of 2025
    series = weekly([100] * 52 + [110, 120, 130])
    found = indicator(series, date(2026, 1, 20))
    assert found.day == date(2026, 1, 17)
    assert found.on_week.difference == 10
    assert found.on_year.against == date(2025, 1, 18)
    assert found.on_year.share == pytest.approx(0.3)
    assert (found.year_to_date.value, found.year_to_date.before) == (360, 300)
    assert (found.year_to_date.periods, found.year_to_date.left_out) == (3, 0)
    assert found.share_of_total is None


def test_a_level_is_averaged_over_the_year_not_summed():
    found = indicator(weekly([100] * 52 + [110, 130], measure=Measure.LEVEL), date(2026, 1, 10))
    assert (found.year_to_date.value, found.year_to_date.before) == (120, 100)


def test_what_lies_after_the_day_is_not_known():
    series = weekly(range(1, 60))
    day = date(2025, 9, 30)
    assert indicator(series, day) == indicator(series.until(day), day)
    assert indicator(series, SATURDAY - timedelta(days=1)) is None


def test_a_missing_week_is_not_bridged():
    series = weekly(range(1, 60))
    holed = Series("s", "head", Measure.FLOW, series.points[:-2] + series.points[-1:])
    assert indicator(holed, date(2026, 12, 31)).on_week is None


def test_share_of_a_total_is_of_the_same_day():
    part, whole = weekly([20, 30]), weekly([100, 120])
    assert indicator(part, date(2025, 1, 11), whole).share_of_total == 0.25
    assert indicator(part, date(2025, 1, 11), weekly([100])).share_of_total is None


def test_week_53_has_no_counterpart_and_is_told():
    # ISO years 2026 and 2020 have 53 weeks, 2025 has 52
    assert year_before(date(2026, 12, 31)) is None
    assert year_before(date(2027, 1, 9)) == date(2026, 1, 3)
    series = weekly([1.0] * 110)
    found = indicator(series, date(2027, 1, 2))
    assert found.day.isocalendar()[:2] == (2026, 53)
    assert found.on_year is None
    assert (found.year_to_date.periods, found.year_to_date.left_out) == (52, 1)
    assert found.missing_weeks == [53]


@given(st.dates(date(1990, 1, 1), date(2060, 1, 1)))
def test_a_counterpart_is_the_same_weekday_of_the_same_week(day):
    earlier = year_before(day)
    if earlier is None:
        assert day.isocalendar().week == 53
    else:
        assert earlier.isocalendar()[1:] == day.isocalendar()[1:]
        assert (day - earlier).days in (364, 371)


def daily(values, start=date(2026, 3, 2), measure=Measure.FLOW):
    days = [start + timedelta(days=i) for i in range(len(values))]
    return Series("s", "lb", measure, tuple(zip(days, map(float, values), strict=True)))


def test_weeks_sum_flows_and_average_levels_and_leave_an_unfinished_week_out():
    # Monday 2 March 2026 and on: a whole week, and three days of the next
    values = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10]
    assert by_week(daily(values)).points == ((date(2026, 3, 8), 28),)
    assert by_week(daily(values, measure=Measure.LEVEL)).points == ((date(2026, 3, 8), 4),)


def related(seed, slope, weeks=80, lag=2):
    """A price that moves `slope` per 1% of the volume two weeks before, with noise."""
    draw = Random(seed)
    volumes, prices = [1_000.0], [200.0]
    changes = [0.0] * (lag + 1)
    for _ in range(weeks):
        changes.append(draw.gauss(0, 3))
        volumes.append(volumes[-1] * (1 + changes[-1] / 100))
        prices.append(prices[-1] + slope * changes[-1 - lag] + draw.gauss(0, 2))
    price = Series("p", "USD/cwt", Measure.LEVEL, weekly(prices).points)
    return weekly(volumes), price


def test_the_lag_that_was_planted_is_found_within_its_error():
    volume, price = related(1, slope=-1.5)
    found = {each.weeks: each for each in lagged(volume, price)}
    assert set(found) == {0, 1, 2, 3, 4}
    assert found[2].is_beyond_chance
    assert abs(found[2].slope + 1.5) < 3 * found[2].standard_error
    assert found[2].correlation < -0.8
    assert found[2].pairs == 78


def test_where_nothing_was_planted_hardly_anything_is_found():
    # 5 in 100 by construction, give or take 2.2: 12 is three standard errors off
    flagged = sum(
        any(each.is_beyond_chance for each in lagged(*related(seed, slope=0.0)))
        for seed in range(100)
    )
    assert flagged <= 12


def test_too_few_weeks_give_no_line():
    volume, price = related(1, slope=-1.5, weeks=MIN_PAIRS - 1)
    assert lagged(volume, price) == ()
    volume, price = related(1, slope=-1.5, weeks=MIN_PAIRS)
    assert [each.weeks for each in lagged(volume, price)] == [0]


def test_a_volume_that_never_changes_gives_no_line():
    _, price = related(1, slope=0.0)
    assert lagged(weekly([5.0] * 81), price) == ()


@given(
    st.lists(
        st.tuples(st.floats(-100, 100), st.floats(-100, 100)),
        min_size=MIN_PAIRS,
        max_size=40,
        unique_by=lambda pair: round(pair[0], 1),
    )
)
def test_slope_and_correlation_are_those_of_min_squares(pairs):
    slope, error, correlation = _line(pairs)
    expected = linregress(*zip(*pairs, strict=True))
    assert slope == pytest.approx(expected.slope, rel=1e-6, abs=1e-9)
    if math.isfinite(expected.rvalue):
        assert correlation == pytest.approx(expected.rvalue, rel=1e-6, abs=1e-6)
    assert error >= 0


def test_standard_errors_hold_where_errors_hang_together():
    # 400 lines whose errors are autoregressive at 0.5: nominal 95% should hold at least 88%
    held = 0
    for seed in range(400):
        draw = Random(seed)
        x_now = e_now = 0.0
        pairs = []
        for _ in range(100):
            x_now = 0.5 * x_now + draw.gauss(0, 1)
            e_now = 0.5 * e_now + draw.gauss(0, 1)
            pairs.append((x_now, 2 * x_now + e_now))
        slope, error, _ = _line(pairs)
        held += abs(slope - 2) < 1.96 * error
    assert held / 400 > 0.88


def test_breadth_counts_by_what_is_measurable():
    moves = {"90s": 3.0, "50s": -1.0, "81s": 0.5, "65s": None, "85s": -0.99}
    found = breadth(moves, {"90s": 1, "50s": 1, "81s": 1, "65s": 1, "85s": 1})
    assert found.advances == ("90s",)
    assert found.declines == ("50s",)
    assert found.unchanged == ("81s", "85s")
    assert found.not_compared == ("65s",)
    assert found.compared == 4


# USDA Market News, fruit and vegetable market news terms: occasional 1 to 5%, few 6 to 10,
# some 11 to 25, many 26 to 50, mostly 51 to 90, generally 91 to 100.
@pytest.mark.parametrize(
    ("word", "minimum", "maximum"),
    [
        ("occasional", 1, 5),
        ("few", 6, 10),
        ("some", 11, 25),
        ("many", 26, 50),
        ("mostly", 51, 90),
        ("generally", 91, 100),
    ],
)
def test_qualifying_terms_as_published(word, minimum, maximum):
    assert {qualifying_term(count, 100) for count in range(minimum, maximum + 1)} == {word}


def test_none_has_no_word_and_more_than_all_is_refused():
    assert qualifying_term(0, 7) == ""
    with pytest.raises(ValueError, match="8 of 7"):
        qualifying_term(8, 7)
    assert len({word for _, word in QUALIFYING_TERMS}) == 6


@pytest.mark.parametrize(("weeks_before", "is_given"), [(8, False), (44, True)])
def test_eight_of_47_weeks_are_no_year_to_date(weeks_before, is_given):
    last = date(2026, 11, 20)
    ends = [last - timedelta(weeks=n) for n in range(47)]
    points = [(year_before(end), 100.0) for end in ends[:weeks_before]]
    series = Series(
        "all", "lb", Measure.FLOW, tuple(sorted([*points, *((e, 110.0) for e in ends)]))
    )
    found = indicator(series, last)
    assert found.year_to_date.periods == weeks_before
    assert found.year_to_date_share == (pytest.approx(0.1) if is_given else None)
