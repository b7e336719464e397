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


def _changed(parts: tuple, number: int, change) -> tuple:
    at = number % len(parts)
    return (*parts[:at], change(parts[at]), *parts[at + 1 :])


def cheaper(case: Case, number: int, share: float) -> Case:
    """One lot at a lower price, but at least its value left over, else the model is unbounded."""

    def change(lot):
        usd = max(lot.price_usd_per_lb * share, lot.salvage_value_usd_per_lb)
        return replace(lot, price_usd_per_lb=usd)

    return replace(case, lots=_changed(case.lots, number, change))


def more_supply(case: Case, number: int, share: float) -> Case:
    """More of one lot; without limit at a share of 0."""

    def change(lot):
        more = None if lot.quantity_lb is None or share == 0 else lot.quantity_lb + 2_000 * share
        return replace(lot, quantity_lb=more)

    return replace(case, lots=_changed(case.lots, number, change))


def wider_tolerance(case: Case, number: int, share: float) -> Case:
    def change(product):
        return replace(
            product,
            tolerance_below_share=product.tolerance_below_share + 0.03 * share,
            tolerance_above_share=product.tolerance_above_share + 0.03 * (1 - share),
        )

    return replace(case, products=_changed(case.products, number, change))


def one_rule_less(case: Case, number: int, share: float) -> Case:
    assume(case.rules)
    at = number % len(case.rules)
    return replace(case, rules=case.rules[:at] + case.rules[at + 1 :])


@pytest.mark.parametrize("change", [cheaper, more_supply, wider_tolerance, one_rule_less])
@settings(max_examples=40)
@given(CASES, numbers, strategies.shares(0, 0.99))
def test_an_easier_case_never_costs_more(change, case, number, share):
    assert never_above(cost(change(case, number, share)), cost(case))


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
