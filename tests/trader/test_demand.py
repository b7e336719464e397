"""Demand curves against a dense sweep by another solver."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from blend.domain.case import Case
from blend.errors import InputRefused, NoPlan
from blend.model.shadow_prices import break_even_price
from blend.trader.curves import demand_curve
from blend.trader.opening import open_case
from tests.bench.instances import make_instance
from tests.strategies import cases
from tests.trader.sweep import at_price, by_reference, with_lot

CASES = {
    "plain": make_instance(14, 4, 1, "plain"),
    "tight": make_instance(24, 4, 2, "tight"),
}


def _busy_lots(case: Case, count: int) -> list[str]:
    """The lots whose curves have the most steps."""
    curves = [demand_curve(case, lot.lot_id) for lot in case.usable_lots()]
    curves.sort(key=lambda curve: -len(curve.steps))
    return [curve.lot_id for curve in curves[:count]]


@pytest.mark.parametrize("kind", CASES)
def test_every_step_is_what_a_sweep_by_another_solver_finds(kind):
    case = CASES[kind]
    for lot_id in _busy_lots(case, 2):
        curve = demand_curve(case, lot_id)
        assert len(curve.steps) >= 3
        last = curve.steps[-1]
        inside = [
            (step.min_usd_per_lb + min(step.max_usd_per_lb, step.min_usd_per_lb + 1)) / 2
            for step in curve.steps
        ]
        for price, step in zip(inside, curve.steps, strict=True):
            answer = by_reference(at_price(case, lot_id, price))
            assert answer.take_lb[lot_id] == pytest.approx(step.pounds_lb, abs=0.01)
            assert answer.objective_usd == pytest.approx(
                curve.plan_usd_at(price), rel=1e-7, abs=0.01
            )
        dense = [last.min_usd_per_lb * 1.05 * (index + 0.5) / 40 for index in range(40)]
        for price in dense:
            answer = by_reference(at_price(case, lot_id, price), solver="highs")
            minimum, maximum = curve.pounds_at(price)
            assert minimum - 0.01 <= answer.take_lb[lot_id] <= maximum + 0.01
            assert answer.objective_usd == pytest.approx(
                curve.plan_usd_at(price), rel=1e-7, abs=0.01
            )


@pytest.mark.parametrize("kind", CASES)
def test_breakpoints_bracket_the_change_to_less_than_a_hundredth_of_a_cent(kind):
    case = CASES[kind]
    (lot_id,) = _busy_lots(case, 1)
    for point in demand_curve(case, lot_id).breakpoints:
        above = by_reference(at_price(case, lot_id, point.usd_per_lb + 2e-5), solver="highs")
        below = by_reference(at_price(case, lot_id, point.usd_per_lb - 2e-5), solver="highs")
        assert above.take_lb[lot_id] <= point.min_lb + 0.01
        assert below.take_lb[lot_id] >= point.max_lb - 0.01


@pytest.mark.parametrize("kind", CASES)
def test_pounds_fall_and_their_sum_over_price_is_what_the_plan_costs(kind):
    case = CASES[kind]
    for lot in case.usable_lots():
        curve = demand_curve(case, lot.lot_id)
        pounds = [step.pounds_lb for step in curve.steps]
        assert pounds == sorted(set(pounds), reverse=True)
        paid = sum(
            step.pounds_lb * (step.max_usd_per_lb - step.min_usd_per_lb)
            for step in curve.steps[:-1]
        )
        begin, end = curve.steps[0].min_usd_per_lb, curve.steps[-1].min_usd_per_lb
        dearer = curve.plan_usd_at(end) - curve.plan_usd_at(begin)
        assert dearer == pytest.approx(paid, abs=0.01)
        assert curve.gap_usd < 0.01


@pytest.mark.parametrize("kind", CASES)
def test_it_starts_where_the_break_even_price_says(kind):
    case = CASES[kind]
    opened = open_case(case)
    sets = opened.linear.model.sets
    for index, lot in enumerate(sets.lots):
        entry = demand_curve(case, lot.lot_id).entry_usd_per_lb
        critical = break_even_price(opened.linear, opened.answer, index)
        if critical is None:
            assert entry is None
        else:
            assert entry == pytest.approx(critical, abs=1e-7)


@pytest.mark.parametrize("kind", CASES)
def test_none_is_taken_only_to_be_left_over(kind):
    case = CASES[kind]
    value = [
        replace(lot, salvage_value_usd_per_lb=0.99 * lot.price_usd_per_lb) for lot in case.lots
    ]
    case = replace(case, lots=tuple(value))
    opened = open_case(case)
    sets = opened.linear.model.sets
    below = 0
    for index, lot in enumerate(sets.lots):
        entry = demand_curve(case, lot.lot_id).entry_usd_per_lb
        critical = break_even_price(opened.linear, opened.answer, index)
        assert (entry is None) == (critical is None)
        if critical is not None:
            assert entry == pytest.approx(critical, abs=1e-7)
            below += critical < lot.salvage_value_usd_per_lb
    assert below, "no lot enters below its left-over value: the test shows nothing"


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(cases(max_lots=5, max_products=2, max_standards=0), st.data())
def test_cost_agrees_with_another_solver_on_any_small_case(case, data):
    assume(case.usable_lots())
    lot = data.draw(st.sampled_from(case.usable_lots()))
    try:
        curve = demand_curve(case, lot.lot_id)
    except (NoPlan, InputRefused):
        assume(False)
    minimum, maximum = curve.steps[0].min_usd_per_lb, curve.steps[-1].min_usd_per_lb + 1
    for share in (0.0, 0.37, 1.0):
        price = minimum + share * (maximum - minimum)
        answer = by_reference(at_price(case, lot.lot_id, price))
        assert answer.status == "optimal"
        # a program in which nothing costs anything has no objective to read back
        usd = answer.objective_usd or 0.0
        assert usd == pytest.approx(curve.plan_usd_at(price), rel=1e-7, abs=0.02)


def test_without_a_limit_more_is_taken_and_a_limit_cuts_the_curve_off():
    case = CASES["plain"]
    (lot_id,) = _busy_lots(case, 1)
    free = demand_curve(case, lot_id, available_lb=math.inf)
    cut = demand_curve(case, lot_id)
    assert free.entry_usd_per_lb == pytest.approx(cut.entry_usd_per_lb)
    for step in free.steps:
        price = (step.min_usd_per_lb + min(step.max_usd_per_lb, 10.0)) / 2
        assert cut.pounds_at(price)[1] == pytest.approx(
            min(step.pounds_lb, case.lot(lot_id).quantity_lb), abs=0.01
        )


def test_a_lot_that_no_plan_can_do_without_is_taken_at_any_price():
    case = CASES["plain"]
    leanest = max(case.usable_lots(), key=lambda lot: lot.lean)
    only_lean = [lot for lot in case.lots if lot.lean < 0.7 or lot == leanest]
    product = min(case.products, key=lambda each: each.target_lean)
    small = replace(product, min_lb=100.0, max_lb=100.0, target_lean=0.8)
    case = Case(case.settings, tuple(only_lean), (small,))
    curve = demand_curve(case, leanest.lot_id)
    assert curve.entry_usd_per_lb == math.inf
    assert curve.steps[-1].pounds_lb > 1
    far_out = by_reference(at_price(case, leanest.lot_id, 1_000.0))
    assert far_out.take_lb[leanest.lot_id] == pytest.approx(curve.steps[-1].pounds_lb, abs=1e-3)


def test_a_curve_between_two_prices_is_that_part_of_the_whole_one():
    case = CASES["plain"]
    (lot_id,) = _busy_lots(case, 1)
    whole = demand_curve(case, lot_id)
    low, high = whole.steps[1].min_usd_per_lb + 1e-4, whole.steps[-1].min_usd_per_lb - 1e-4
    part = demand_curve(case, lot_id, min_usd_per_lb=low, max_usd_per_lb=high)
    assert [step.pounds_lb for step in part.steps] == pytest.approx(
        [step.pounds_lb for step in whole.steps[1:-1]]
    )
    assert part.steps[0].min_usd_per_lb == low
    assert part.entry_usd_per_lb == part.steps[-1].max_usd_per_lb == high
    with pytest.raises(ValueError, match="outside"):
        part.pounds_at(high + 1)


def test_a_lot_that_cannot_be_asked_about_is_refused():
    case = CASES["plain"]
    with pytest.raises(InputRefused, match="no-such-lot"):
        demand_curve(case, "no-such-lot")
    lot = case.lots[0]
    gone = with_lot(case, replace(lot, use_by=case.settings.plan_on - timedelta(days=1)))
    with pytest.raises(InputRefused, match="has passed"):
        demand_curve(gone, lot.lot_id)


def test_a_case_without_a_plan_says_so():
    case = CASES["plain"]
    product = replace(case.products[0], min_lb=1e8, max_lb=1e8)
    with pytest.raises(NoPlan):
        demand_curve(replace(case, products=(product,)), case.lots[0].lot_id)


def test_money_without_end_at_a_price_is_refused():
    case = CASES["plain"]
    lot = replace(case.lots[0], salvage_value_usd_per_lb=1.0, price_usd_per_lb=2.0)
    case = with_lot(case, lot)
    with pytest.raises(InputRefused, match="unbounded"):
        demand_curve(case, lot.lot_id, available_lb=math.inf, min_usd_per_lb=0.5)
    begun = demand_curve(case, lot.lot_id, available_lb=math.inf)
    assert begun.steps[0].min_usd_per_lb == 1.0
