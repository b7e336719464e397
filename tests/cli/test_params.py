"""Option values as people type them, and those with two readings refused."""

from __future__ import annotations

from datetime import date, datetime

import click
import pytest

from blend.cli.params import (
    CHANGE,
    DAY,
    DOLLARS,
    MOMENT,
    POUNDS,
    PRICE,
    QUOTE,
    USD_PER_LB,
    WEIGHT,
    Measured,
    Points,
    Share,
    Whole,
)


@pytest.mark.parametrize(
    ("kind", "text", "value"),
    [
        (Share(), "22", 0.22),
        (Share(), "22%", 0.22),
        (Share(), "0.22", 0.22),
        (Share(0.5, 0.999), "95", 0.95),
        (Share(small=True), "0.1%", 0.001),
        (Share(small=True), "0.001", 0.001),
        (Points(), "0.5", 0.005),
        (PRICE, "$1.85/lb", 1.85),
        (PRICE, "185 cents/lb", 1.85),
        (PRICE, "185", 1.85),
        (PRICE, "$1,250", 12.5),
        (QUOTE, "337.25", 337.25),
        (QUOTE, "$3.3725/lb", 337.25),
        (USD_PER_LB, "$1.85", 1.85),
        (USD_PER_LB, "185 cents/lb", 1.85),
        (WEIGHT, "1,250", 1250),
        (POUNDS, "3,800 lb", 3800),
        (DOLLARS, "$1,250", 1250),
        (CHANGE, "-$1.25", -1.25),
        (CHANGE, "5", 5),
        (DAY, "11/20/2026", date(2026, 11, 20)),
        (DAY, "2026-11-20", date(2026, 11, 20)),
        (DAY, "11/20/26", date(2026, 11, 20)),
        (DAY, "Nov 20, 2026", date(2026, 11, 20)),
        (DAY, "20-Nov-26", date(2026, 11, 20)),
        (MOMENT, "11/20/2026", datetime(2026, 11, 20)),
        (MOMENT, "11/20/2026 14:05", datetime(2026, 11, 20, 14, 5)),
        (MOMENT, "2026-11-20T14:05:00", datetime(2026, 11, 20, 14, 5)),
        (CHANGE, "-5 cents/lb", -5),
        (POUNDS, "3 loads", 120_000),
        (Whole(0, 9_000), "2,000", 2_000),
        (Measured("s|sec", 0), "1,000 s", 1_000),
    ],
)
def test_a_value_as_people_type_it(kind, text, value):
    found = kind.convert(text, None, None)
    assert found == value if isinstance(value, date) else found == pytest.approx(value)


@pytest.mark.parametrize(
    ("kind", "text", "readings"),
    [
        (Share(), "1", ["1%", "100%"]),
        (Share(small=True), "0.1", ["0.1%", "10%"]),
        (Points(), "2%", ["2 lean points", "2%"]),
        (PRICE, "1.85", ["$1.85/lb", "$1.85/cwt"]),
        (QUOTE, "$3.37", ["$3.37/lb", "$3.37/cwt"]),
        (PRICE, "324,5", ["324.5", "3245"]),
        (POUNDS, "1.250", ["1,250", "1.25"]),
        (WEIGHT, "12.000 lb", ["12,000", "12"]),
        (DOLLARS, "1,25", ["1.25", "125"]),
    ],
)
def test_a_value_with_two_readings_is_refused_with_both(kind, text, readings):
    with pytest.raises(click.BadParameter) as refused:
        kind.convert(text, None, None)
    assert all(each in refused.value.message for each in readings)


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        (Share(), "nan"),
        (Share(), "150%"),
        (Points(), "90"),
        (PRICE, "inf"),
        (POUNDS, "0"),
        (POUNDS, "any"),
        (DOLLARS, "-5"),
        (WEIGHT, "1,25"),
        (DAY, "20/11/2026"),
        (DAY, "20261120"),
        (Whole(0, 9_000), "2,00"),
        (Measured("s|sec", 0, above_low=True), "inf"),
    ],
)
def test_what_cannot_be_meant_is_refused(kind, text):
    with pytest.raises(click.BadParameter):
        kind.convert(text, None, None)
