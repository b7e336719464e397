"""Words for demand, offerings and activity: from counts of companies, never from prices."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.reporter import tone
from blend.reporter.tone import SOURCES, Standing, standings_of
from blend.reporter.trend import Trend
from tests.reporter.canvass import METHOD, MONDAY, bid, offer


def test_every_word_has_its_source():
    words = {*Trend, *tone.DEMAND_WORDS, *tone.OFFERINGS_WORDS, *tone.ACTIVITY_WORDS}
    assert words == set(SOURCES)
    assert "price trend" in SOURCES["firm"] and SOURCES["too few trades"] == "own word"


DAYS = [MONDAY + timedelta(days=n) for n in range(12)]
TODAY = DAYS[-1]


def quotes(bids: int, offers: int, day: date, usd_per_cwt: float = 350):
    after = (day - MONDAY).days
    return [
        *(bid(f"Buyer {n}", usd_per_cwt, after=after) for n in range(bids)),
        *(offer(f"Seller {n}", usd_per_cwt + 2, after=after) for n in range(offers)),
    ]


def standings(bids: int, offers: int, usual: int = 10, days=DAYS):
    entries = [each for day in days[:-1] for each in quotes(usual, usual, day)]
    made = standings_of(days[-1], entries + quotes(bids, offers, days[-1]), METHOD, days)
    return made.demand.word, made.offerings.word


@pytest.mark.parametrize(
    ("bids", "expected"),
    [(2, "very light"), (6, "light"), (10, "moderate"), (14, "good"), (20, "very good")],
)
def test_demand_is_how_many_firms_bid_beside_the_usual(bids, expected):
    assert standings(bids, 10)[0] == expected


@pytest.mark.parametrize(("offers", "expected"), [(5, "light"), (10, "moderate"), (13, "heavy")])
def test_offerings_are_how_many_firms_offer(offers, expected):
    assert standings(10, offers)[1] == expected


def test_with_few_days_nothing_is_normal():
    assert standings(10, 10, days=DAYS[:10]) == (None, None)


@pytest.mark.parametrize("usual", [0, 1, 2])
def test_where_there_are_usually_few_there_is_no_word(usual):
    assert standings(3, 3, usual=usual) == (None, None)


def test_several_items_are_counted_together():
    entries = [each for day in DAYS for each in quotes(2, 2, day)]
    two_items = [*entries, *(replace(each, item_id="F50") for each in entries)]
    assert standings_of(TODAY, two_items, METHOD, DAYS).demand == Standing("moderate", 4, 4, 11)


@given(st.lists(st.integers(-60, 60), min_size=24, max_size=24))
def test_demand_and_offerings_are_never_read_off_prices(moves):
    entries = [each for day in DAYS for each in quotes(7, 5, day)]
    shaken = [
        replace(each, usd_per_cwt=each.usd_per_cwt + moves[n % len(moves)])
        for n, each in enumerate(entries)
    ]
    before, after = (standings_of(TODAY, each, METHOD, DAYS) for each in (entries, shaken))
    assert before == after


def test_a_quote_that_was_not_firm_is_no_demand():
    soft = [bid(f"Buyer {n}", 350, after=11, is_firm=False) for n in range(9)]
    entries = [each for day in DAYS[:-1] for each in quotes(10, 10, day)] + soft
    assert standings_of(TODAY, entries, METHOD, DAYS).demand.count == 0
