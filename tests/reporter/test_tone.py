"""Words for a move and for demand: exact tests by hand, the mapping, and what is never read."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import product
from math import comb

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.reporter import tone
from blend.reporter.tone import (
    SOURCES,
    Standing,
    Trend,
    equivalence_p,
    sign_flip,
    standings_of,
    tone_of,
    trend_of,
)
from tests.reporter.canvass import ITEM, METHOD, MONDAY, bid, method, offer, trade

TUESDAY = MONDAY + timedelta(days=1)
FIRMS = ("Ash", "Birch", "Cedar", "Elm", "Fir", "Gum")
MEASURABLE = METHOD.measurable_ticks * ITEM.tick_usd_per_cwt  # 1 USD per cwt


def word(*changes: float, by=METHOD) -> Trend:
    moved = {f"Firm {n}": change for n, change in enumerate(changes)}
    return trend_of(moved, TUESDAY, MONDAY, MEASURABLE, by).word


# Tests of whether a price moved -----------------------------------------------------------------


def test_darwins_plants():
    """R. A. Fisher, The Design of Experiments (1935), section 21: of 2**15 = 32768 ways to sign
    Darwin's differences, 863 a side give a total as large as 314, which is 5.267% in all. (In
    each tail 835 give more, and 28 the same.)"""
    eighths = (49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48)
    assert sum(eighths) == 314
    assert sign_flip([each / 100 for each in eighths]).p == pytest.approx(2 * 863 / 32768)


def every_sum(cents):
    """Of every way to sign the amounts."""
    signs = product((1, -1), repeat=len(cents))
    return [sum(sign * each for sign, each in zip(way, cents, strict=True)) for way in signs]


@given(st.lists(st.integers(-40, 40), min_size=1, max_size=9))
def test_the_count_of_signs_is_that_of_trying_them_all(cents):
    sums = every_sum(cents)
    as_far = sum(abs(total) >= abs(sum(cents)) for total in sums) / len(sums)
    farthest = sum(abs(total) >= sum(map(abs, cents)) for total in sums) / len(sums)
    assert sign_flip([each / 100 for each in cents]) == (as_far, farthest)


@given(st.lists(st.integers(-40, 40), min_size=1, max_size=8), st.integers(0, 50))
def test_equivalence_is_that_of_trying_all_signs(cents, within):
    def p(shifted):
        sums = every_sum(shifted)
        return sum(total >= sum(shifted) for total in sums) / len(sums)

    expected = max(p([within + each for each in cents]), p([within - each for each in cents]))
    assert equivalence_p([each / 100 for each in cents], within / 100) == expected


@pytest.mark.parametrize(("firms", "down"), [(30, 9), (63, 20), (150, 60)])
def test_equal_moves_of_many_firms_are_tossed_coins(firms, down):
    """Then the sum is that of a fair coin's throws: the tails of the binomial distribution."""
    made = sign_flip([-0.37] * down + [0.37] * (firms - down))
    assert made.p == 2 * sum(comb(firms, each) for each in range(down + 1)) / 2**firms
    assert made.smallest_p == 2 / 2**firms


@pytest.mark.parametrize(
    ("firms", "smallest"), [(4, 0.125), (5, 0.0625), (6, 0.03125), (8, 0.0078125)]
)
def test_the_smallest_p_that_so_few_can_reach(firms, smallest):
    made = sign_flip([1.0 + n for n in range(firms)])
    assert made == (smallest, smallest)


def test_prices_mistyped_a_thousandfold_are_counted_too():
    assert sign_flip([1e6] * 60).p == sign_flip([1] * 60).p
    assert sign_flip([1e6 + 0.01, 3e5, -2e5, 1e3]).p == sign_flip([100, 30, -20, 1]).p


def test_changes_of_nothing_cannot_flip():
    assert sign_flip([0.0] * 6) == (1.0, 1.0)
    assert sign_flip([1.0, 1.0, 1.0, 0.0, 0.0]).smallest_p == 0.25


def test_equivalence_needs_firms_and_closeness():
    assert equivalence_p([0.0] * 5, 1.0) == 1 / 32
    assert equivalence_p([0.0] * 4, 1.0) == 1 / 16
    assert equivalence_p([1.0] * 5, 1.0) == 1.0


# The words --------------------------------------------------------------------------------------


def test_the_mapping():
    assert word(2, 2.5, 1.5, 2, 3) is Trend.HIGHER
    assert word(-2, -2.5, -1.5, -2, -3) is Trend.LOWER
    assert word(0.25, 0.5, 0.25, 0.5, 0.25) is Trend.FIRM
    assert word(-0.25, -0.5, -0.25, -0.5, -0.25) is Trend.WEAK
    assert word(0, 0.25, -0.25, 0, 0) is Trend.STEADY
    assert word(4, -3, 2, -4, 3) is Trend.UNCLEAR
    assert word(3, 3, 3, 3) is Trend.TOO_FEW
    assert word() is Trend.TOO_FEW


