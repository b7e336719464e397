"""A fitted market gives its quotations back, and moves the way lean and fat go together.

Lean and fat trimmings are complements in a grind, fresh and imported lean substitutes: T. Elam,
U.S. Ground Beef Market: Why Imports Help, Hudson Institute, 2003 (abstract).
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from blend.check.clearing import certify_clearing
from blend.domain.clearing import MarketMove, MoveOf
from blend.domain.selectors import EVERY_LOT, parse_selector
from blend.errors import InputRefused
from blend.reporter.clearing import (
    calibrate,
    clear_market,
    market_put_back,
    moved_market,
    ready,
    why_market_moved,
)
from blend.reporter.draws import Priors
from blend.reporter.mixed import MARKET_DRIVERS, Driver
from tests.reporter.markets import market, markets

NEAR = 1e-5
"""USD per lb: a tenth of a cent a hundredweight."""
SOME = settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))


def prices(cleared):
    return {each.lot_id: each.next_usd_per_lb for each in cleared.items}


def moves_of(base, after):
    fitted = calibrate(base)
    was, now = prices(clear_market(fitted)), prices(clear_market(fitted, after))
    return {name: now[name] - was[name] for name in was}


def fitted_or_skip(drawn):
    try:
        return calibrate(drawn)
    except InputRefused:
        assume(False)


# The fit -----------------------------------------------------------------------------------------


@SOME
@given(markets())
def test_the_fitted_market_clears_at_its_quotations(drawn):
    fitted = fitted_or_skip(drawn)
    cleared = clear_market(fitted)
    for fit in fitted.items:
        price = cleared.item(fit.lot_id)
        assert price.next_usd_per_lb - NEAR <= fit.quoted_usd_per_lb
        assert fit.quoted_usd_per_lb <= price.last_usd_per_lb + NEAR
        assert 0 < fit.to_grinders_lb <= fit.available_lb * (1 + 1e-9)


@SOME
@given(markets(), st.integers(5, 18))
def test_equilibria_are_certified_at_the_base_and_when_moved(drawn, tenths):
    fitted = fitted_or_skip(drawn)
    move = MarketMove(
        "m", MoveOf.AVAILABILITY, True, tenths / 10, parse_selector("fresh_or_frozen=fresh")
    )
    for each in (None, moved_market(drawn, [move])):
        taken, cleared = ready(fitted, each), clear_market(fitted, each)
        certified = certify_clearing(taken.case, taken.curves, taken.adjustment_usd_per_lb, cleared)
        assert certified.is_valid, certified


@SOME
@given(markets(), st.lists(st.integers(5, 20), min_size=7, max_size=7))
def test_prices_and_pounds_move_against_each_other(drawn, tenths):
    # the gain is concave in what comes to market, so its slopes fall against any move
    fitted = fitted_or_skip(drawn)
    factor = dict(zip((f"item{index}" for index in range(7)), tenths, strict=True))
    lots = tuple(
        replace(each, quantity_lb=each.quantity_lb * factor[each.lot_id] / 10)
        for each in drawn.case.lots
    )
    after = replace(drawn, case=replace(drawn.case, lots=lots))
    was, now = ready(fitted), ready(fitted, after)
    # prices that hold together: a range's two ends are of one item at a time
    before = prices(clear_market(fitted, ranges_of=()))
    then = prices(clear_market(fitted, after, ranges_of=()))
    total = 0.0
    for name in before:
        pounds = now.case.lot(name).quantity_lb - was.case.lot(name).quantity_lb
        total += (then[name] - before[name]) * pounds
    room = NEAR * sum(each.quantity_lb for each in was.case.lots)
    assert total <= room


def test_amounts_that_can_be_blended_are_kept_as_stated():
    base = market()
    fitted = calibrate(base)
    kept = {each.product_id: each.fitted_lb for each in fitted.products}
    pounds = {each.lot_id: each.to_grinders_lb for each in fitted.items}
    lots = tuple(replace(each, quantity_lb=pounds[each.lot_id]) for each in base.case.lots)
    demands = tuple(replace(each, volume_lb=kept[each.product_id]) for each in base.demands)
    again = calibrate(replace(base, case=replace(base.case, lots=lots), demands=demands))
    for each in again.products:
        assert each.fitted_lb == pytest.approx(each.stated_lb, rel=1e-4)
    for each in again.items:
        assert each.elsewhere_share == pytest.approx(0.0, abs=1e-4)


def test_quotations_on_one_line_need_no_premium():
    base = market()
    lots = tuple(
        replace(each, price_usd_per_lb=round(6.4 * each.lean - 2.2, 4)) for each in base.case.lots
    )
    fitted = calibrate(replace(base, case=replace(base.case, lots=lots)))
    assert [each.premium_usd_per_lb for each in fitted.items] == pytest.approx([0.0] * 6, abs=1e-9)


def test_tolerance_does_not_make_lean_worthless():
    # stated volumes a hair off the balance: lean is not to lie idle inside the tolerance
    fitted = calibrate(market(**{"90s": 5210}))
    assert all(abs(each.premium_usd_per_lb) < 0.25 for each in fitted.items)
    by_lean = sorted(fitted.products, key=lambda each: each.product_id)
    assert [each.fitted_usd_per_lb for each in by_lean] == sorted(
        each.fitted_usd_per_lb for each in by_lean
    )
    assert by_lean[-1].fitted_usd_per_lb - by_lean[0].fitted_usd_per_lb > 0.7


# The moves ---------------------------------------------------------------------------------------


def test_scarce_imported_lean_lifts_fresh_lean_and_lowers_the_50s():
    moves = moves_of(market(), market(I90=3900))
    assert moves["90s"] > 0.05 and moves["93s"] > 0.05 and moves["I90"] > 0.05
    assert moves["50s"] < -0.05
    assert moves["90s"] == pytest.approx(moves["I90"], abs=0.02)


def test_more_50s_are_cheaper_and_make_lean_dearer():
    moves = moves_of(market(), market(**{"50s": 4400}))
    assert moves["50s"] < -0.02
    assert moves["90s"] > 0.02 and moves["I90"] > 0.02


def test_larger_orders_lift_the_lean_that_they_need():
    base = market()
    more = moved_market(base, [MarketMove("o", MoveOf.ORDERS, True, 1.05, products=("GB90",))])
    assert moves_of(base, more)["90s"] > 0.01


def test_a_tighter_limit_on_frozen_lowers_imports_beneath_fresh():
    base = market()
    tight = moved_market(base, [MarketMove("r", MoveOf.MAX_SHARE, False, 0.15, rule_id="frozen")])
    moves = moves_of(base, tight)
    assert moves["I90"] < moves["90s"] - 0.02


def test_one_item_for_one_product_moves_along_its_demand():
    base = market()
    only = base.case.lot("90s"), base.case.product("GB90")
    case = replace(base.case, lots=only[:1], products=only[1:], rules=())
    single = replace(base, case=case, demands=base.demands[2:])
    more = moved_market(single, [MarketMove("q", MoveOf.AVAILABILITY, True, 1.03)])
    # 3% more pounds at elasticity -1.2: P0 (1 + 0.03 / -1.2)
    fitted = calibrate(single)
    assert prices(clear_market(fitted, more))["90s"] == pytest.approx(3.46 * (1 - 0.025), abs=NEAR)


def test_left_over_pounds_go_at_the_floor():
    cleared = clear_market(calibrate(market()), market(I90=400))
    fifties = cleared.item("50s")
    assert fifties.left_over_lb > 0
    assert fifties.next_usd_per_lb == pytest.approx(0.2, abs=NEAR)


def test_imports_that_stop_are_priced_at_their_first_pound():
    cleared = clear_market(calibrate(market()), market(I90=0))
    assert cleared.item("I90").next_usd_per_lb > 3.22


# Why ---------------------------------------------------------------------------------------------


def amounts(explained):
    return {each.driver: each.amount for each in explained.contributions}


def test_parts_add_up_and_imports_that_were_not_moved_have_none():
    after = market(**{"50s": 4300, "81s": 3200})
    after = moved_market(after, [MarketMove("o", MoveOf.ORDERS, True, 1.02)])
    why = why_market_moved(market(), after, parse_selector("lot=50s"))
    for each in (why.price.next, why.price.last):
        assert math.fsum(amounts(each).values()) == pytest.approx(each.change, abs=1e-12)
    split = amounts(why.price.next)
    assert split[Driver.IMPORTED_SUPPLY] == split[Driver.RULES] == 0.0
    assert split[Driver.OWN_SUPPLY] < -0.01
    assert split[Driver.FRESH_SUPPLY] != 0.0 != split[Driver.ORDERS]
    assert why.markets == 8


def test_each_part_is_a_market_that_can_be_cleared_again():
    before, after = market(), market(I90=3900, **{"90s": 5300})
    item = parse_selector("lot=90s")
    why = why_market_moved(before, after, item)
    again = market_put_back(before, after, item, Driver.IMPORTED_SUPPLY)
    assert again.case.lot("I90").quantity_lb == before.case.lot("I90").quantity_lb
    assert again.case.lot("90s").quantity_lb == after.case.lot("90s").quantity_lb
    price = prices(clear_market(calibrate(before), again))["90s"]
    back = why.price.next.contribution(Driver.IMPORTED_SUPPLY).put_back
    assert price == pytest.approx(back, abs=1e-9)


def test_the_quotations_move_is_held_against_the_model():
    after = market(I90=3900)
    lots = tuple(
        replace(each, price_usd_per_lb=each.price_usd_per_lb + 0.02) for each in after.case.lots
    )
    after = replace(after, case=replace(after.case, lots=lots))
    why = why_market_moved(market(), after, parse_selector("lot=90s"))
    assert why.price.observed.move_usd_per_lb == pytest.approx(0.02)
    assert why.price.unexplained_usd_per_lb == pytest.approx(0.02 - why.price.next.change, abs=NEAR)


def test_draws_give_errors_and_an_absent_cause_holds_zero():
    priors = Priors(0.003, 0.1, 0.1, quotation_usd_per_lb=0.01, seed=1)
    why = why_market_moved(market(), market(I90=3900), parse_selector("lot=90s"), priors=priors)
    absent = why.price.next.contribution(Driver.ORDERS)
    assert abs(absent.amount) <= 2 * absent.standard_error + NEAR
    true = why.price.next.contribution(Driver.IMPORTED_SUPPLY)
    assert true.amount > 2 * true.standard_error > 0
    assert why.price.next.standard_error > 0
    same = why_market_moved(market(), market(I90=3900), parse_selector("lot=90s"), priors=priors)
    assert same == why


def test_items_and_products_that_the_base_did_not_have_are_refused():
    base, after = market(), market()
    new = replace(after.case.lot("90s"), lot_id="92s")
    after = replace(after, case=replace(after.case, lots=(*after.case.lots, new)))
    with pytest.raises(InputRefused, match="92s"):
        why_market_moved(base, after, EVERY_LOT)
    with pytest.raises(InputRefused, match="no item with"):
        why_market_moved(base, market(), parse_selector("item=veal"))
    endless = replace(base.case.lot("90s"), quantity_lb=None)
    lots = (*(each for each in base.case.lots if each.lot_id != "90s"), endless)
    with pytest.raises(InputRefused, match="none for 90s"):
        calibrate(replace(base, case=replace(base.case, lots=lots)))


def test_the_drivers_of_a_market_are_all_there():
    why = why_market_moved(market(), market(), EVERY_LOT)
    assert tuple(each.driver for each in why.price.next.contributions) == MARKET_DRIVERS
    assert why.markets == 1
