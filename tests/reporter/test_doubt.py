"""Errors by draws against closed forms, in a market of one item that makes one product.

There the price moves along a straight demand: at elasticity -e, r times the pounds cost
P (1 - (r - 1) / e). So the move is -P (r - 1) / e, and

- a quotation off by s moves it by s (r - 1) / e;
- an elasticity off by a factor exp(s z), z normal, by P (r - 1) / e times a log-normal number,
  whose variance is (exp(s²) - 1) exp(s²);
- pounds off by such a factor on either date move r by a factor exp(s √2 z).

(Log-normal moments: Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions, 1994,
chapter 14, from memory.) A standard deviation of n draws is itself off by about 1 / √(2 n) of it.
Three times that is allowed; of pounds, 0.19 with 120 draws, less than one date left out would
make (1 - 1 / √2).
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from blend.domain.selectors import parse_selector
from blend.reporter.clearing import Doubt, why_market_moved
from blend.reporter.market_on_day import QuotedPrice, why_item_moved
from blend.reporter.mixed import Driver
from tests.reporter.markets import market

PRICE, ELASTICITY, RATIO, LB = 3.46, 1.2, 1.05, 4e6
FEW, MANY = 40, 120
ITEM = parse_selector("lot=90s")


def _single(pounds_lb: float, orders_lb: float = LB):
    base = market()
    lot = replace(base.case.lot("90s"), quantity_lb=pounds_lb)
    product = base.case.product("GB90")
    case = replace(base.case, lots=(lot,), products=(product,), rules=())
    demand = replace(base.demand("GB90"), volume_lb=orders_lb)
    return replace(base, case=case, demands=(demand,))


BEFORE, AFTER = _single(LB), _single(LB * RATIO)


def _log_normal_sd(sd: float) -> float:
    return math.sqrt((math.exp(sd**2) - 1) * math.exp(sd**2))


MOVE = PRICE * (RATIO - 1) / ELASTICITY
CLOSED_FORMS = {
    "quotation": (Doubt(FEW, quotation_usd_per_lb=0.05), 0.05 * (RATIO - 1) / ELASTICITY),
    "elasticity": (Doubt(FEW, elasticity_share=0.2), MOVE * _log_normal_sd(0.2)),
    "pounds": (
        Doubt(MANY, availability_share=0.01),
        PRICE / ELASTICITY * RATIO * _log_normal_sd(0.01 * math.sqrt(2)),
    ),
}


@pytest.mark.parametrize(
    "name", ["quotation", "elasticity", pytest.param("pounds", marks=pytest.mark.slow)]
)
def test_errors_by_draws_are_those_of_the_closed_form(name):
    doubt, expected = CLOSED_FORMS[name]
    why = why_market_moved(BEFORE, AFTER, ITEM, doubt=doubt)
    assert why.draws == doubt.draws
    assert why.price.next.change == pytest.approx(-MOVE, abs=1e-5)
    own = why.price.next.contribution(Driver.OWN_SUPPLY)
    allowed = 3 / math.sqrt(2 * doubt.draws)
    assert own.standard_error == pytest.approx(expected, rel=allowed)
    assert why.price.next.standard_error == pytest.approx(expected, rel=allowed)
    others = set(Driver) - {Driver.OWN_SUPPLY}
    assert {
        each.standard_error for each in why.price.next.contributions if each.driver in others
    } == {0.0}


def test_the_move_of_two_quotations_errs_by_both():
    doubt = Doubt(2, quotation_usd_per_lb=0.05)
    observed = why_market_moved(BEFORE, AFTER, ITEM, doubt=doubt).price.observed
    assert observed.standard_error_usd_per_lb == pytest.approx(math.hypot(0.05, 0.05))


def test_errors_of_volumes_are_the_slopes_of_the_closed_form():
    """P (1 - (q / V - 1) / e) has the slope -P / (V e) in the pounds q and P q / (V² e) in the
    orders V; both are known to 1%, from a step of 0.5%."""
    more_lb, share = LB * 1.02, 0.01
    after = _single(LB * RATIO, more_lb)
    quoted = (QuotedPrice(346.0, 1.0), QuotedPrice(340.0, 2.0))
    why = why_item_moved(BEFORE, after, "90s", quoted, volume_error_share=share)
    own = PRICE / (more_lb * ELASTICITY) * share * math.hypot(LB, LB * RATIO)
    orders = PRICE * LB * RATIO / (more_lb**2 * ELASTICITY) * share * math.hypot(LB, more_lb)
    part = why.price.next.contribution
    assert part(Driver.OWN_SUPPLY).standard_error == pytest.approx(own, rel=0.01)
    assert part(Driver.ORDERS).standard_error == pytest.approx(orders, rel=0.01)
    assert part(Driver.RULES).standard_error == 0
    assert why.price.next.standard_error == pytest.approx(math.hypot(own, orders), rel=0.01)
    assert why.price.observed.move_usd_per_lb == pytest.approx(-0.06)
    assert why.price.observed.standard_error_usd_per_lb == pytest.approx(math.hypot(0.01, 0.02))
