"""Plans with confidence: against the plan without it, more confidence, whole containers, tests."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt
from statistics import NormalDist

import pytest

from blend.domain.plan import Verdict
from blend.domain.rules import WholeContainers
from blend.domain.uncertainty import ChanceConstraint, LeanUncertainty, Sides
from blend.grinder.safe import ConfidenceOutOfReach, OneTest, make_safe_plan
from blend.model.build import build_model
from blend.model.chance_constraints import ChanceModel, solve_chance
from blend.model.conic import conic_point
from blend.model.solve import solve_linear
from tests.grinder.uncertain import chance_constraints, day, spread


def divisible(confidence, sides=Sides.BELOW, known=None, **more):
    chance = ChanceModel(
        build_model(day()), known or spread(**more), chance_constraints(confidence, sides)
    )
    return chance, solve_chance(chance)


def test_confidence_of_one_half_is_the_plan_without_chance_constraints():
    _, answer = divisible(0.5)
    assert answer.answer.objective == pytest.approx(solve_linear(day()).objective_usd, rel=1e-7)
    safe = make_safe_plan(day(), spread(), chance_constraints(0.5))
    assert safe.safety_usd == pytest.approx(0, abs=3.0)  # whole pounds
    assert safe.divisible_safety_usd == pytest.approx(0, abs=0.01)


def test_lots_known_for_sure_need_no_margin():
    none = {each.lot_id: LeanUncertainty(each.lot_id, 0.0, 0.0) for each in day().lots}
    sure = tuple(ChanceConstraint(each.product_id, 0.99) for each in chance_constraints())
    chance = ChanceModel(build_model(day()), none, sure)
    answer = solve_chance(chance)
    assert answer.answer.objective == pytest.approx(solve_linear(day()).objective_usd, rel=1e-7)


def test_more_confidence_never_costs_less():
    costs = [divisible(confidence)[1].answer.objective for confidence in (0.5, 0.7, 0.9, 0.975)]
    assert costs == sorted(costs)
    assert costs[-1] > costs[0] + 10


def test_the_settled_plan_lies_between_its_bound_and_all_containers_as_one():
    _, answer = divisible(0.95)
    assert answer.bound_usd <= answer.answer.objective
    # As if every lot's error held its containers' spread: they never average out.
    as_one = sqrt(0.006**2 + 0.012**2)
    _, dearest = divisible(0.95, error=as_one, container_sd=0.0)
    assert answer.answer.objective < dearest.answer.objective


def test_one_lot_error_alone_gives_the_margin_of_the_textbook():
    """Two lots, one uncertain: 0.9 x + 0.5 (1 - x) >= 0.79 + z se x: x = 0.29 / (0.4 - z se)."""
    case = day()
    lots = tuple(lot for lot in case.lots if lot.lot_id in ("fresh 50s", "fresh 90s"))
    case = replace(case, lots=lots, products=case.products[:1])
    known = {
        "fresh 50s": LeanUncertainty("fresh 50s", 0.0, 0.0),
        "fresh 90s": LeanUncertainty("fresh 90s", 0.01, 0.0),
    }
    chance_constraint = ChanceConstraint("eighty", 0.975)
    chance = ChanceModel(build_model(case), known, (chance_constraint,))
    answer = solve_chance(chance).answer
    share = 0.29 / (0.4 - NormalDist().inv_cdf(0.975) * 0.01)
    used = answer.x[chance.model.use] / 12_000
    assert used == pytest.approx([1 - share, share], rel=1e-6)


def test_the_same_data_put_to_an_independent_conic_solver():
    chance, answer = divisible(0.95, Sides.BOTH)
    point = conic_point(chance.model, chance.conic.cones)
    assert float(chance.model.cost @ point) == pytest.approx(answer.answer.objective, rel=1e-6)


@pytest.mark.parametrize("whole", [WholeContainers.NO, WholeContainers.TAKEN])
@pytest.mark.parametrize("sides", [Sides.BELOW, Sides.BOTH])
def test_planned_batches_keep_their_chance_constraints_in_whole_pounds(whole, sides):
    safe = make_safe_plan(day(whole), spread(), chance_constraints(0.9, sides))
    assert safe.is_kept
    assert all(check.confidence >= check.asked - 1e-9 for check in safe.chance_constraints)
    assert not any(check.verdict is Verdict.BROKEN for check in safe.plan.certificate.checks)
    assert len(safe.chance_constraints) == 2 * (2 if sides is Sides.BOTH else 1)
    assert safe.any_plan_usd <= safe.plan.certificate.bound.objective_usd
    if whole is WholeContainers.TAKEN:
        assert all(
            take.pounds_lb % (60 if "frozen" in take.lot_id else 1000) == 0
            for take in safe.plan.takes
        )


@pytest.mark.slow
def test_batches_of_whole_containers_keep_their_chance_constraints():
    case = day(WholeContainers.PER_BATCH)
    boxes = tuple(
        replace(lot, container="box", container_lb=50.0, fresh_or_frozen="fresh")
        for lot in case.lots
    )
    case = replace(case, lots=boxes, products=case.products[:1])
    safe = make_safe_plan(case, spread(), chance_constraints(0.9)[:1])
    assert safe.is_kept
    for run in safe.plan.runs:
        assert all(each.pounds_lb % 50 == 0 for each in run.ingredients)


def test_chance_constraints_out_of_reach_are_told_with_what_is_in_reach():
    with pytest.raises(ConfidenceOutOfReach) as raised:
        make_safe_plan(day(), spread(error=0.02), chance_constraints(0.975, Sides.BOTH))
    assert raised.value.exit_code == 3
    assert raised.value.is_certain
    assert raised.value.chance_constraints
    for each in raised.value.chance_constraints:
        assert each.reached < each.asked
        assert each.product_id in str(raised.value)


def test_chance_constraints_that_only_whole_containers_rule_out_are_told_apart():
    """Batches of two or three combos of 1,500 lb: none keeps both sides so surely."""
    case = day(WholeContainers.PER_BATCH)
    lots = tuple(replace(lot, container_lb=1500.0, quantity_lb=18_000.0) for lot in case.lots)
    product = replace(case.products[0], tolerance_above_share=0.01)
    case = replace(case, lots=lots, products=(product,), losses=())
    with pytest.raises(ConfidenceOutOfReach) as raised:
        make_safe_plan(case, spread(), (ChanceConstraint("eighty", 0.6, Sides.BOTH),))
    assert raised.value.is_whole
    assert not raised.value.is_certain
    settled = make_safe_plan(
        case, spread(), (ChanceConstraint("eighty", 0.6, Sides.BOTH),), settles=True
    )
    assert settled.is_kept
    assert settled.held[0].min_confidence < 0.6


def test_a_test_is_value_what_the_narrower_error_saves():
    safe = make_safe_plan(day(), spread(), chance_constraints(0.95), test=OneTest(5.0, 0.0056))
    assert safe.tests
    assert [value.saving_usd for value in safe.tests] == sorted(
        (value.saving_usd for value in safe.tests), reverse=True
    )
    first = safe.tests[0]
    variance = 0.0056**2 + 0.012**2
    assert first.error_after_share == pytest.approx(sqrt(1 / (1 / 0.006**2 + 1 / variance)))
    known = spread() | {first.lot_id: LeanUncertainty(first.lot_id, first.error_after_share, 0.012)}
    _, after = divisible(0.95, known=known)
    before = safe.divisible_usd
    assert before - after.answer.objective == pytest.approx(first.saving_usd, rel=0.05, abs=0.5)
    assert (first.tests_that_pay > 0) == (first.saving_usd > 5.0)


def test_cuts_find_the_same_plan_when_the_conic_library_fails(monkeypatch):
    with_library = divisible(0.95)[1]
    monkeypatch.setattr("blend.model.tangents.conic_point", lambda *_: None)
    without = divisible(0.95)[1]
    assert without.answer.objective == pytest.approx(with_library.answer.objective, rel=1e-6)
    assert without.bound_usd == pytest.approx(with_library.bound_usd, rel=1e-6)
