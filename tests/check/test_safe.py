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
from tests.check.corrupt import changed, shifted, without_first
from tests.grinder.uncertain import chance_constraints, day, spread

CASE, SPREAD, CONSTRAINTS = day(), spread(), chance_constraints(0.95)
SAFE = make_safe_plan(CASE, SPREAD, CONSTRAINTS)


def certified(safe, case=CASE, uncertainty=SPREAD, asked=CONSTRAINTS):
    return safe.certified(case, uncertainty, asked)


def test_the_bound_is_that_of_the_cones():
    relaxed = solve_chance(ChanceModel(build_model(CASE), SPREAD, CONSTRAINTS))
    assert SAFE.any_plan_usd == pytest.approx(relaxed.bound_usd, rel=1e-5)
    # nearer to the plan than what is certified without chance constraints
    assert SAFE.any_plan_usd > SAFE.without.certificate.bound.bound_usd + 100


def _pounds_moved(safe):
    """From one lot of the first recipe to another of it."""
    path = "plan.runs.0.ingredients.{}.pounds_lb"
    return changed(changed(safe, path.format(0), shifted(-100.0)), path.format(1), shifted(100.0))


def _ids_swapped(path):
    """Two products' ids, each given to the other."""
    first, second = (each.product_id for each in (CASE.products[0], CASE.products[1]))
    other = {first: second, second: first}
    return changed(
        SAFE,
        path,
        lambda parts: tuple(
            replace(each, product_id=other.get(each.product_id, each.product_id)) for each in parts
        ),
    )


PRICED = "certificate.chance_constraints"
OTHER_POUNDS = SAFE.certificate.chance_constraints[1].pounds_lb
CORRUPTIONS = {
    "pounds moved": lambda: _pounds_moved(SAFE),
    "a lot dropped": lambda: changed(SAFE, "plan.runs.0.ingredients", without_first),
    "two labels swapped": lambda: _ids_swapped("plan.runs"),
    "two margins swapped": lambda: _ids_swapped("chance_constraints"),
    "a margin moved": lambda: changed(
        SAFE,
        "chance_constraints.0",
        lambda each: replace(each, confidence=0.999, margin_share=0.02),
    ),
    "money moved": lambda: changed(SAFE, "plan.money.meat_usd", 1.0),
    "a check dropped": lambda: changed(SAFE, "plan.certificate.checks", without_first),
    "a gap of another plan than the printed one": lambda: changed(
        SAFE, "plan.certificate.bound.printed_usd", 1.0
    ),
    "a bound better than it is": lambda: changed(SAFE, "any_plan_usd", shifted(1.0)),
    "chance constraints without a price": lambda: changed(SAFE, PRICED, ()),
    "a chance constraint priced too high": lambda: changed(
        SAFE, f"{PRICED}.0.usd_per_lb", lambda usd: usd * 1.1
    ),
    "another blend's direction": lambda: changed(SAFE, f"{PRICED}.0.pounds_lb", OTHER_POUNDS),
    "the plan without chance constraints": lambda: changed(SAFE, "plan", SAFE.without),
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
