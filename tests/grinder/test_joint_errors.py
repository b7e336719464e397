"""Errors that lots share, from the plan to its checks, its simulation and its tests."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

import numpy as np
import pytest

from blend.check.adjust import certify_adjustment
from blend.check.chance import check_chance_constraints
from blend.domain.correction import Held, Reading, Terms
from blend.domain.plan import BatchRun, Ingredient
from blend.domain.rules import WholeContainers
from blend.domain.uncertainty import (
    ALLOWS_FOR_SUPPLIERS,
    ASSUMES_INDEPENDENT,
    SHARED_BY_SUPPLIER,
    ChanceConstraint,
    LeanUncertainty,
    Sides,
    errors_words,
    shared_by_suppliers,
)
from blend.grinder.correct import correct_batch
from blend.grinder.draws import draw_batches
from blend.grinder.safe import OneTest, after_test, make_safe_plan
from blend.model.build import build_model
from blend.model.chance_constraints import ChanceModel, loadings, solve_chance
from blend.model.conic import conic_point
from blend.model.solver import solve_dense
from blend.model.tangents import ConicLinear
from tests.grinder.uncertain import chance_constraints, day, spread

CASE = day()


def of_one_supplier(error=0.006, container_sd=0.012, case=CASE):
    """Every lot from a supplier that nothing is known of."""
    return shared_by_suppliers(case.lots, spread(error, container_sd))


def of_both_signs():
    """Two shared errors, the second leaner in some lots and fatter in others."""
    signs = [1, -1, 1, 1, -1, 1]
    return {
        lot.lot_id: LeanUncertainty(lot.lot_id, 0.003, 0.012, (0.004, sign * 0.003))
        for lot, sign in zip(CASE.lots, signs, strict=True)
    }


def test_each_lot_keeps_its_whole_error_and_shares_half_of_its_variance():
    lots = tuple(replace(lot, supplier=name) for lot, name in zip(CASE.lots, "aAbbcc", strict=True))
    shared = shared_by_suppliers(lots, spread())
    assert all(each.whole_error_share == pytest.approx(0.006) for each in shared.values())
    covariance = loadings(list(shared.values()))
    covariance = covariance @ covariance.T / 0.006**2
    expected = np.kron(np.eye(3), np.full((2, 2), SHARED_BY_SUPPLIER))
    assert covariance == pytest.approx(expected)
    assert shared_by_suppliers(lots, shared) == shared
    assert errors_words(shared.values()) == ALLOWS_FOR_SUPPLIERS
    assert errors_words(spread().values()) == ASSUMES_INDEPENDENT


@pytest.mark.parametrize("known", [of_one_supplier(), of_both_signs()])
@pytest.mark.parametrize("sides", [Sides.BELOW, Sides.BOTH])
def test_cuts_and_library_agree_and_lots_that_share_cost_more(known, sides):
    asked = chance_constraints(0.9, sides)
    chance = ChanceModel(build_model(CASE), known, asked)
    answer = solve_chance(chance)
    assert answer.is_kept
    point = conic_point(chance.model, chance.conic.cones)
    assert float(chance.model.cost @ point) == pytest.approx(answer.answer.objective, rel=1e-6)
    alone = ConicLinear(chance.model, chance.conic.cones, uses_library=False).solve()
    assert alone.objective == pytest.approx(answer.answer.objective, rel=1e-6)


def test_a_plan_of_one_suppliers_lots_costs_more_than_of_independent_ones():
    usd = [
        solve_chance(
            ChanceModel(build_model(CASE), known, chance_constraints(0.95))
        ).answer.objective
        for known in (spread(), of_one_supplier())
    ]
    assert usd[1] > usd[0] + 10


@pytest.mark.parametrize("known", [of_one_supplier(), of_both_signs()])
@pytest.mark.parametrize("whole", [WholeContainers.NO, WholeContainers.TAKEN])
def test_the_printed_plan_keeps_its_confidence_and_its_floor_is_certified(known, whole):
    case, asked = day(whole), chance_constraints(0.95)
    safe = make_safe_plan(case, known, asked)
    assert safe.is_kept
    assert safe.certified(case, known, asked).is_valid
    if whole is WholeContainers.NO:
        relaxed = solve_chance(ChanceModel(build_model(case), known, asked))
        assert safe.any_plan_usd == pytest.approx(relaxed.bound_usd, rel=1e-6)
        # errors taken as independent neither make nor pass the certificate
        assert not safe.certified(case, spread(), asked).is_valid
    other = make_safe_plan(case, spread(), asked)
    assert not other.certified(case, known, asked).is_valid


def test_the_check_adds_up_what_lots_share_before_it_squares():
    pounds = {"fresh 73s": 2000.0, "fresh 90s": 2000.0}
    run = BatchRun(
        "eighty", 1, tuple(Ingredient(*each, None) for each in pounds.items()), 4000.0, 0.815
    )
    known = {lot_id: LeanUncertainty(lot_id, 0.003, 0.0, (0.004,)) for lot_id in pounds}
    asked = ChanceConstraint("eighty", 0.9)
    (found,) = check_chance_constraints(CASE, [run], known, [asked])
    assert found.sd_share == pytest.approx(sqrt(0.003**2 / 2 + 0.004**2))


def test_drawn_batches_spread_as_checked_and_as_a_day_shares():
    known, asked = of_both_signs(), chance_constraints(0.9)
    safe = make_safe_plan(CASE, known, asked)
    drawn = draw_batches(CASE, safe.plan.runs, known, asked, draws=40_000)
    for run, check in zip(drawn.runs, safe.chance_constraints, strict=True):
        assert run.sd_share == pytest.approx(check.sd_share, rel=0.02)
        assert 1 - run.out[0].share == pytest.approx(check.confidence, abs=0.005)


def test_a_test_narrows_every_lot_that_shares_the_error():
    error, shared = np.array([0.003, 0.004, 0.005]), np.array([[0.004], [0.003], [0.0]])
    before = shared @ shared.T + np.diag(error**2)
    after_error, after_shared = after_test(error, shared, 0, 1e-5)
    after = after_shared @ after_shared.T + np.diag(after_error**2)
    column = before[:, 0]
    assert after == pytest.approx(
        before - np.outer(column, column) / (before[0, 0] + 1e-5), abs=1e-12
    )
    assert after[1, 1] < before[1, 1] and after[2, 2] == before[2, 2]


def test_a_test_of_a_supplier_is_worth_no_less_than_of_a_lot_alone():
    test = OneTest(cost_usd=1.0, method_sd_share=0.002)
    values = [
        make_safe_plan(CASE, known, chance_constraints(0.95), test=test).tests
        for known in (spread(0.01, 0.0), of_one_supplier(0.01, 0.0))
    ]
    assert all(value.saving_usd > 0 for value in values[1])
    assert max(v.saving_usd for v in values[1]) > max(v.saving_usd for v in values[0])
    (first,) = {round(value.standard_error_share, 9) for value in values[1]}
    assert first == 0.01


def test_an_adjustment_counts_what_the_added_lots_share():
    terms = Terms(frozenset(lot.lot_id for lot in CASE.lots), confidence=0.8, step_lb=1.0)
    held, reading = Held(3000.0, 2000.0), Reading(0.235, 2, 0.004)
    for known in (spread(0.01), of_one_supplier(0.01)):
        found = correct_batch(CASE, "eighty", held, reading, terms, known)
        certify_adjustment(CASE, found, terms, known, solve_dense).must_be_valid("adjustment")
    certified = certify_adjustment(CASE, found, terms, spread(0.02), solve_dense)
    assert not certified.is_valid
