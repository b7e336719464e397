"""Break-evens by planning again in whole containers."""

from dataclasses import replace
from math import inf

import pytest

from blend.check.check import count_money
from blend.domain.exact import at_delivered_price
from blend.grinder.plan import make_plan
from blend.grinder.whole_break_even import whole_break_evens
from tests.grinder.test_compare import DEMO, read_ready_case


@pytest.fixture(name="day", scope="module")
def a_small_day():
    case = read_ready_case(DEMO / "no_plan").case
    orders = tuple(replace(each, min_lb=6000.0, max_lb=6100.0) for each in case.products)
    case = replace(case, products=orders)
    plan = make_plan(case)
    return case, plan, whole_break_evens(case, plan)


def test_at_its_break_even_the_printed_plan_costs_what_the_day_costs_without_the_lot(day):
    case, plan, found = day
    taken = {take.lot_id for take in plan.takes}
    assert {each.lot_id for each in found if each.is_used} == taken
    some = False
    for each in found:
        if not each.is_used or each.high_usd_per_lb == inf:
            continue
        some = True
        lot = case.lot(each.lot_id)
        gone = tuple(replace(o, quantity_lb=0.0) if o is lot else o for o in case.lots)
        without = make_plan(replace(case, lots=gone), shadow_prices=False)
        costs = []
        for price in (each.low_usd_per_lb, each.high_usd_per_lb):
            at = at_delivered_price(lot, price)
            at = replace(at, salvage_value_usd_per_lb=lot.salvage_value_usd_per_lb)
            priced = replace(case, lots=tuple(at if o is lot else o for o in case.lots))
            money = count_money(priced, plan.takes, plan.runs, plan.shortage_lb)
            costs.append(money.total_usd)
        gap = case.settings.gap_share * without.money.total_usd
        assert costs[0] <= without.money.total_usd + 0.01
        assert costs[1] == pytest.approx(without.money.total_usd, abs=gap)
    assert some


def test_lots_without_which_there_is_no_plan_have_no_limit_and_ranges_are_in_order(day):
    _, plan, found = day
    linear = {each.lot_id: each.break_even_usd_per_lb for each in plan.break_evens}
    for each in found:
        assert not each.low_usd_per_lb > each.high_usd_per_lb
        if linear[each.lot_id] == inf:
            assert each.high_usd_per_lb == inf
