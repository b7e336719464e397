"""The linear program: every case solved by the core and by PuLP with CBC.

Also the way by pricing that large cases take, forced on small ones: it must give the optimum
of the whole program, whatever its start.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.domain.case import Case, Settings
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import parse_selector
from blend.model import solve
from blend.model.solve import open_linear, solve_linear
from blend.model.solver import Outcome, WarmLinear
from tests import strategies
from tests.bench.instances import make_instance
from tests.published.cases import make_case, make_lot, make_product
from tests.reference import solve_reference

ANY_CASE = strategies.cases() | strategies.cases().flatmap(strategies.warmed)

SAME = {"rel": 1e-6, "abs": 1e-3}
"""Money of two solvers; a tenth of a cent where the whole is near zero."""


def assert_same_by_cbc(case: Case) -> None:
    ours, theirs = solve_linear(case), solve_reference(case, relax=True)
    assert ours.outcome == theirs.status
    if ours.outcome is Outcome.OPTIMAL:
        assert ours.objective_usd == pytest.approx(theirs.objective_usd, **SAME)


@settings(max_examples=60)
@given(ANY_CASE)
def test_core_and_cbc_agree_on_any_case(case):
    assert_same_by_cbc(case)


INSTANCES = [(2, 1), (5, 2), (12, 3), (30, 8)]


@pytest.mark.parametrize("kind", ["plain", "tight"])
@pytest.mark.parametrize(("lots", "products"), INSTANCES)
def test_core_and_cbc_agree_on_seeded_instances(lots, products, kind):
    assert_same_by_cbc(make_instance(lots, products, seed=3, kind=kind))


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["plain", "tight"])
def test_core_and_cbc_agree_on_a_large_instance(kind):
    assert_same_by_cbc(make_instance(200, 30, seed=5, kind=kind))


@settings(max_examples=25)
@given(ANY_CASE)
def test_the_same_case_twice_gives_the_same_pounds_to_the_last_bit(case):
    first, second = solve_linear(case), solve_linear(case)
    assert first.outcome is second.outcome
    assert np.array_equal(first.answer.x, second.answer.x)
    assert np.array_equal(first.answer.row_dual, second.answer.row_dual)


# By pricing -------------------------------------------------------------------------------------


@pytest.fixture
def by_pricing(monkeypatch):
    """Opens a case as if it were large; gives the program, which begins with a part."""

    def open_priced(case: Case) -> WarmLinear:
        with monkeypatch.context() as patched:
            patched.setattr(solve, "AGGREGATED_FROM_PAIRS", 0)
            return open_linear(case)

    return open_priced


def whole_answer(case: Case):
    return WarmLinear(open_linear(case).model).solve()


def assert_same_answer(priced, whole):
    assert priced.outcome is whole.outcome
    if whole.outcome is Outcome.OPTIMAL:
        assert priced.objective == pytest.approx(whole.objective, **SAME)


def assert_optimal_by_duality(linear: WarmLinear, answer) -> None:
    """The answer's own prices certify it: no column pays, those that could move do not."""
    reduced = answer.column_dual
    room_up = answer.x < linear.upper - 1e-6
    room_down = answer.x > linear.lower + 1e-6
    assert reduced[room_up].min(initial=0.0) > -1e-6
    assert reduced[room_down].max(initial=0.0) < 1e-6


@settings(max_examples=80)
@given(case=ANY_CASE)
def test_pricing_ends_at_the_optimum_of_the_whole_model(case):
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(solve, "AGGREGATED_FROM_PAIRS", 0)
        priced = open_linear(case).solve()
    assert_same_answer(priced, whole_answer(case))


@pytest.mark.parametrize("kind", ["plain", "tight"])
@pytest.mark.parametrize(("lots", "products"), [(30, 8), (80, 12)])
@pytest.mark.parametrize("seed", [1, 2])
def test_pricing_on_instances(by_pricing, lots, products, seed, kind):
    case = make_instance(lots, products, seed, kind)
    linear = by_pricing(case)
    answer = linear.solve()
    assert_same_answer(answer, whole_answer(case))
    assert_optimal_by_duality(linear, answer)


