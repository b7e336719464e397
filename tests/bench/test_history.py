"""The invented market: what is planted in it is in it, and nothing else is."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt
from random import Random
from statistics import fmean, median

import pytest

from blend.domain.clearing import Market
from blend.domain.market import EntryKind
from blend.reporter.draws import Priors
from blend.reporter.market_on_day import QuotedPrice, market_on, volumes_used, why_item_moved
from blend.reporter.mixed import Driver
from blend.tables.history import read_history
from tests.bench.history import (
    SHORT_SHARE,
    SHORT_WEEKS,
    VOLUME_ERROR_SHARE,
    WEEKS,
    make_history,
    week_end,
    write_history,
)

BEFORE, SHORT, BACK = min(SHORT_WEEKS) - 1, max(SHORT_WEEKS), max(SHORT_WEEKS) + 1


@pytest.fixture(scope="module")
def history():
    return make_history()


def imported(history, week):
    names = [item.item_id for item in history.items if item.fresh_or_frozen == "frozen"]
    return sum(history.true_lb[week][name] for name in names)


def true_market(history, week):
    """The market as it was, its volumes and prices without error."""
    day = week_end(week)
    reported = volumes_used(history.market, history.volumes, day)
    volumes = {
        name: replace(volume, value=history.true_lb[week][name])
        for name, volume in reported.items()
    }
    return market_on(history.market, volumes, quoted(history, week), day)


def reported_market(history, week):
    """The same market as reported to the store."""
    day = week_end(week)
    volumes = volumes_used(history.market, history.volumes, day)
    return market_on(history.market, volumes, quoted(history, week), day)


def quoted(history, week, error=0.5):
    return {name: QuotedPrice(usd, error) for name, usd in history.true_usd_per_cwt[week].items()}


@pytest.mark.slow
def test_imports_run_short_for_three_weeks_and_orders_stand_still(history):
    assert len(SHORT_WEEKS) == 3
    for week in SHORT_WEEKS:
        assert imported(history, week) / imported(history, BEFORE) == pytest.approx(
            1 - SHORT_SHARE, abs=0.02
        )
    assert imported(history, BACK) / imported(history, BEFORE) == pytest.approx(1, abs=0.02)
    orders = [
        sum(value for name, value in week.items() if name.startswith("GB"))
        for week in history.true_lb
    ]
    assert max(orders) / min(orders) < 1.01


@pytest.mark.slow
def test_demand_is_talked_of_in_the_short_weeks_alone(history):
    days = {e.market_day for e in history.entries if "demand" in e.note or "orders" in e.note}
    first, last = week_end(BEFORE), week_end(SHORT)
    assert all(first < day <= last for day in days)
    assert len(days) >= 14
    talk = [e for e in history.entries if "demand" in e.note]
    assert {e.kind for e in talk} == {EntryKind.OTHER}


@pytest.mark.slow
def test_the_canvass_is_close_to_the_true_prices(history):
    day = week_end(30)
    for item in history.items:
        heard = [
            e.usd_per_cwt - (e.freight_usd_per_cwt or 0.0)
            for e in history.entries
            if e.item_id == item.item_id and 0 <= (day - e.market_day).days < 3
        ]
        true = history.true_usd_per_cwt[30][item.item_id]
        assert median(heard) == pytest.approx(true, abs=4)


@pytest.mark.slow
def test_the_same_seed_gives_the_same_history_and_it_is_read_back(history, tmp_path):
    short = make_history(weeks=2)
    assert short == make_history(weeks=2)
    assert short != make_history(1, weeks=2)
    files = write_history(short, tmp_path / "written")
    read = read_history(tmp_path / "written").additions
    assert read.items == short.items
    assert read.entries == short.entries
    assert read.volumes == short.volumes
    assert {path.parent.name for path in files} == {"written", "market"}
    assert len(history.true_lb) == WEEKS


# The planted causes ------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("item", ["90s", "50s"])
def test_the_planted_cause_is_found_and_sized_and_the_absent_one_is_not(history, item):
    """True parts are those of the market without error, volumes known exactly."""
    pair = tuple(quoted(history, week)[item] for week in (BEFORE, SHORT))
    true = why_item_moved(
        true_market(history, BEFORE),
        true_market(history, SHORT),
        item,
        pair,
        priors=Priors(0, 0, 0),
    ).price.next
    found = why_item_moved(
        reported_market(history, BEFORE),
        reported_market(history, SHORT),
        item,
        pair,
        priors=Priors(VOLUME_ERROR_SHARE, 0, 0),
    ).price
    shock = found.next.contribution(Driver.IMPORTED_SUPPLY)
    planted = true.contribution(Driver.IMPORTED_SUPPLY)
    assert shock.standard_error > 0
    assert abs(shock.amount - planted.amount) < 2 * shock.standard_error
    assert abs(shock.amount) > 10 * shock.standard_error
    # lean runs short: lean costs more, and the fat that must be blended with it is worth less
    assert (shock.amount > 0) == (item == "90s")
    largest = max(found.next.contributions, key=lambda each: abs(each.amount))
    assert largest.driver is Driver.IMPORTED_SUPPLY
    absent = found.next.contribution(Driver.ORDERS)
    assert abs(absent.amount) < 1.96 * absent.standard_error
    assert found.next.contribution(Driver.RULES).amount == pytest.approx(0, abs=1e-6)
    total = sum(each.amount for each in found.next.contributions)
    assert total == pytest.approx(found.next.change, abs=1e-9)
    # what is not explained is small next to the move, and has its error
    assert abs(found.unexplained_usd_per_lb) < 2 * found.unexplained_error_usd_per_lb


@pytest.mark.slow
def test_when_imports_are_back_so_is_the_price(history):
    pair = tuple(quoted(history, week)["90s"] for week in (SHORT, BACK))
    found = why_item_moved(
        reported_market(history, SHORT),
        reported_market(history, BACK),
        "90s",
        pair,
        priors=Priors(VOLUME_ERROR_SHARE, 0, 0),
    ).price.next
    back = found.contribution(Driver.IMPORTED_SUPPLY)
    assert back.amount < -10 * back.standard_error
    assert found.change < 0


@pytest.mark.slow
def test_stated_errors_are_those_of_volumes_drawn_again(history):
    """Over repeated counts of the same weeks, parts are as far off as their errors say."""
    draw = Random(5)
    pair = tuple(quoted(history, week)["90s"] for week in (BEFORE, SHORT))
    true = [true_market(history, week) for week in (BEFORE, SHORT)]
    exact = why_item_moved(*true, "90s", pair, priors=Priors(0, 0, 0)).price.next
    off, absent_holds_nothing = [], 0
    for _ in range(10):
        counted = [recounted(market, draw) for market in true]
        found = why_item_moved(
            *counted, "90s", pair, priors=Priors(VOLUME_ERROR_SHARE, 0, 0)
        ).price.next
        off += [
            (found.contribution(driver).amount - exact.contribution(driver).amount)
            / found.contribution(driver).standard_error
            for driver in (
                Driver.IMPORTED_SUPPLY,
                Driver.FRESH_SUPPLY,
                Driver.OWN_SUPPLY,
                Driver.ORDERS,
            )
        ]
        absent = found.contribution(Driver.ORDERS)
        absent_holds_nothing += abs(absent.amount) < 1.96 * absent.standard_error
    # 5 counts in 100 would find by chance what is not there; 8 of 10 or more hold nothing in 99
    assert absent_holds_nothing >= 8
    # 40 standardized errors: their root mean square is 1, give or take 0.11
    assert 0.65 < sqrt(fmean(each**2 for each in off)) < 1.4


def recounted(market, draw):
    def blurred(value):
        return value * (1 + draw.gauss(0, VOLUME_ERROR_SHARE))

    lots = tuple(replace(lot, quantity_lb=blurred(lot.quantity_lb)) for lot in market.case.lots)
    demands = tuple(replace(each, volume_lb=blurred(each.volume_lb)) for each in market.demands)
    return Market(replace(market.case, lots=lots), demands)
