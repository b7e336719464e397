"""A planted lead is found with its lag and sign; noise is not called one."""

from __future__ import annotations

import random
from datetime import date, timedelta

from blend.reporter.indicators import Measure, Series
from blend.reporter.leading import lead_lines, leads

MONDAY = date(2025, 3, 3)
WEEKS = 60


def weeks(values):
    return tuple((MONDAY + timedelta(days=7 * n), value) for n, value in enumerate(values))


def walk(draw):
    total, values = 1000.0, []
    for _ in range(WEEKS):
        total += draw.gauss(0, 1)
        values.append(total)
    return values


def series(name, values):
    points = tuple((day + timedelta(days=4), value) for day, value in weeks(values))
    return Series(name, "lb", Measure.FLOW, points, series_id=name)


def test_a_planted_lead_is_found_with_its_lag_and_sign():
    draw = random.Random(1)
    volume = walk(draw)
    price = [300.0] * 2 + [300 - (volume[n - 2] - 1000) + draw.gauss(0, 0.1)
                           for n in range(2, WEEKS)]  # fmt: skip
    best = leads([series("noise", walk(draw)), series("imports", volume)], weeks(price))[0]
    assert (best.series, best.lag_weeks, best.is_inverse) == ("imports", 2, True)
    assert best.record.rate > 0.9
    assert lead_lines([best], "90s")[0].startswith("imports: the other way, 2 weeks ahead")


def test_noise_is_seldom_called_a_lead():
    draw, false = random.Random(2), 0
    for _ in range(60):
        found = leads([series(f"v{n}", walk(draw)) for n in range(6)], weeks(walk(draw)))
        false += not lead_lines(found, "90s")[0].startswith("None led")
    assert false <= 6


def test_too_few_weeks_say_nothing():
    assert leads([series("v", walk(random.Random(3)))], weeks(range(9))) == ()