@pytest.mark.parametrize("kind", ["plain", "tight"])
def test_pricing_finds_infeasibility(by_pricing, kind):
    case = make_instance(60, 8, seed=4, kind=kind)
    dear = max(case.products, key=lambda product: product.target_lean)
    too_lean = replace(dear, target_lean=0.99, shortage_penalty_usd_per_lb=None)
    others = tuple(product for product in case.products if product is not dear)
    asked_too_much = replace(case, products=(*others, too_lean))
    assert by_pricing(asked_too_much).solve().outcome is Outcome.INFEASIBLE
    assert solve_reference(asked_too_much, relax=True).status == "infeasible"


def test_pricing_finds_that_the_program_is_unbounded(by_pricing):
    endless = make_lot("endless", 0.80, 1.00)
    sold = make_product(0.80, 100, sale_usd_per_lb=2.00)
    others = [make_lot(f"lot {number}", 0.80, 1.50, quantity_lb=10) for number in range(5)]
    assert by_pricing(make_case([endless, *others], [sold])).solve().outcome is Outcome.UNBOUNDED


def test_pricing_works_without_any_lot_or_pair(by_pricing):
    product = make_product(0.80, 100, shortage_penalty_usd_per_lb=3.0)
    pork = make_lot("lamb", 0.80, 1.00, species="lamb")
    assert by_pricing(make_case([pork], [product])).solve().objective == pytest.approx(300.0)
    assert by_pricing(make_case([], [product])).solve().objective == pytest.approx(300.0)


# Warm as cold -----------------------------------------------------------------------------------


def _changed(case: Case, number: int, factor: float) -> Case:
    """One lot at another price, another lot of another quantity, another product's order."""
    lots, products = list(case.lots), list(case.products)
    dearer = number % len(lots)
    lots[dearer] = replace(lots[dearer], price_usd_per_lb=lots[dearer].price_usd_per_lb * factor)
    scarcer = (number + 1) % len(lots)
    lots[scarcer] = replace(lots[scarcer], quantity_lb=lots[scarcer].max_lb * factor)
    changed = number % len(products)
    order = products[changed]
    products[changed] = replace(
        order,
        min_lb=order.min_lb * factor,
        max_lb=order.max_lb * max(1.0, factor),
    )
    return replace(case, lots=tuple(lots), products=tuple(products))


def _change_in_place(linear: WarmLinear, before: Case, after: Case) -> None:
    model = linear.model
    row_of = {asked: row for row, asked in enumerate(model.requirements)}
    for index, lot in enumerate(after.usable_lots()):
        column = model.take.start + index
        # left-over values are zero in a plain instance, so the price is all of the cost
        linear.set_cost(np.array([column]), np.array([lot.delivered_usd_per_lb]))
        if lot.quantity_lb != before.lot(lot.lot_id).quantity_lb:
            linear.set_column_bounds(column, 0.0, lot.max_lb)
    for product in after.products:
        for constraint_class, bounds in (
            (ConstraintClass.VOLUME_MIN, (product.min_lb, np.inf)),
            (ConstraintClass.VOLUME_MAX, (-np.inf, product.max_lb)),
        ):
            row = row_of[Requirement(constraint_class, product.product_id)]
            if (linear.row_lower[row], linear.row_upper[row]) != bounds:
                linear.set_row_bounds(row, *bounds)


