"""Guards on the canvass: slips questioned at entry, and no company able to push a quotation."""

from __future__ import annotations

import random
import statistics

import pytest

from blend.reporter.quotation import assess_day
from blend.reporter.surveillance import (
    influences,
    large_move,
    limit_influence,
    questions,
    usual_move,
)
from tests.reporter.canvass import ITEM, METHOD, MONDAY, bid, offer, talk, trade


def quote(entries):
    return assess_day(ITEM, MONDAY, entries, METHOD).usd_per_cwt


@pytest.mark.parametrize(
    ("price", "last", "words"),
    [
        (3379, 337.9, "10 times the last quotation, $337.90?"),
        (3.375, 337.9, "a hundredth of the last quotation, $337.90?"),
        (33.75, 337.9, "a tenth of the last quotation, $337.90?"),
        (385.0, 337.9, "14% off the last quotation, $337.90. Right?"),
    ],
)
def test_a_price_out_of_line_is_questioned(price, last, words):
    assert [each.text for each in questions(trade("Ash", price), last, [])] == [words]


def test_a_usual_price_is_not():
    assert not questions(trade("Ash", 338.5), 337.9, [bid("Elm", 337.0)], 341.0)


def test_without_a_last_quotation_the_days_entries_and_the_line_are_asked():
    others = [trade("Elm", 338), trade("Fir", 339), trade("Oak", 340)]
    assert questions(trade("Ash", 33.9), None, others)[0].text.startswith("a tenth of the day's")
    assert questions(trade("Ash", 3400), None, [], 341.0)[0].text.startswith("10 times the lean")


def test_a_trade_told_by_both_sides_and_ten_loads_are_questioned():
    told = trade("Elm", 338.0, pounds_lb=440_000.0)
    asked = questions(trade("Ash", 338.0, pounds_lb=440_000.0), 338.0, [told])
    assert [each.field for each in asked] == ["pounds_lb", "entry_id"]


def canvass(rng, truth, firms, noise):
    """A day as firms see it: trades around the truth, bids below and offers above."""
    entries = []
    for firm in firms:
        price = round((truth + rng.gauss(0, noise)) * 4) / 4
        kind = rng.random()
        if kind < 0.5:
            entries.append(trade(firm, price, pounds_lb=rng.choice([4e4, 8e4, 1.2e5])))
        elif kind < 0.7:
            entries.append(bid(firm, price - 1))
        elif kind < 0.9:
            entries.append(offer(firm, price + 1))
        else:
            entries.append(talk(firm, price))
    return entries


def days_of(rng, count):
    """A random walk of the true price and each day's canvass: 4 to 9 companies, some of noise."""
    truth = 340.0
    for _ in range(count):
        truth += rng.gauss(0, 1.5)
        firms = [f"company {n}" for n in range(rng.randint(4, 9))]
        yield truth, firms, canvass(rng, truth, firms, rng.choice([0.5, 1.0, 2.0]))


USUAL = 1.5


def test_no_company_moves_a_quotation_by_more_than_a_usual_move():
    """1,500 days in a row, one company pushing 3% to 60% by a trade, a bid and talk each day."""
    rng, counted = random.Random(7), 0
    for _, firms, honest in days_of(rng, 1_500):
        push = rng.choice([-1, 1]) * rng.choice([10, 30, 200])
        bad = firms[0]
        others = [each for each in honest if each.firm != bad]
        pushed = [*others, trade(bad, 340 + push, pounds_lb=1e6), bid(bad, 340 + push),
                  talk(bad, 340 + push)]  # fmt: skip
        without = quote(others)
        limited = limit_influence(pushed, quote, USUAL)
        if without is not None and limited.usd_per_cwt is not None and not limited.held:
            counted += 1
            companies = len({each.firm for each in pushed})
            assert companies >= 4
            assert abs(limited.usd_per_cwt - without) <= USUAL + 1e-9
    assert counted > 800


def test_the_limit_costs_little_accuracy():
    """Error against the planted price rises by at most a tenth: a frozen price would not pass."""
    rng = random.Random(11)
    plain, limited = [], []
    for truth, _, entries in days_of(rng, 1_500):
        price = quote(entries)
        if price is not None:
            plain.append(abs(price - truth))
            limited.append(abs(limit_influence(entries, quote, USUAL).usd_per_cwt - truth))
    assert len(plain) > 1_000
    assert statistics.mean(limited) <= 1.1 * statistics.mean(plain)


def test_influence_is_the_quotation_with_less_without():
    entries = [trade("Ash", 338), trade("Elm", 338), trade("Fir", 340), trade("Oak", 345)]
    largest = influences(entries, quote)[0]
    without = quote([each for each in entries if each.firm != largest.company])
    assert largest.moves_usd_per_cwt == pytest.approx(quote(entries) - without)


def test_a_usual_move_is_not_made_by_one_wild_day():
    calm = [340, 341, 340, 341, 340, 341, 340]
    assert usual_move([*calm, 372.75]) == pytest.approx(usual_move(calm), rel=0.2)
    assert usual_move(calm[:3]) is None


def test_a_large_move_alone_is_held_and_one_with_its_market_is_not():
    assert large_move(350, 340, 1.5, {"85s": 0.1, "93s": 0.4})
    assert not large_move(350, 340, 1.5, {"85s": 5.0, "93s": 4.0})
    assert not large_move(343, 340, 1.5, {})