def test_one_large_move_is_no_majority():
    """Measurable on average, but of three firms in seven only: tending higher, not higher."""
    assert word(9, 8, 7, 0.5, 0.5, 0.5, 0.5) is Trend.FIRM


def test_not_having_seen_a_move_is_not_steady():
    made = trend_of(
        dict(zip("abcde", (3, -3, 2, -2, 0.5), strict=True)), TUESDAY, MONDAY, 1.0, METHOD
    )
    assert made.word is Trend.UNCLEAR
    assert made.moved.p > METHOD.tone_level and made.steady_p > METHOD.tone_level / 2


@given(st.lists(st.integers(-20, 20), min_size=0, max_size=9))
def test_words_mirror(ticks):
    mirror = {Trend.HIGHER: Trend.LOWER, Trend.FIRM: Trend.WEAK}
    mirror |= {low: high for high, low in mirror.items()}
    up, down = word(*(t / 4 for t in ticks)), word(*(-t / 4 for t in ticks))
    assert down is mirror.get(up, up)


def test_every_word_has_its_source():
    words = {*Trend, *tone.DEMAND_WORDS, *tone.OFFERINGS_WORDS, *tone.ACTIVITY_WORDS}
    assert words == set(SOURCES)
    assert "price trend" in SOURCES["firm"] and SOURCES["too few trades"] == "own word"


# Which days and which firms ---------------------------------------------------------------------


def both_days(change: float = 2.0, firms=FIRMS, then: int = 0, now: int = 1):
    return [
        *(trade(firm, 350 + n / 2, after=then) for n, firm in enumerate(firms)),
        *(trade(firm, 350 + n / 2 + change, after=now) for n, firm in enumerate(firms)),
    ]


def trend(entries, day=TUESDAY, by=METHOD):
    return tone_of(ITEM, day, entries, by, {each.market_day for each in entries}).trend


def test_a_trend_is_of_firms_that_spoke_on_both_days():
    entries = both_days()
    assert trend(entries).word is Trend.HIGHER
    # Other companies, each at a higher price: the panel changed, no price did.
    others = [trade(f"New {n}", 360, after=1) for n in range(6)]
    changed = [*both_days(firms=FIRMS)[:6], *others]
    assert (trend(changed).word, trend(changed).firms) == (Trend.TOO_FEW, 0)


def test_a_thin_day_is_not_compared():
    thin_today = [*both_days()[:6], trade("Ash", 360, after=1)]
    assert trend(thin_today).word is Trend.TOO_FEW
    assert trend(both_days()[6:]).word is Trend.NO_DAY


def test_the_comparison_goes_back_to_the_last_day_with_volume():
    entries = [*both_days(then=0, now=3), trade("Ash", 300, after=1), trade("Ash", 400, after=2)]
    made = trend(entries, day=MONDAY + timedelta(days=3))
    assert (made.word, made.compared_with) == (Trend.HIGHER, MONDAY)
    far = both_days(then=0, now=METHOD.compare_within_days + 1)
    assert (
        trend(far, day=MONDAY + timedelta(days=METHOD.compare_within_days + 1)).word is Trend.NO_DAY
    )


def test_like_is_held_against_like():
    """Firms that traded yesterday and only bid today are not compared: a bid lies lower."""
    entries = [*both_days()[:6], *(bid(firm, 345, after=1) for firm in FIRMS),
               *(trade(f"New {n}", 350, after=1) for n in range(3))]  # fmt: skip
    assert trend(entries).firms == 0


# Demand and offerings ---------------------------------------------------------------------------

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
    before, after = (tone_of(ITEM, TODAY, each, METHOD, DAYS) for each in (entries, shaken))
    assert before.standings == after.standings


def test_what_comes_after_the_day_is_not_heard_yet():
    entries = both_days()
    later = [trade(firm, 400, after=2) for firm in FIRMS]
    assert trend(entries) == trend(entries + later)


def test_a_quote_that_was_not_firm_is_no_demand():
    soft = [bid(f"Buyer {n}", 350, after=11, is_firm=False) for n in range(9)]
    entries = [each for day in DAYS[:-1] for each in quotes(10, 10, day)] + soft
    assert standings_of(TODAY, entries, METHOD, DAYS).demand.count == 0


def test_the_level_of_the_test_is_the_methods():
    assert word(2, 2, 2, 2, by=method(tone_level=0.2)) is Trend.HIGHER