@pytest.mark.parametrize("priced", [False, True], ids=["whole", "priced"])
@given(
    changes=st.lists(
        st.tuples(st.integers(0, 40), st.sampled_from((0.01, 0.5, 0.9, 1.1, 2.0, 30.0))),
        min_size=1,
        max_size=4,
    )
)
@settings(max_examples=20)
def test_warm_solves_after_changes_equal_cold_ones(priced, changes):
    case = make_instance(40, 6, seed=7)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(solve, "AGGREGATED_FROM_PAIRS", 0 if priced else 10**9)
        linear = open_linear(case)
    linear.solve()
    for number, factor in changes:
        before, case = case, _changed(case, number, factor)
        _change_in_place(linear, before, case)
        assert_same_answer(linear.solve(), whole_answer(case))


def test_a_model_without_a_plan_recovers_when_the_cause_is_taken_back(by_pricing):
    case = make_instance(40, 6, seed=7)
    linear = by_pricing(case)
    optimum = linear.solve().objective
    row = linear.model.requirements.index(
        Requirement(ConstraintClass.VOLUME_MIN, case.products[0].product_id)
    )
    min_lb = linear.row_lower[row]
    linear.set_row_bounds(row, 1e7, np.inf)
    assert linear.solve().outcome is Outcome.INFEASIBLE
    linear.set_row_bounds(row, min_lb, np.inf)
    assert linear.solve().objective == pytest.approx(optimum, rel=1e-9)


# Shapes that formulas tend to forget ------------------------------------------------------------


def test_a_single_lot_on_target_and_a_zero_order():
    on_target = make_lot("only", 0.80, 1.25)
    assert solve_linear(make_case([on_target], [make_product(0.80, 200)])).take_lb == {
        "only": pytest.approx(200.0)
    }
    nothing = solve_linear(make_case([on_target], [make_product(0.80, 0)]))
    assert (nothing.objective_usd, nothing.take_lb, nothing.use_lb) == (0.0, {}, {})


def test_a_lot_that_loses_everything_cannot_fill_an_order():
    from blend.domain.rules import Loss

    gone = (Loss("all", "trimming", lean_loss_share=1.0, fat_loss_share=1.0),)
    case = make_case([make_lot("only", 0.80, 1.25)], [make_product(0.80, 200)], losses=gone)
    assert solve_linear(case).outcome is Outcome.INFEASIBLE


def test_a_price_below_zero_of_what_is_left_over_is_paid():
    # 100 lb must be used of a lot whose left-over costs 0.10 to be rid of: none is left
    lot = make_lot("stock", 0.80, 0.0, quantity_lb=100, salvage_value_usd_per_lb=-0.1)
    plan = solve_linear(make_case([lot], [make_product(0.80, 60)]))
    assert plan.take_lb == {"stock": pytest.approx(60.0)}
    assert plan.objective_usd == pytest.approx(0.0)


def _many(count: int) -> tuple[Lot, ...]:
    return tuple(
        make_lot(f"L{number:04}", 0.5 + 0.0002 * number, 1.0 + 0.0005 * number, quantity_lb=500)
        for number in range(count)
    )


def _order(number: int, count: int) -> Product:
    return make_product(0.6 + 0.2 * number / count, 3_000, f"P{number}", tolerance_below_share=0.01)


def test_thousands_of_lots():
    orders = [_order(number, 10) for number in range(10)]
    cap = Rule("cap", RuleKind.SHARE, lots=parse_selector("lean>=0.85"), max_share=0.3)
    case = make_case(list(_many(2_000)), orders, cap)
    plan = solve_linear(case)
    assert plan.outcome is Outcome.OPTIMAL
    assert sum(plan.use_lb.values()) == pytest.approx(30_000)
    assert_optimal_by_duality(WarmLinear(plan.model), plan.answer)


def test_lots_that_cannot_be_used_today_are_not_there():
    late = make_lot("late", 0.80, 1.0, use_by=Settings(plan_on=strategies.DAY).plan_on)
    gone = make_lot("gone", 0.80, 0.5, quantity_lb=0)
    plan = solve_linear(make_case([late, gone], [make_product(0.80, 10)]))
    assert plan.take_lb == {"late": pytest.approx(10.0)}
