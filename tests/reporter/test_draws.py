"""Errors by draws against closed forms, in a market of one item that makes one product.

There r times the pounds cost P (1 - (r - 1) / e) on a straight demand of elasticity -e, and
P r^(-1/e) at constant elasticity; each is drawn as often. On the first

- a quotation off by s moves the price's move by s (r - 1) / e;
- an elasticity off by a factor exp(s z), z normal, by P (r - 1) / e times a log-normal number,
  whose variance is (exp(s²) - 1) exp(s²);
- pounds off by a share s on either date move r by √2 s r.

(Log-normal moments: Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions, 1994,
chapter 14, from memory.)
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from blend.domain.clearing import MarketMove, MoveOf
from blend.domain.selectors import parse_selector
from blend.reporter.clearing import moved_market, why_market_moved
from blend.reporter.draws import Priors, priors_of
from blend.reporter.headline import Gate, headline_of, is_separable
from blend.reporter.market_on_day import QuotedPrice, why_item_moved
from blend.reporter.mixed import Driver
from tests.bench.planted import PLANTS, history, planted_table
from tests.reporter.canvass import METHOD
from tests.reporter.markets import market

PRICE, ELASTICITY, RATIO, LB = 3.46, 1.2, 1.05, 4e6
ITEM = parse_selector("lot=90s")


def _single(pounds_lb: float):
    base = market()
    lot = replace(base.case.lot("90s"), quantity_lb=pounds_lb)
    product = base.case.product("GB90")
    case = replace(base.case, lots=(lot,), products=(product,), rules=())
    return replace(base, case=case, demands=(replace(base.demand("GB90"), volume_lb=LB),))


BEFORE, AFTER = _single(LB), _single(LB * RATIO)
MOVE = PRICE * (RATIO - 1) / ELASTICITY
SHAPE = (MOVE - PRICE * (1 - RATIO ** (-1 / ELASTICITY))) / 2
LOG_NORMAL = math.sqrt((math.exp(0.2**2) - 1) * math.exp(0.2**2))


@pytest.mark.parametrize(
    ("priors", "expected"),
    [
        (Priors(0, 0, 0), 0.0),
        (Priors(0, 0, 0, quotation_usd_per_lb=0.5), 0.5 * (RATIO - 1) / ELASTICITY),
        (Priors(0, 0.2, 0), MOVE * LOG_NORMAL),
        (Priors(0, 0, 0.2), MOVE * LOG_NORMAL),
        (Priors(0.01, 0, 0), math.sqrt(2) * 0.01 * RATIO * PRICE / ELASTICITY),
    ],
)
def test_errors_by_draws_are_those_of_the_closed_form(priors, expected):
    price = why_market_moved(BEFORE, AFTER, ITEM, priors=priors).price.next
    assert price.change == pytest.approx(-MOVE, abs=1e-5)
    own = price.contribution(Driver.OWN_SUPPLY)
    assert own.standard_error == pytest.approx(math.hypot(expected, SHAPE), rel=0.08)
    orders = price.contribution(Driver.ORDERS).standard_error
    assert (orders > 0) == (priors.volume_share > 0)
    together = math.hypot(own.standard_error, orders)
    assert price.standard_error == pytest.approx(together, rel=0.05)
    assert own.low < own.amount < own.high


def test_the_move_of_two_quotations_errs_by_both():
    priors = Priors(0.01, 0, 0, quotation_usd_per_lb=0.05)
    observed = why_market_moved(BEFORE, AFTER, ITEM, priors=priors).price.observed
    assert observed.standard_error_usd_per_lb == pytest.approx(math.hypot(0.05, 0.05))
    quoted = (QuotedPrice(346.0, 1.0), QuotedPrice(340.0, 2.0))
    observed = why_item_moved(BEFORE, AFTER, "90s", quoted, priors=priors).price.observed
    assert observed.move_usd_per_lb == pytest.approx(-0.06)
    assert observed.standard_error_usd_per_lb == pytest.approx(math.hypot(0.01, 0.02))


def test_items_behind_a_driver_add_up_and_the_one_that_moved_has_it():
    after = market(I90=3900, **{"50s": 4300})
    parts = why_market_moved(market(), after, ITEM, priors=priors_of(METHOD)).price.next
    for part in parts.contributions:
        if any(each.before_lb != each.after_lb for each in part.within):
            assert math.fsum(e.amount for e in part.within) == pytest.approx(part.amount, abs=1e-9)
    imports = parts.contribution(Driver.IMPORTED_SUPPLY)
    (only,) = imports.within
    assert only.name == "I90"
    assert (only.before_lb, only.after_lb) == pytest.approx((4.3e6, 3.9e6))
    fresh = parts.contribution(Driver.FRESH_SUPPLY).within
    assert fresh[0].name == "50s" and fresh[0].amount == pytest.approx(sum(e.amount for e in fresh))


def test_several_drivers_told_together_need_more_than_one_alone():
    alone = why_market_moved(BEFORE, AFTER, ITEM, priors=Priors(0.01, 0, 0)).price.next
    many = why_market_moved(market(), market(I90=3900), ITEM, priors=Priors(0.01, 0, 0)).price.next
    imports, rules = (many.contribution(d) for d in (Driver.IMPORTED_SUPPLY, Driver.RULES))
    assert imports.beyond > alone.contribution(Driver.ORDERS).beyond >= 1.96
    assert is_separable(imports) and not is_separable(rules)


def test_pounds_ground_given_as_orders_are_noticed():
    after = market(I90=3700)
    plain = why_market_moved(market(), after, ITEM, priors=priors_of(METHOD))
    ground = next(v for k, v in plain.between.items() if len(k) == 5).clearing.volume_lb
    was = plain.between[frozenset()].clearing.volume_lb
    moves = [
        MarketMove(name, MoveOf.ORDERS, True, ground[name] / was[name], products=(name,))
        for name in ground
    ]
    observed = replace(
        plain.price.observed,
        move_usd_per_lb=plain.price.next.change,
        standard_error_usd_per_lb=0.01,
    )
    told = moved_market(after, moves)
    why = why_market_moved(market(), told, ITEM, observed=observed, priors=priors_of(METHOD))
    assert headline_of(why.price).gate is Gate.ORDERS_ARE_GROUND
    right = why_market_moved(market(), after, ITEM, observed=observed, priors=priors_of(METHOD))
    assert headline_of(right.price).driver.driver is Driver.IMPORTED_SUPPLY


# Histories of known truth -----------------------------------------------------------------------


def test_a_planted_shortage_is_named_and_nothing_is_named_where_nothing_was():
    nothing, short = (history(plant, 1, METHOD) for plant in PLANTS[:2])
    assert nothing.gate is not Gate.PASSED
    assert short.names_it and sum(short.held.values()) >= 3


@pytest.mark.slow
def test_planted_causes_are_found_and_intervals_hold():
    table = planted_table(METHOD, histories=30).set_index("planted")
    for shock in ("imports down 8%", "imports up 8%"):
        assert table.loc[shock, "named %"] >= 80
    nothing = table.loc["nothing"]
    assert nothing["another named %"] == 0
    assert nothing["did not move %"] + nothing["not explained %"] >= 90
    assert table.loc["80/20 one point leaner, not in the tables", "another named %"] <= 10
    # all but the history whose orders are none
    held = table["interval holds %"].drop("imports down 8%, pounds ground given as orders")
    assert 85 <= held.mean() <= 95 and held.min() >= 82
