"""Drawn batches are out of spec as often as the plan allows, and the plan on average more."""

from __future__ import annotations

from dataclasses import replace

import pytest

from blend.check.chance import check_chance_constraints
from blend.domain.plan import BatchRun, Ingredient
from blend.domain.uncertainty import BatchUncertainty, ChanceConstraint, LeanUncertainty, Sides
from blend.grinder.draws import draw_batches, wilson_interval
from blend.grinder.safe import make_safe_plan
from tests.grinder.uncertain import chance_constraints, day, spread


@pytest.fixture(scope="module")
def safe():
    return make_safe_plan(day(), spread(), chance_constraints(0.95))


def test_the_chance_constraint_holds_in_the_draws(safe):
    drawn = draw_batches(
        day(), safe.plan.runs, spread(), chance_constraints(0.95), draws=40_000, seed=7
    )
    assert [run.product_id for run in drawn.runs] == ["eighty", "ninety"]
    for run, check in zip(drawn.runs, safe.chance_constraints, strict=True):
        (out,) = run.out
        minimum, maximum = wilson_interval(round(out.share * 40_000), 40_000, 0.9999)
        assert minimum <= out.chance_share
        # And as often as the exact check says of these very batches.
        assert minimum <= 1 - check.confidence <= maximum
        assert run.sd_share == pytest.approx(check.sd_share, rel=0.03)


def test_the_plan_without_chance_constraints_breaks_them_in_the_draws(safe):
    drawn = draw_batches(
        day(), safe.without.runs, spread(), chance_constraints(0.95), draws=5_000, seed=7
    )
    for run in drawn.runs:
        assert run.out[0].min_share > 0.3


def test_both_sides_are_drawn_against_their_own_limits():
    ingredients = (Ingredient("fresh 81s", 2000.0), Ingredient("fresh 90s", 2000.0))
    run = BatchRun("eighty", 3, ingredients, 4000.0, 0.855)
    chance_constraint = ChanceConstraint("eighty", 0.9, Sides.BOTH)
    below, above = (
        draw_batches(day(), [run], spread(), [chance_constraint], draws=2_000).runs[0].out
    )
    assert (below.side, above.side) == (Sides.BELOW, Sides.ABOVE)
    assert below.share < 0.01
    assert above.share > 0.9  # 85.5% against a most of 82%
    assert above.day_share >= above.share


def test_errors_of_a_lot_are_in_all_batches_of_a_day_and_those_of_tests_are_not():
    """Half of batches are out when the mean is on the limit. By the lot's error alone they are
    out together; by the test's alone, one of ten on nearly every day."""
    case = replace(day(), losses=())
    ingredients = (Ingredient("fresh 50s", 11_000.0), Ingredient("fresh 90s", 29_000.0))
    run = BatchRun("eighty", 10, ingredients, 40_000.0, 0.79)
    by_lot = {each: LeanUncertainty(each, 0.01, 0.0) for each in ("fresh 50s", "fresh 90s")}
    known = {each: LeanUncertainty(each, 0.0, 0.0) for each in by_lot}
    exact, tested = (
        ChanceConstraint("eighty", 0.9, batch=BatchUncertainty(test_error=sd)) for sd in (0.0, 0.01)
    )
    together = draw_batches(case, [run], by_lot, [exact], draws=4_000).runs[0].out[0]
    apart = draw_batches(case, [run], known, [tested], draws=4_000).runs[0].out[0]
    assert together.share == pytest.approx(0.5, abs=0.04)
    assert together.day_share == pytest.approx(together.share, abs=1e-9)
    assert apart.share == pytest.approx(0.5, abs=0.04)
    assert apart.day_share > 0.99


def test_checks_and_draws_agree_with_losses_that_take_lean():
    run = BatchRun(
        "ninety",
        1,
        (Ingredient("frozen 90s", 2990.0), Ingredient("fresh 73s", 700.0)),
        3600.0,
        0.87,
    )
    chance_constraint = ChanceConstraint("ninety", 0.9)
    (check,) = check_chance_constraints(day(), [run], spread(), [chance_constraint])
    (out,) = draw_batches(day(), [run], spread(), [chance_constraint], draws=40_000).runs[0].out
    assert 0.02 < 1 - check.confidence < 0.98
    assert out.share == pytest.approx(1 - check.confidence, abs=0.01)


def test_wilson_interval_by_its_formula():
    """Ten of fifty at 95%: 0.1124 to 0.3304 (by Wilson's formula, worked by hand)."""
    assert wilson_interval(10, 50) == pytest.approx((0.1124, 0.3304), abs=1e-4)
    minimum, maximum = wilson_interval(0, 100)
    assert minimum == 0 and 0 < maximum < 0.05
