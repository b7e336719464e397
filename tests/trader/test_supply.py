"""The cost of the plan against the pounds of a lot, against another solver and the demand."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from blend.domain.case import Case
from blend.errors import InputRefused, NoPlan
from blend.trader.curves import demand_curve, supply_curve
from tests.bench.instances import make_instance
from tests.strategies import cases
from tests.trader.sweep import at_price, by_reference

CASE = make_instance(14, 4, 1, "plain")


def _busy_lot() -> str:
    taken = by_reference(CASE).take_lb
    return max(taken, key=taken.get)


def test_costs_are_those_of_another_solver_and_their_slope_is_the_value():
    lot_id = _busy_lot()
    price = CASE.lot(lot_id).delivered_usd_per_lb
    curve = supply_curve(CASE, lot_id)
    assert len(curve.steps) >= 3
    last = curve.steps[-1]
    assert last.max_lb == math.inf and last.next_lb_saves_usd == 0
    for step in curve.steps:
        inside = (step.min_lb + min(step.max_lb, step.min_lb + 2_000)) / 2
        for pounds in (step.min_lb + 1e-3, inside):
            answer = by_reference(at_price(CASE, lot_id, price, pounds))
            assert answer.objective_usd == pytest.approx(curve.plan_usd_at(pounds), abs=0.01)
        more, less = curve.value_at(inside)
        assert more == less == step.next_lb_saves_usd
    shadow_prices = [step.next_lb_saves_usd for step in curve.steps]
    assert shadow_prices == sorted(set(shadow_prices), reverse=True)


def test_a_breakpoint_has_two_shadow_prices():
    curve = supply_curve(CASE, _busy_lot())
    more, less = curve.value_at(curve.steps[0].max_lb)
    assert (more, less) == (curve.steps[1].next_lb_saves_usd, curve.steps[0].next_lb_saves_usd)


def test_supply_steps_are_the_demand_steps_of_a_lot_without_limit():
    lot_id = _busy_lot()
    price = CASE.lot(lot_id).delivered_usd_per_lb
    supply = supply_curve(CASE, lot_id)
    demand = demand_curve(CASE, lot_id, available_lb=math.inf, min_usd_per_lb=price)
    shadow_prices = [
        price + step.next_lb_saves_usd for step in supply.steps if step.next_lb_saves_usd
    ]
    entries = [point.usd_per_lb for point in reversed(demand.breakpoints)]
    assert shadow_prices == pytest.approx(entries, abs=1e-6)
    pounds = [step.pounds_lb for step in reversed(demand.steps)]
    assert [step.min_lb for step in supply.steps] == pytest.approx(pounds, abs=0.01)


def test_a_lot_that_is_needed_begins_where_there_is_a_plan():
    leanest = max(CASE.usable_lots(), key=lambda lot: lot.lean)
    lots = tuple(lot for lot in CASE.lots if lot.lean < 0.7 or lot == leanest)
    product = replace(CASE.products[0], min_lb=100.0, max_lb=100.0, target_lean=0.8)
    curve = supply_curve(Case(CASE.settings, lots, (product,)), leanest.lot_id)
    assert curve.needed_lb > 1
    assert curve.value_at(curve.needed_lb)[1] == math.inf
    with pytest.raises(ValueError, match="outside"):
        curve.plan_usd_at(curve.needed_lb - 1)


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(cases(max_lots=5, max_products=2, max_standards=0), st.data())
def test_cost_agrees_with_another_solver_on_any_small_case(case, data):
    assume(case.usable_lots())
    lot = data.draw(st.sampled_from(case.usable_lots()))
    assume(not any(rule.kind == "must_use" and rule.min_lb is None for rule in case.rules))
    try:
        curve = supply_curve(case, lot.lot_id, max_lb=30_000.0)
    except (NoPlan, InputRefused):
        assume(False)
    for share in (0.0, 0.31, 1.0):
        pounds = curve.needed_lb + share * (30_000 - curve.needed_lb)
        if pounds < 1:
            continue
        answer = by_reference(at_price(case, lot.lot_id, lot.delivered_usd_per_lb, pounds))
        assert answer.status == "optimal"
        # a program in which nothing costs anything has no objective to read back
        usd = answer.objective_usd or 0.0
        assert usd == pytest.approx(curve.plan_usd_at(pounds), rel=1e-7, abs=0.02)


def test_pounds_with_which_money_has_no_end_are_refused():
    lot = CASE.lots[0]
    paid_to_take = replace(lot, salvage_value_usd_per_lb=lot.delivered_usd_per_lb + 0.1)
    lots = (paid_to_take, *CASE.lots[1:])
    with pytest.raises(InputRefused, match="unbounded"):
        supply_curve(replace(CASE, lots=lots), lot.lot_id)
