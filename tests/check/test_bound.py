"""The bound from prices: tight at a solver's own prices, valid at any."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from datetime import timedelta
from fractions import Fraction

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from blend.check.certify import PLENTY as PLENTY_LB
from blend.check.statement import dual_bound_usd
from blend.domain.case import Case
from blend.domain.exact import total
from blend.domain.linear_constraints import LinearConstraint, Pounds, Term
from blend.domain.prices import DualPrices
from blend.domain.rules import Loss, Rule, RuleKind
from blend.domain.selectors import parse_selector
from blend.model.prices import dual_prices
from blend.model.solve import solve_linear
from blend.model.solver import Outcome
from tests.published.cases import DAY, make_case, make_lot, make_product
from tests.strategies import cases

# Worked by hand ---------------------------------------------------------------------------------

COW = make_lot("cow", 0.90, 0.99)
TRIM = make_lot("trim", 0.75, 0.79)
SQUARE = make_case([COW, TRIM], [make_product(0.80, 1_000.0)])
"""Teaching slides "Meat Calculations", example 1: 10% and 25% fat to 20%."""


def test_the_square_has_two_prices():
    # 0.99 = y + 0.10 z and 0.79 = y - 0.05 z: lean z = 4/3, finished y = 0.85666... USD per lb
    prices = DualPrices(finished={"ground": 0.99 - 0.4 / 3}, lean_min={"ground": 4 / 3})
    bound = dual_bound_usd(SQUARE, prices)
    assert bound == pytest.approx(1_000 * (0.99 / 3 + 2 * 0.79 / 3), abs=1e-9)


def test_a_price_for_lean_alone_bounds_nothing_here():
    # a pound of cow then earns 0.10 x 20 USD, and it is unlimited
    bound = dual_bound_usd(SQUARE, DualPrices(lean_min={"ground": 20.0}))
    assert bound == -PLENTY_LB * (2.00 - 0.99)


def test_prices_below_zero_count_as_zero():
    worthless = DualPrices(
        finished={"ground": -1.0}, lean_min={"ground": -1.0}, lean_max={"ground": -1.0}
    )
    assert dual_bound_usd(SQUARE, worthless) == dual_bound_usd(SQUARE, DualPrices()) == 0.0


@pytest.mark.parametrize("sale_usd_per_lb", [0.0, 0.5])
def test_prices_a_hair_too_high_cost_a_hair_of_the_bound(sale_usd_per_lb: float):
    """Without a stated quantity, prices a hair too high bound nothing unless repaired."""
    product = make_product(0.80, 1_000.0, sale_usd_per_lb=sale_usd_per_lb)
    finished = 0.99 - 0.4 / 3 - sale_usd_per_lb + 1e-9
    prices = DualPrices(finished={"ground": finished}, lean_min={"ground": 4 / 3})
    bound = dual_bound_usd(make_case([COW, TRIM], [product]), prices)
    assert bound == pytest.approx(1_000 * (2.57 / 3 - sale_usd_per_lb), abs=1e-5)


def test_a_cheap_lot_taken_whole_earns_its_rent():
    # 400 lb at 0.50 and 600 lb at 0.99; each cheap pound more would save 0.49
    cheap = replace(COW, lot_id="cheap", price_usd_per_lb=0.50, quantity_lb=400.0)
    case = make_case([COW, cheap], [make_product(0.90, 1_000.0)])
    bound = dual_bound_usd(case, DualPrices(finished={"ground": 0.99}))
    assert bound == pytest.approx(400 * 0.50 + 600 * 0.99)


def test_the_maximum_volume_has_a_negative_price():
    # sold at 1.50 and made for 0.99: 500 lb, the most, earn 255
    product = make_product(0.90, 100.0, max_lb=500.0, sale_usd_per_lb=1.50)
    case = make_case([COW], [product])
    bound = dual_bound_usd(case, DualPrices(finished={"ground": -0.51}))
    assert bound == pytest.approx(-255.0)


def test_no_order_costs_more_than_its_shortage():
    case = make_case([COW], [make_product(0.90, 1_000.0, shortage_penalty_usd_per_lb=0.30)])
    bound = dual_bound_usd(case, DualPrices(finished={"ground": 0.99}))
    assert bound == pytest.approx(300.0)


def test_nothing_bounds_a_product_sold_above_its_cost_without_limit():
    sold = make_case([COW], [make_product(0.90, 0.0, sale_usd_per_lb=1.0)])
    assert dual_bound_usd(sold, DualPrices()) == -PLENTY_LB * 0.01


def test_a_lot_that_earns_more_left_over_than_it_costs():
    cow = replace(COW, quantity_lb=500.0, salvage_value_usd_per_lb=1.09)
    bound = dual_bound_usd(make_case([cow], [make_product(0.90, 0.0)]), DualPrices())
    assert bound == pytest.approx(-50.0)


def test_the_bound_is_rounded_down():
    # a tenth of a dollar; the float nearest to it lies above, so the one below is given
    case = make_case([make_lot("a", 0.9, 0.1)], [make_product(0.9, 1.0)])
    bound = dual_bound_usd(case, DualPrices(finished={"ground": 0.1}))
    assert Fraction(bound) <= Fraction(1, 10) < Fraction(math.nextafter(bound, 1.0))


@pytest.mark.parametrize(
    ("field", "cow_usd_per_lb", "rule"),
    [
        ("share_min", 0.99, Rule("rule", RuleKind.SHARE, min_share=0.5)),
        ("share_max", 0.49, Rule("rule", RuleKind.SHARE, max_share=0.5)),
        ("fat_min", 0.49, Rule("rule", RuleKind.FAT, min_share=0.17)),
        ("fat_max", 0.99, Rule("rule", RuleKind.FAT, max_share=0.17)),
        ("must_use", 0.99, Rule("rule", RuleKind.MUST_USE, min_lb=420.0)),
        (
            "temperature",
            0.99,
            Rule(
                "rule",
                RuleKind.MAX_TEMP,
                max_temp_f=40.0,
                excess_heat_btu_per_lb=(("cow", -2.0), ("trim", 1.5)),
            ),
        ),
        ("lean_min", 0.99, None),
        ("lean_max", 0.49, None),
    ],
)
def test_each_price_counts(field: str, cow_usd_per_lb: float, rule: Rule | None):
    """The cheaper meat would be used alone, were it not for one requirement."""
    cow = replace(COW, price_usd_per_lb=cow_usd_per_lb, quantity_lb=900.0)
    purge = Loss("purge", "thaw", parse_selector("lot=trim"), lean_loss_share=0.03)
    tolerance = 0.04 if rule is None else 0.2
    product = make_product(
        0.82, 1_000.0, tolerance_below_share=tolerance, tolerance_above_share=tolerance
    )
    rules = [] if rule is None else [replace(rule, lots=parse_selector("lot=cow"))]
    case = make_case([cow, TRIM], [product], *rules, losses=(purge,))
    plan = solve_linear(case)
    prices, cost_usd = dual_prices(plan), plan.objective_usd
    assert max(getattr(prices, field).values()) > 0.01
    assert dual_bound_usd(case, prices) == pytest.approx(cost_usd, rel=1e-9)
    without = replace(prices, **{field: {}})
    assert dual_bound_usd(case, without) < cost_usd - 1
    for change in (-0.05, 0.05, 0.5, 5.0):
        changed = {key: price + change for key, price in getattr(prices, field).items()}
        bound = dual_bound_usd(case, replace(prices, **{field: changed}))
        assert bound < cost_usd - 1


def test_lots_that_no_product_may_hold_do_not_count():
    free = {"price_usd_per_lb": 0.0, "quantity_lb": 10_000.0}
    others = [
        replace(TRIM, lot_id="pork", species="goat", **free),
        replace(TRIM, lot_id="old", use_by=DAY - timedelta(1), **free),
        replace(TRIM, lot_id="banned", **free),
    ]
    banned = Rule("rule", RuleKind.MUST_NOT_USE, lots=parse_selector("lot=banned"))
    case = make_case([COW, TRIM, *others], [make_product(0.80, 1_000.0)], banned)
    prices = DualPrices(finished={"ground": 0.99 - 0.4 / 3}, lean_min={"ground": 4 / 3})
    assert dual_bound_usd(case, prices) == dual_bound_usd(SQUARE, prices)


def test_a_must_use_without_a_weight_is_left_out():
    """All of a lot without a stated quantity: no plan keeps it, so no price is due for it."""
    rule = Rule("rule", RuleKind.MUST_USE, lots=parse_selector("lot=cow"))
    case = make_case([COW, TRIM], [make_product(0.80, 1_000.0)], rule)
    assert dual_bound_usd(case, DualPrices(must_use={"rule": 5.0})) == 0.0


@settings(max_examples=40, deadline=None)
@given(case=cases(), data=st.data())
def test_no_prices_certify_more_than_the_optimum(case: Case, data: st.DataObject):
    plan = solve_linear(case)
    assume(plan.outcome is Outcome.OPTIMAL)
    prices = dual_prices(plan)

    def shaken(prices: dict) -> dict:
        shifts = st.floats(-2.0, 2.0) | st.just(0.0)
        return {key: price + data.draw(shifts) for key, price in prices.items()}

    prices = DualPrices(
        **{field.name: shaken(getattr(prices, field.name)) for field in fields(DualPrices)}
    )
    room_usd = 1e-6 * max(1, abs(plan.objective_usd))
    assert dual_bound_usd(case, prices) <= plan.objective_usd + room_usd


@pytest.mark.parametrize(
    "constraint",
    [
        LinearConstraint("mixed", (Term(1.0, Pounds.USE, "cow", "ground"),), maximum=300.0),
        LinearConstraint("bought", (Term(1.0, Pounds.TAKE, "trim"),), maximum=500.0),
        LinearConstraint("made", (Term(2.0, Pounds.FINISHED, product_id="ground"),), minimum=2_200),
        LinearConstraint(
            "both",
            (Term(1.0, Pounds.USE, "cow", "ground"), Term(-1.0, Pounds.TAKE, "trim")),
            minimum=-100.0,
            maximum=-100.0,
        ),
        LinearConstraint("absent", (Term(1.0, Pounds.TAKE, "none"),), maximum=5.0),
    ],
    ids=lambda constraint: constraint.name,
)
def test_added_constraints_count_in_the_bound(constraint: LinearConstraint):
    case = make_case([COW, TRIM], [make_product(0.80, 1_000.0, tolerance_above_share=0.1)])
    case = case.with_constraints([constraint])
    if constraint.name == "mixed":
        dear = replace(TRIM, lot_id="lean", lean=0.95, price_usd_per_lb=3.0)
        case = replace(case, lots=(*case.lots, dear))
    plan = solve_linear(case)
    bound = dual_bound_usd(case, dual_prices(plan))
    assert bound == pytest.approx(plan.objective_usd, rel=1e-9)
    if constraint.name != "absent":
        assert bound > solve_linear(replace(case, constraints=())).objective_usd + 1


@given(st.lists(st.fractions(max_denominator=10**12), max_size=12))
def test_a_total_of_exact_fractions_is_their_sum(fractions: list[Fraction]):
    assert total(iter(fractions)) == sum(fractions, Fraction(0))
