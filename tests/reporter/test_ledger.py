"""Calls scored against what came, next to what would have come anyway."""

from __future__ import annotations

import random
from datetime import date, timedelta

import pytest
from sqlalchemy import delete
from sqlalchemy.exc import SQLAlchemyError

from blend.domain.calls import Call, Way
from blend.errors import InputRefused
from blend.reporter.ledger import (
    CauseClaim,
    Outcome,
    call_of,
    cause_supported,
    record_words,
    score_calls,
)
from blend.store import Store
from blend.store.calls import CALLS, add_calls, calls_of

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


@pytest.mark.parametrize(
    ("text", "way", "chance"), [("90s up 70%", "up", 0.7), ("90 CL steady", "steady", None)]
)
def test_a_call_as_typed(text, way, chance):
    call = call_of(text, D0, ("90s", "90 CL"), "weekly, A. Reporter")
    assert (call.way, call.chance) == (way, chance)


@pytest.mark.parametrize("text", ["90s", "91s up", "90s sideways", "90s up 100%", "up 50%"])
def test_a_call_that_is_none_says_what_to_enter(text):
    with pytest.raises(ValueError, match="enter"):
        call_of(text, D0, ("90s",), "")


def test_calls_are_kept_once_and_never_changed(tmp_path):
    calls = [Call(D0, "90s", Way.UP, chance=0.7), Call(D0, "50s", Way.DOWN)]
    with Store.create(tmp_path / "market.db") as store:
        assert calls_of(store) == ()
        assert add_calls(store, calls) == 2 and add_calls(store, calls) == 0
        assert set(calls_of(store)) == set(calls)
        with pytest.raises(InputRefused, match="up stands"):
            add_calls(store, [Call(D0, "90s", Way.DOWN)])
        with pytest.raises(SQLAlchemyError), store._engine.begin() as connection:
            connection.execute(delete(CALLS))
        assert len(calls_of(store)) == 2


def test_the_record_gives_hits_with_their_interval_and_base_rate():
    prices = {"90s": [(D0 + timedelta(days=n), 300.0 + n) for n in range(60)]}
    calls = [Call(D0 + timedelta(days=20 + 7 * n), "90s", Way.UP, chance=0.8) for n in range(3)]
    as_of = calls[-1].due_on
    lines = record_words(score_calls(calls, prices, {"90s": 1.0}, as_of), as_of)
    assert len(lines) == 2 and "right" in lines[0]
    assert "3 of 3 right" in lines[1] and "29% to 100%" in lines[1] and "base rate" in lines[1]
