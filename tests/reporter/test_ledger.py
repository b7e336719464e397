"""Calls scored against what came, next to what would have come anyway."""

from __future__ import annotations

import random
from datetime import date, timedelta

import pytest

from blend.reporter.ledger import Call, CauseClaim, Outcome, Way, cause_supported, score_calls

D0 = date(2026, 3, 2)


def path(step, days=90, start=340.0):
    return [(D0 + timedelta(days=n), start + step * n) for n in range(days) if n % 7 < 5]


def test_a_call_is_right_wrong_or_still_open():
    prices = {"90s": path(0.5), "50s": path(0.0)}
    calls = [
        Call(D0 + timedelta(days=30), "90s", Way.UP),
        Call(D0 + timedelta(days=30), "50s", Way.DOWN),
        Call(D0 + timedelta(days=85), "90s", Way.UP),
    ]
    record = score_calls(calls, prices, {"90s": 1.0, "50s": 1.0}, D0 + timedelta(days=89))
    assert [each.outcome for each in record.scored] == [Outcome.WRONG, Outcome.RIGHT, Outcome.OPEN]
    assert record.scored[1].moved_usd_per_cwt == pytest.approx(3.5)
    assert (record.hits.hits, record.hits.calls) == (1, 2)


def test_calling_up_in_a_market_that_only_rises_is_no_skill():
    prices = {"90s": path(0.5, 300)}
    calls = [Call(D0 + timedelta(days=20 + 7 * n), "90s", Way.UP) for n in range(20)]
    record = score_calls(calls, prices, {"90s": 1.0}, D0 + timedelta(days=299))
    assert record.hits.rate == 1.0 and not record.hits.is_skill


@pytest.mark.slow
def test_calls_at_random_are_rarely_called_skill():
    rng = random.Random(3)
    skilled = 0
    for _ in range(60):
        price, days = 340.0, []
        for n in range(200):
            price += rng.gauss(0, 1.5)
            days.append((D0 + timedelta(days=n), price))
        calls = [
            Call(D0 + timedelta(days=60 + 7 * n), "90s", rng.choice([*Way])) for n in range(15)
        ]
        record = score_calls(calls, {"90s": days}, {"90s": 1.0}, D0 + timedelta(days=199))
        skilled += record.hits.is_skill
    assert skilled <= 8


def test_overlapping_calls_are_counted():
    calls = [Call(D0 + timedelta(days=n), "90s", Way.UP) for n in (0, 3, 7, 20)]
    assert score_calls(calls, {}, {"90s": 1.0}, D0).overlapping == 2


@pytest.mark.parametrize(
    ("now", "outcome"), [(92.0, Outcome.RIGHT), (108.0, Outcome.WRONG), (99.5, Outcome.OPEN)]
)
def test_a_cause_is_borne_out_by_volumes_counted_later(now, outcome):
    claim = CauseClaim(D0, "90s", "imported supply", Way.DOWN)
    assert cause_supported(claim, [(D0 + timedelta(days=5), now, 100.0)], 0.01) is outcome
    assert cause_supported(claim, [], 0.01) is Outcome.OPEN
