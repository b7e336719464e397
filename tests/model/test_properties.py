"""What must hold for any case: how the least cost moves when the tables do."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from blend.check.statement import dual_bound_usd
from blend.domain.case import Case
from blend.model.prices import dual_prices
from blend.model.solve import LinearPlan, open_linear, solve_linear
from blend.model.solver import Outcome
from blend.model.whole import plan_whole
from tests import strategies
from tests.model.tables import shuffled

ROOM = {"rel": 1e-7, "abs": 1e-4}
"""USD that a solver may be out by."""


def cost(case: Case) -> float:
    """Least cost; infinite where no plan is, minus infinite where there is no least."""
    return solve_linear(case).objective_usd


def never_above(after: float, before: float) -> bool:
    return after <= before + ROOM["abs"] + ROOM["rel"] * (abs(before) if abs(before) < 1e300 else 0)


def _may_fall_short(case: Case) -> Case:
    """Orders that may fall short dearly, so that most cases have a plan."""
    products = tuple(
        replace(product, shortage_penalty_usd_per_lb=product.shortage_penalty_usd_per_lb or 6.0)
        for product in case.products
    )
    return replace(case, products=products)


CASES = strategies.cases() | strategies.cases().map(_may_fall_short)
numbers = st.integers(0, 100)


def with_lot(case: Case, number: int, **changes) -> Case:
    """The case with one lot changed; a change may be a function of the lot."""
    lots = list(case.lots)
    at = number % len(lots)
    made = {name: change(lots[at]) for name, change in changes.items()}
    lots[at] = replace(lots[at], **made)
    return replace(case, lots=tuple(lots))


@settings(max_examples=40)
@given(CASES, numbers, st.sampled_from((0.0, 0.5, 0.99)))
def test_a_cheaper_lot_never_raises_the_cost(case, number, factor):
    def cheaper(lot):
        # not below what is paid for it when left over: the program would be unbounded
        return max(lot.price_usd_per_lb * factor, lot.salvage_value_usd_per_lb)

    assert never_above(cost(with_lot(case, number, price_usd_per_lb=cheaper)), cost(case))


@settings(max_examples=40)
@given(CASES, numbers, st.sampled_from((60.0, 2_000.0, None)))
def test_more_supply_never_raises_the_cost(case, number, more_lb):
    def more(lot):
        return None if lot.quantity_lb is None or more_lb is None else lot.quantity_lb + more_lb

    assert never_above(cost(with_lot(case, number, quantity_lb=more)), cost(case))


@settings(max_examples=40)
@given(CASES, numbers, strategies.shares(0, 0.03), strategies.shares(0, 0.03))
def test_a_wider_tolerance_never_raises_the_cost(case, number, below, above):
    products = list(case.products)
    at = number % len(products)
    products[at] = replace(
        products[at],
        tolerance_below_share=products[at].tolerance_below_share + below,
        tolerance_above_share=products[at].tolerance_above_share + above,
    )
    assert never_above(cost(replace(case, products=tuple(products))), cost(case))


@settings(max_examples=30)
@given(CASES, numbers)
def test_one_rule_less_never_raises_the_cost(case, number):
    assume(case.rules)
    rules = list(case.rules)
    del rules[number % len(rules)]
    assert never_above(cost(replace(case, rules=tuple(rules))), cost(case))


@settings(max_examples=40)
@given(CASES, st.sampled_from((0.5, 2.0, 10.0)))
def test_scaling_every_weight_scales_the_cost(case, factor):
    def scaled(lb: float | None) -> float | None:
        return None if lb is None else lb * factor

    larger = replace(
        case,
        lots=tuple(replace(lot, quantity_lb=scaled(lot.quantity_lb)) for lot in case.lots),
        products=tuple(
            replace(product, min_lb=scaled(product.min_lb), max_lb=scaled(product.max_lb))
            for product in case.products
        ),
        rules=tuple(replace(rule, min_lb=scaled(rule.min_lb)) for rule in case.rules),
    )
    assert cost(larger) == pytest.approx(factor * cost(case), **ROOM)


@settings(max_examples=40)
@given(CASES)
def test_whole_numbers_never_lower_the_cost(case):
    linear = solve_linear(case)
    assume(linear.outcome is Outcome.OPTIMAL)
    assume(case.settings.whole_containers.value != "per_batch")
    assert never_above(linear.objective_usd, plan_whole(case, linear).objective_usd)


@settings(max_examples=60)
@given(CASES | CASES.flatmap(strategies.warmed))
def test_the_prices_certify_the_optimum_outside_the_solver(case):
    plan = solve_linear(case)
    assume(plan.outcome is Outcome.OPTIMAL)
    bound = dual_bound_usd(case, dual_prices(plan))
    scale = max(abs(plan.objective_usd), *(product.min_lb for product in case.products), 1.0)
    assert bound <= plan.objective_usd + 1e-6 * scale
    assert bound == pytest.approx(plan.objective_usd, abs=1e-6 * scale)


@settings(max_examples=20)
@given(CASES, st.randoms(use_true_random=False))
def test_the_order_of_lots_products_and_rules_changes_no_bit(case, random):
    other = shuffled(case, random)
    one, two = open_linear(case), open_linear(other)
    first, second = LinearPlan(one.model, one.solve()), LinearPlan(two.model, two.solve())
    assert first.outcome is second.outcome
    assert first.take_lb == second.take_lb
    assert first.use_lb == second.use_lb
    assert first.answer.row_dual.tolist() == second.answer.row_dual.tolist()
