"""Shadow prices and break-even prices, checked against the case with its tables changed."""

from __future__ import annotations

import math
from dataclasses import asdict, replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from blend.domain.case import Case
from blend.domain.plan import ShadowPrice, Step
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import parse_selector
from blend.model.shadow_prices import (
    break_even_price,
    lot_break_evens,
    marginal_costs_of,
    shadow_prices_of,
)
from blend.model.solve import open_linear, solve_linear, state_linear
from blend.model.solver import Outcome, WarmLinear
from tests import strategies
from tests.bench.instances import make_instance
from tests.model.tables import value_of, with_lot, with_own_rules, with_product, with_value
from tests.published.cases import make_case, make_lot, make_product

MOVE_LB = 0.02
"""How far a requirement is moved by its table: little, so that no basis change lies in between."""


def cost(case: Case) -> float:
    return solve_linear(case).objective_usd


def opened(case: Case):
    linear = open_linear(case)
    return linear, linear.solve()


# Requirements -----------------------------------------------------------------------------------


_MORE_IS_EASIER = {
    ConstraintClass.LEAN_MIN,
    ConstraintClass.LEAN_MAX,
    ConstraintClass.VOLUME_MAX,
    ConstraintClass.SHARE_MAX,
    ConstraintClass.FAT_MAX,
}


def loosened(case: Case, value: ShadowPrice, steps: float) -> Case:
    """The case's tables with one requirement loosened by so many of its steps (below zero:
    tightened). The two sides of an exact order move as one."""
    asked = value.requirement
    size = 100 if value.step is Step.CWT else 1 / 100
    more = size * steps * (1 if asked.constraint_class in _MORE_IS_EASIER else -1)
    product = case.product(asked.product_id) if asked.product_id else None
    moved = with_value(case, asked, value_of(case, asked) + more)
    if asked.constraint_class is ConstraintClass.VOLUME_MIN and product.min_lb == product.max_lb:
        return with_product(moved, product.product_id, max_lb=product.max_lb + more)
    return moved


def assert_value_is_the_slope(case: Case, value: ShadowPrice, made_lb: float) -> None:
    one_step_lb = 100.0 if value.step is Step.CWT else made_lb / 100
    steps = MOVE_LB / one_step_lb
    now = cost(case)
    near = {"rel": 0.02, "abs": 2e-7 * max(1.0, abs(now)) / steps}
    saved = now - cost(loosened(case, value, steps))
    assert saved / steps == pytest.approx(value.loosening_saves_usd, **near)
    lost = cost(loosened(case, value, -steps)) - now
    if math.isinf(value.tightening_costs_usd):
        # no plan there, or one that only the solver's tolerance let through, or a jump: the
        # product is made no more
        half = cost(loosened(case, value, -steps / 2)) - now
        assert half > 0.75 * lost > 0 or math.isinf(cost(loosened(case, value, -50 * steps)))
    else:
        assert lost / steps == pytest.approx(value.tightening_costs_usd, **near)


def assert_shadow_prices_are_slopes(case: Case) -> int:
    linear, answer = opened(case)
    made = dict(
        zip(
            (product.product_id for product in case.products),
            answer.x[linear.model.names["finished"]].tolist(),
            strict=True,
        )
    )
    shadow_prices = shadow_prices_of(linear, answer)
    for value in shadow_prices:
        assert_value_is_the_slope(case, value, made.get(value.requirement.product_id, 0.0))
    return len(shadow_prices)


