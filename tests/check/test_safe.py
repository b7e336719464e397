"""The certificate of a plan with chance constraints."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.check.conic import chance_bound
from blend.domain.uncertainty import Sides
from blend.grinder.safe import make_safe_plan
from blend.model.build import build_model
from blend.model.chance_constraints import ChanceModel, solve_chance
from tests.grinder.uncertain import chance_constraints, day, spread

CASE, SPREAD, CONSTRAINTS = day(), spread(), chance_constraints(0.95)
SAFE = make_safe_plan(CASE, SPREAD, CONSTRAINTS)


def certified(safe, case=CASE, uncertainty=SPREAD, asked=CONSTRAINTS):
    return safe.certified(case, uncertainty, asked)


def test_the_bound_is_that_of_the_cones():
    relaxed = solve_chance(ChanceModel(build_model(CASE), SPREAD, CONSTRAINTS))
    assert SAFE.any_plan_usd == pytest.approx(relaxed.bound_usd, rel=1e-6)
    # nearer to the plan than what is certified without chance constraints
    assert SAFE.any_plan_usd > SAFE.without.certificate.bound.bound_usd + 100


def _run(at=0, **fields):
    runs = list(SAFE.plan.runs)
    runs[at] = replace(runs[at], **fields)
    return replace(SAFE, plan=replace(SAFE.plan, runs=tuple(runs)))


def _ingredients(by_lb, at=0):
    """Pounds of one lot of a recipe moved to another of it."""
    ingredients = list(SAFE.plan.runs[at].ingredients)
    for place, sign in ((0, -1), (1, 1)):
        each = ingredients[place]
        ingredients[place] = replace(each, pounds_lb=each.pounds_lb + sign * by_lb)
    return tuple(ingredients)


def _labels_swapped():
    one, other, *rest = SAFE.plan.runs
    runs = replace(one, product_id=other.product_id), replace(other, product_id=one.product_id)
    return replace(SAFE, plan=replace(SAFE.plan, runs=(*runs, *rest)))


def _margins_swapped():
    one, other, *rest = SAFE.chance_constraints
    checks = replace(one, product_id=other.product_id), replace(other, product_id=one.product_id)
    return replace(SAFE, chance_constraints=(*checks, *rest))


def _prices(change):
    return replace(SAFE, certificate=change(SAFE.certificate))


CORRUPTIONS = {
    "pounds moved": lambda: _run(ingredients=_ingredients(100.0)),
    "a lot dropped": lambda: _run(ingredients=SAFE.plan.runs[0].ingredients[1:]),
    "two labels swapped": _labels_swapped,
    "two margins swapped": _margins_swapped,
    "a margin moved": lambda: replace(
        SAFE,
        chance_constraints=(
            replace(SAFE.chance_constraints[0], confidence=0.999, margin_share=0.02),
            *SAFE.chance_constraints[1:],
        ),
    ),
    "money moved": lambda: replace(
        SAFE, plan=replace(SAFE.plan, money=replace(SAFE.plan.money, meat_usd=1.0))
    ),
    "a check dropped": lambda: replace(
        SAFE,
        plan=replace(
            SAFE.plan,
            certificate=replace(SAFE.plan.certificate, checks=SAFE.plan.certificate.checks[1:]),
        ),
    ),
    "a gap of another plan than the printed one": lambda: replace(
        SAFE,
        plan=replace(
            SAFE.plan,
            certificate=replace(
                SAFE.plan.certificate, bound=replace(SAFE.plan.certificate.bound, printed_usd=1.0)
            ),
        ),
    ),
    "a bound better than it is": lambda: replace(SAFE, any_plan_usd=SAFE.any_plan_usd + 1),
    "chance constraints without a price": lambda: _prices(
        lambda each: replace(each, chance_constraints=())
    ),
    "a chance constraint priced too high": lambda: _prices(
        lambda each: replace(
            each,
            chance_constraints=(
                replace(
                    each.chance_constraints[0],
                    usd_per_lb=each.chance_constraints[0].usd_per_lb * 1.1,
                ),
                *each.chance_constraints[1:],
            ),
        )
    ),
    "another blend's direction": lambda: _prices(
        lambda each: replace(
            each,
            chance_constraints=(
                replace(each.chance_constraints[0], pounds_lb=each.chance_constraints[1].pounds_lb),
                *each.chance_constraints[1:],
            ),
        )
    ),
    "the plan without chance constraints": lambda: replace(SAFE, plan=SAFE.without),
}


def test_it_is_of_its_own_chance_constraints_and_spread():
    assert not certified(SAFE, asked=chance_constraints(0.99)).is_valid
    assert not certified(SAFE, asked=chance_constraints(0.95, Sides.BOTH)).is_valid
    assert not certified(SAFE, uncertainty=spread(error=0.02)).is_valid
    product = CASE.products[0]
    more = replace(product, min_lb=product.min_lb + 500, max_lb=product.max_lb + 500)
    assert not certified(SAFE, replace(CASE, products=(more, *CASE.products[1:]))).is_valid


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_no_prices_and_no_direction_certify_more_than_a_plan_costs(data):
    """Whatever is priced and however, the bound stays below the plan that meets its constraints."""
    moved = st.floats(0.0, 3.0)
    priced = tuple(
        replace(
            each,
            usd_per_lb=each.usd_per_lb * data.draw(moved),
            pounds_lb={lot_id: lb * data.draw(moved) for lot_id, lb in each.pounds_lb.items()},
        )
        for each in SAFE.certificate.chance_constraints
    )
    certificate = replace(SAFE.certificate, chance_constraints=priced)
    bound = chance_bound(CASE, SPREAD, CONSTRAINTS, certificate)
    assert bound <= SAFE.divisible_usd + 1e-3
