"""Trends: false where prices stood still in few cases, and seen where they moved."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.reporter.quoting import heard, quote
from blend.reporter.trend import Trend, trends_of, word_of
from blend.store.store import Store
from blend.tables.history import read_history
from tests.bench.trends import FLAT, MOVED, TOLD, trends_table
from tests.reporter.canvass import ITEM, METHOD, MONDAY, bid, offer, trade

DAYS = [MONDAY + timedelta(days=n) for n in range(5)]
FIRMS = ("Ash", "Birch", "Cedar", "Elm", "Fir")


def trend(entries, day=DAYS[-1], items=(ITEM,)):
    days = {each.market_day for each in entries}
    return trends_of(items, day, {ITEM.item_id: entries}, METHOD, days)[ITEM.item_id]


def week(last: float = 350.0, firms=FIRMS, usd: float = 350.0):
    """Trades of a week at one price, and of its last day at another."""
    return [
        trade(firm, (last if day == 4 else usd) + n / 4, after=day)
        for day in range(5)
        for n, firm in enumerate(firms)
    ]


@given(st.floats(-5, 5), st.floats(0.01, 5))
def test_words_mirror_and_steady_is_never_more_than_measurable(change, error):
    word, other = (word_of(each, error, 1.0, METHOD) for each in (change, -change))
    mirror = {Trend.HIGHER: Trend.LOWER, Trend.FIRM: Trend.WEAK}
    mirror |= {low: high for high, low in mirror.items()}
    assert other is mirror.get(word, word)
    assert word is not Trend.STEADY or abs(change) < 1.0
    assert word is not Trend.HIGHER or change >= 1.0


def test_a_move_beyond_its_error_is_a_trend_and_none_is_steady():
    made = trend(week(354.0))
    assert made.word is Trend.HIGHER
    assert made.change_usd_per_cwt == pytest.approx(4, abs=0.5)
    assert trend(week(346.0)).word is Trend.LOWER
    assert trend(week()).word is Trend.STEADY
    assert made.chance_above(0.0) > 0.99 > 0.5 > made.chance_steady


def test_other_companies_at_another_price_are_no_move():
    """On the last day only companies report that always stood $4 higher."""
    dear = [trade(firm, 354.0, after=day) for day in range(5) for firm in ("Gum", "Holly")]
    entries = [each for each in week() if each.market_day != DAYS[-1]] + dear
    assert trend(entries).word not in (Trend.HIGHER, Trend.FIRM)


def test_a_bid_says_no_lower_and_an_offer_no_higher():
    entries = week()
    level = trend(entries).change_usd_per_cwt
    low_bid, high_offer = bid("Gum", 340, after=4), offer("Gum", 360, after=4)
    for idle in (low_bid, high_offer):
        assert trend([*entries, idle]).change_usd_per_cwt == pytest.approx(level, abs=0.05)
    # of companies that traded at 350 all week, three only quote today
    some = [each for each in entries if each.market_day != DAYS[-1] or each.source in FIRMS[:2]]
    bids = [bid(firm, 353, after=4) for firm in FIRMS[2:]]
    offers = [offer(firm, 347, after=4) for firm in FIRMS[2:]]
    assert trend([*some, *bids]).change_usd_per_cwt > level + 0.1
    assert trend([*some, *offers]).change_usd_per_cwt < level - 0.1


def test_without_trades_companies_or_an_earlier_day_there_is_no_word():
    before = [each for each in week() if each.market_day != DAYS[-1]]
    quotes = [bid(firm, 350, after=4) for firm in FIRMS]
    assert trend([*before, *quotes]).word is Trend.TOO_FEW
    assert trend([*before, trade("Ash", 360, after=4)]).word is Trend.TOO_FEW
    assert trend(week()[-5:]).word is Trend.NO_DAY


def test_what_comes_after_the_day_is_not_heard_yet():
    later = [trade(firm, 400, after=5) for firm in FIRMS]
    assert trend([*week(), *later]) == trend(week())


# Simulated markets ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def simulated():
    return trends_table(METHOD, worlds=3, of=(FLAT[0], MOVED[2])).set_index("planted")


def test_in_a_few_simulated_markets_flat_is_flat_and_a_large_move_is_seen(simulated):
    flat, moved = (simulated.loc[planted.name] for planted in (FLAT[0], MOVED[2]))
    assert flat["false direction %"] <= 10 and flat["a word %"] >= 40
    assert moved["right direction %"] >= 90


@pytest.mark.slow
def test_a_false_direction_on_at_most_5_percent_of_flat_item_days():
    table = trends_table(METHOD, worlds=60).set_index("planted")
    for planted in FLAT:
        assert table.loc[planted.name, "false direction %"] <= 5.0
    for planted in MOVED:
        row = table.loc[planted.name]
        assert row["false direction %"] <= 3.0
        if planted.usd_per_cwt == 4.0:
            assert row["right direction %"] >= 80
    assert table.loc["whole market moves $2", "right direction %"] >= 90


@pytest.mark.slow
def test_the_demo_gets_a_word_on_most_of_its_item_days(tmp_path):
    store = Store.create(tmp_path / "store.db")
    store.add(read_history(Path("demo_data/history")).additions)
    days = store.market_days()[-15:]
    known = [heard(store, day, METHOD) for day in days]
    words = [quote(each, item, METHOD).tone.trend.word for each in known for item in each.items]
    assert len(words) == 165
    assert sum(word in TOLD for word in words) >= 90