@pytest.mark.parametrize("kind", ["plain", "tight"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_requirement_shadow_prices_are_slopes_of_the_min_cost(kind, seed):
    assert assert_shadow_prices_are_slopes(make_instance(14, 3, seed, kind)) >= 3


def _of_a_thousand_pounds(case: Case) -> Case:
    """Orders so large that the small move of a requirement stays within its tolerance, and no two
    products alike: pounds made of one rather than the other would change the price of a limit."""
    products = tuple(
        replace(
            product,
            min_lb=product.min_lb + 1_000,
            max_lb=None if product.max_lb is None else product.max_lb + 1_000,
            shortage_penalty_usd_per_lb=(product.shortage_penalty_usd_per_lb or 6.0) + apart,
            sale_usd_per_lb=product.sale_usd_per_lb and product.sale_usd_per_lb + apart,
        )
        for apart, product in zip((0.0, 0.0137), case.products, strict=False)
    )
    return with_own_rules(replace(case, products=products))


@settings(max_examples=25)
@given(strategies.cases(max_lots=6, max_products=2).map(_of_a_thousand_pounds))
def test_requirement_shadow_prices_of_any_case(case):
    assume(solve_linear(case).outcome is Outcome.OPTIMAL)
    assert_shadow_prices_are_slopes(case)


LEAN = make_lot("lean", 0.90, 2.00, quantity_lb=750)
FAT = make_lot("fat", 0.50, 0.60, quantity_lb=500)
DEAR = make_lot("dear", 0.90, 3.00, quantity_lb=500)


def test_value_up_and_value_down_differ_at_a_degenerate_optimum():
    # all the lean is used: less lean asked saves cheap lean, more takes the dear
    product = make_product(0.80, 1_000, tolerance_above_share=0.02)
    linear, answer = opened(make_case([LEAN, FAT, DEAR], [product]))
    (value,) = [
        value
        for value in shadow_prices_of(linear, answer)
        if value.requirement.constraint_class is ConstraintClass.LEAN_MIN
    ]
    # a lean point is 10 lb of lean: 25 lb of 90s for 50s
    assert value.loosening_saves_usd == pytest.approx(25 * (2.00 - 0.60))
    assert value.tightening_costs_usd == pytest.approx(25 * (3.00 - 0.60))
    assert value.step is Step.LEAN_POINT


def test_tightening_to_infeasibility_costs_infinitely_much():
    linear, answer = opened(make_case([LEAN, FAT], [make_product(0.80, 1_000)]))
    by_constraint_class = {
        w.requirement.constraint_class: w for w in shadow_prices_of(linear, answer)
    }
    assert by_constraint_class[ConstraintClass.LEAN_MIN].tightening_costs_usd == math.inf
    assert by_constraint_class[ConstraintClass.VOLUME_MIN].tightening_costs_usd == math.inf
    assert by_constraint_class[ConstraintClass.VOLUME_MIN].loosening_saves_usd > 0


def test_a_requirement_doubled_by_another_saves_nothing_when_eased_alone():
    cap = Rule("cap", RuleKind.SHARE, lots=parse_selector("lot=lean"), max_share=0.60)
    copy = replace(cap, rule_id="copy")
    product = make_product(0.80, 1_000, tolerance_below_share=0.5)
    costly = replace(FAT, price_usd_per_lb=2.50)
    linear, answer = opened(make_case([LEAN, costly], [product], cap, copy))
    shadow_prices = {w.requirement.rule_id: w for w in shadow_prices_of(linear, answer)}
    for rule_id in ("cap", "copy"):
        assert shadow_prices[rule_id].loosening_saves_usd == pytest.approx(0.0, abs=1e-9)
        assert shadow_prices[rule_id].tightening_costs_usd == pytest.approx(10 * 0.50)


def test_loosening_an_exact_order_that_earns_money_saves_less_than_nothing():
    product = make_product(0.80, 1_000, max_lb=1_000, sale_usd_per_lb=5.00)
    linear, answer = opened(make_case([replace(LEAN, quantity_lb=2_000), FAT], [product]))
    (value,) = [
        value
        for value in shadow_prices_of(linear, answer)
        if value.requirement.constraint_class is ConstraintClass.VOLUME_MIN
    ]
    assert value.step is Step.CWT
    assert value.loosening_saves_usd == pytest.approx(100 * (1.65 - 5.00))
    assert value.tightening_costs_usd == pytest.approx(100 * (1.65 - 5.00))


def test_an_order_that_wholly_falls_short_costs_its_penalty_and_no_more():
    product = make_product(0.80, 1_000, shortage_penalty_usd_per_lb=6.00)
    linear, answer = opened(make_case([FAT], [product]))
    (value,) = shadow_prices_of(linear, answer)
    assert value.requirement.constraint_class is ConstraintClass.VOLUME_MIN
    assert value.loosening_saves_usd == pytest.approx(600.0)
    assert value.tightening_costs_usd == pytest.approx(600.0)
    (value,) = marginal_costs_of(linear, answer)
    assert value.next_cwt_usd == pytest.approx(600.0)


# Products ---------------------------------------------------------------------------------------


def _moved_target(case: Case, product_id: str, points: float) -> Case:
    target = case.product(product_id).target_lean
    return with_product(case, product_id, target_lean=target + points / 100)


@pytest.mark.parametrize("kind", ["plain", "tight"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_product_shadow_prices_are_slopes_of_the_min_cost(kind, seed):
    case = make_instance(14, 3, seed, kind)
    linear, answer = opened(case)
    now = answer.objective
    for value, made_lb in zip(
        marginal_costs_of(linear, answer),
        answer.x[linear.model.names["finished"]].tolist(),
        strict=True,
    ):
        if made_lb == 0:
            continue
        points = MOVE_LB / (made_lb / 100)
        near = {"rel": 0.02, "abs": 2e-7 * abs(now) / points}
        leaner = cost(_moved_target(case, value.product_id, points))
        fatter = cost(_moved_target(case, value.product_id, -points))
        if math.isfinite(value.leaner_point_usd):
            assert (leaner - now) / points == pytest.approx(value.leaner_point_usd, **near)
        if math.isfinite(value.fatter_point_usd):
            assert (fatter - now) / points == pytest.approx(value.fatter_point_usd, **near)


def test_the_next_hundredweight_costs_what_its_meat_costs():
    case = make_case([LEAN, FAT, DEAR], [make_product(0.80, 900)])
    linear, answer = opened(case)
    (value,) = marginal_costs_of(linear, answer)
    assert value.next_cwt_usd == pytest.approx(165.0)


def test_the_next_hundredweight_at_a_degenerate_optimum_costs_the_meat_to_come():
    # all the lean is used, so more of the product takes the dear
    linear, answer = opened(make_case([LEAN, FAT, DEAR], [make_product(0.80, 1_000)]))
    assert marginal_costs_of(linear, answer)[0].next_cwt_usd == pytest.approx(75 * 3.00 + 25 * 0.60)
    linear, answer = opened(make_case([LEAN, FAT], [make_product(0.80, 1_000)]))
    assert marginal_costs_of(linear, answer)[0].next_cwt_usd == math.inf


# Read off the basis, or solved again --------------------------------------------------------------


class Resolving(WarmLinear):
    """Reads no price off the basis in hand, so that every move is solved."""

    def prices_if_moved(self, moves):
        return [None] * len(moves)


def assert_same_shadow_prices(case: Case) -> None:
    linear, answer = opened(case)
    solving = Resolving(state_linear(case))
    solving.solve()
    for ask in (marginal_costs_of, shadow_prices_of):
        # of the same plan, where several cost the same
        read, again = ask(linear, answer), ask(solving, answer)
        assert len(read) == len(again)
        for value, other in zip(read, again, strict=True):
            for name, amount in asdict(value).items():
                if isinstance(amount, float):
                    near = pytest.approx(getattr(other, name), rel=1e-7, abs=1e-6)
                    assert amount == near, (value, other)
                elif name != "requirement":
                    assert amount == getattr(other, name)


def _full_of_ties(case: Case) -> Case:
    """Lots and orders so alike that plans are degenerate and several cost the same."""
    lots = tuple(
        replace(
            lot,
            lean=max(0.1, round(lot.lean, 1)),
            price_usd_per_lb=float(round(lot.price_usd_per_lb)),
            quantity_lb=None if lot.quantity_lb is None else 1_000.0,
        )
        for lot in case.lots
    )
    products = tuple(
        replace(
            product,
            target_lean=round(product.target_lean, 1),
            min_lb=min(product.min_lb, 1.0) * 1_000,
            max_lb=None if product.max_lb is None else 1_000.0,
        )
        for product in case.products
    )
    return replace(case, lots=lots, products=products)


@settings(max_examples=40)
@given(strategies.cases(max_lots=8, max_products=4), st.booleans())
def test_shadow_prices_read_off_the_basis_are_those_of_solving_again(case, has_ties):
    case = _full_of_ties(case) if has_ties else case
    assume(solve_linear(case).outcome is Outcome.OPTIMAL)
    assert_same_shadow_prices(case)


@pytest.mark.parametrize("kind", ["plain", "tight"])
def test_shadow_prices_of_a_model_that_grew_are_those_of_solving_again(kind):
    assert_same_shadow_prices(make_instance(60, 36, seed=4, kind=kind))


def test_shadow_prices_of_products_need_no_solve_besides_the_plan(monkeypatch):
    linear, answer = opened(make_instance(60, 36, seed=4))
    monkeypatch.setattr(WarmLinear, "solve", lambda self: pytest.fail("solved again"))
    assert len(marginal_costs_of(linear, answer)) == 36


def test_nothing_is_read_off_a_basis_that_is_no_longer_of_the_optimum():
    linear, answer = opened(make_case([LEAN, FAT, DEAR], [make_product(0.80, 900)]))
    moves = [([row], 1e-3) for row in range(len(answer.row_dual))]
    assert any(prices is not None for prices in linear.prices_if_moved(moves))
    linear.set_cost(np.array([0]), np.array([9.0]))
    assert linear.prices_if_moved(moves) == [None] * len(moves)


# Lots -------------------------------------------------------------------------------------------


def at_price(case: Case, lot_id: str, usd_per_lb: float) -> Case:
    leftover = min(case.lot(lot_id).salvage_value_usd_per_lb, usd_per_lb)
    return with_lot(
        case,
        lot_id,
        price_usd_per_lb=usd_per_lb,
        price_basis="delivered",
        salvage_value_usd_per_lb=leftover,
    )


def without(case: Case, lot_id: str) -> Case:
    """The case with no pound of a lot, which rules still count."""
    return with_lot(case, lot_id, quantity_lb=1e-9)


def assert_price_is_break_even(case: Case, lot_id: str, price: float | None) -> None:
    """Below its break-even the lot saves money; above it saves nothing."""
    lasting = cost(without(case, lot_id))
    near = 1e-7 * max(1.0, abs(lasting)) + 1e-5
    if price is None:
        assert cost(at_price(case, lot_id, 0.0)) == pytest.approx(lasting, abs=near)
        return
    if math.isinf(price):
        assert math.isinf(lasting)
        return
    step = 1e-3
    assert cost(at_price(case, lot_id, price + step)) == pytest.approx(lasting, abs=near)
    if price > step:
        assert cost(at_price(case, lot_id, price - step)) < lasting - 1e-9


def price_by_bisection(case: Case, lot_id: str) -> float:
    """Where the cost with the lot falls below that without it."""
    lasting = cost(without(case, lot_id))
    low, high = 0.0, 50.0
    for _ in range(40):
        middle = (low + high) / 2
        if cost(at_price(case, lot_id, middle)) < lasting - 1e-8 * abs(lasting):
            low = middle
        else:
            high = middle
    return low


@pytest.mark.parametrize("kind", ["plain", "tight"])
def test_break_even_prices_equal_those_by_bisection(kind):
    case = make_instance(8, 2, seed=6, kind=kind)
    linear, answer = opened(case)
    found = 0
    for index, lot in enumerate(case.usable_lots()):
        price = break_even_price(linear, answer, index)
        if price is not None and math.isfinite(price):
            assert price == pytest.approx(price_by_bisection(case, lot.lot_id), abs=2e-3)
            found += 1
    assert found >= 3


@settings(max_examples=40)
@given(strategies.cases(max_lots=5, max_products=2))
def test_break_even_prices_of_any_case(case):
    linear, answer = opened(case)
    assume(answer.outcome is Outcome.OPTIMAL)
    for index, lot in enumerate(case.usable_lots()):
        assert_price_is_break_even(case, lot.lot_id, break_even_price(linear, answer, index))


@pytest.mark.parametrize("kind", ["plain", "tight"])
def test_lot_shadow_prices_of_an_instance(kind):
    case = make_instance(20, 4, seed=2, kind=kind)
    linear, answer = opened(case)
    for value in lot_break_evens(linear, answer):
        assert_price_is_break_even(case, value.lot_id, value.break_even_usd_per_lb)
        if value.is_used:
            assert value.break_even_usd_per_lb >= value.delivered_usd_per_lb - 1e-9
        elif value.break_even_usd_per_lb is not None:
            assert value.break_even_usd_per_lb <= value.delivered_usd_per_lb + 1e-9


def test_the_next_pound_of_a_lot_taken_whole_saves_the_more_expensive_one():
    linear, answer = opened(make_case([LEAN, FAT, DEAR], [make_product(0.80, 1_100)]))
    shadow_prices = {value.lot_id: value for value in lot_break_evens(linear, answer)}
    assert shadow_prices["lean"].next_lb_usd == pytest.approx(1.00)
    assert shadow_prices["dear"].next_lb_usd == 0.0


def test_break_even_prices_worked_by_hand():
    product = make_product(0.80, 1_000, max_lb=1_000)
    eighties = make_lot("eighties", 0.80, 1.80)
    linear, answer = opened(make_case([replace(LEAN, quantity_lb=2_000), FAT, eighties], [product]))
    eighties_index = 0
    # three parts of 90s at 2.00, one of 50s at 0.60
    assert break_even_price(linear, answer, eighties_index) == pytest.approx(1.65)
    only = make_case([eighties], [product])
    linear, answer = opened(only)
    assert break_even_price(linear, answer, 0) == math.inf


def test_a_lot_that_no_product_wants_enters_at_no_price():
    barred = make_lot("lamb", 0.80, 0.10, species="lamb")
    leaner = make_lot("leanest", 0.97, 1.0)
    fits = make_lot("eighties", 0.80, 1.80)
    linear, answer = opened(make_case([barred, leaner, fits], [make_product(0.80, 1_000)]))
    assert break_even_price(linear, answer, 1) is None  # lamb
    assert break_even_price(linear, answer, 2) is None  # nothing fatter to go with the leanest


def test_a_lot_below_whose_price_the_program_is_unbounded():
    own = make_lot("own", 0.80, 1.00, quantity_lb=500)
    endless = make_lot("endless", 0.80, 2.00)
    sold = make_product(0.80, 100, sale_usd_per_lb=1.50)
    linear, answer = opened(make_case([own, endless], [sold]))
    assert break_even_price(linear, answer, 0) == pytest.approx(1.50)
    # next to one lot that is nearly as good, more than the plan's own prices show
    near = make_lot("near", 0.80, 1.40, quantity_lb=100)
    linear, answer = opened(make_case([own, endless, near], [sold]))
    assert break_even_price(linear, answer, 0) == pytest.approx(1.50)


@pytest.mark.parametrize("kind", ["plain", "tight"])
def test_the_warm_model_is_left_as_it_was_found(kind):
    case = make_instance(14, 3, seed=1, kind=kind)
    linear, answer = opened(case)
    kept = [
        array.copy()
        for array in (linear.cost, linear.lower, linear.upper, linear.row_lower, linear.row_upper)
    ]
    for ask in (lot_break_evens, marginal_costs_of, shadow_prices_of):
        ask(linear, answer)
        now = (linear.cost, linear.lower, linear.upper, linear.row_lower, linear.row_upper)
        assert all(np.array_equal(was, is_) for was, is_ in zip(kept, now, strict=True))
        assert linear.solve().objective == pytest.approx(answer.objective, rel=1e-9)
