"""Cones by tangent cuts: against a conic library, in whole numbers, kept warm."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from blend.model.arrays import Model
from blend.model.build import build_model
from blend.model.chance_constraints import ChanceModel
from blend.model.cone import Cone
from blend.model.conic import conic_point
from blend.model.solver import Outcome
from blend.model.tangents import ACCURACY, ConicLinear
from blend.model.whole_cones import solve_conic_whole
from tests.bench.safe import uncertain_instance
from tests.solvers import plain_model


def blend_of_100(cost, rows, upper, whole=None) -> Model:
    """The first row weighs 100 lb; the others, of whole containers, are zero."""
    sides = [100.0] + [0.0] * (len(rows) - 1)
    return plain_model(cost, rows, sides, sides, np.zeros(len(cost)), upper, whole)


def random_blend(seed: int, count: int = 12):
    """Lots of uncertain lean at a price; one blend of 100 lb between a minimum and a maximum lean;
    scarce enough that several lots are used."""
    random = np.random.default_rng(seed)
    lean = random.uniform(0.5, 0.95, count)
    cost = 1 + 3 * lean + random.normal(0, 0.15, count)
    every = np.arange(count)
    scale = random.uniform(0.002, 0.03, count)
    sides = [
        Cone(every, lean - 0.75, 0.0, 1.96, every, scale),
        Cone(every, 0.85 - lean, 0.0, 1.28, every, scale),
    ]
    upper = random.uniform(15, 60, count)
    return blend_of_100(cost, np.ones((1, count)), upper), sides


@pytest.mark.parametrize("seed", range(8))
def test_cuts_alone_agree_with_an_independent_conic_solver(seed):
    model, cones = random_blend(seed)
    by_library = float(model.cost @ conic_point(model, cones))
    answer = ConicLinear(model, cones, uses_library=False).solve()
    assert answer.objective == pytest.approx(by_library, rel=1e-6)
    assert answer.bound <= by_library * (1 + 1e-9)
    assert answer.gap_share <= ACCURACY


@pytest.mark.parametrize("size", [(20, 4), pytest.param((60, 12), marks=pytest.mark.slow)], ids=str)
@pytest.mark.parametrize("uses_library", [False, True])
def test_cuts_agree_with_the_conic_solver_on_a_plan_with_confidence(size, uses_library):
    case, spread, chance_constraints = uncertain_instance(*size, seed=1)
    chance = ChanceModel(build_model(case), spread, chance_constraints)
    chance.refer_to(chance.reference_of(chance.conic.find()))  # batches as in a plan
    by_library = float(chance.model.cost @ conic_point(chance.model, chance.conic.cones))
    answer = ConicLinear(chance.model, chance.conic.cones, uses_library).solve()
    assert answer.objective == pytest.approx(by_library, rel=1e-6)
    assert answer.gap_share <= 1e-7


@pytest.mark.parametrize("seed", range(4))
def test_the_point_keeps_its_cones_and_rows(seed):
    model, cones = random_blend(seed)
    x = ConicLinear(model, cones, uses_library=False).solve().x
    assert x.sum() == pytest.approx(100)
    for cone in cones:
        reading = cone.values @ x - cone.minimum
        assert reading >= cone.factor * np.sqrt(((cone.scale * x) ** 2).sum()) - 1e-6


def test_kept_cuts_give_the_answer_of_a_new_start_after_every_change():
    model, cones = random_blend(3)
    warm = ConicLinear(model, cones, uses_library=False)
    warm.solve()
    random = np.random.default_rng(0)
    for _ in range(3):
        scale = cones[0].scale * random.uniform(0.3, 1.5, len(cones[0].scale))
        cost = model.cost * random.uniform(0.9, 1.1, len(model.cost))
        warm.set_scale(0, scale)
        warm.linear.set_cost(np.arange(len(cost)), cost)
        fresh_cone = replace(cones[0], scale=scale)
        fresh = ConicLinear(
            Model(**{**model.__dict__, "cost": cost}), [fresh_cone, cones[1]], False
        )
        assert warm.solve().objective == pytest.approx(fresh.solve().objective, rel=3e-7)


def test_cones_that_cannot_be_met_are_infeasible():
    model = blend_of_100([1.0, 2.0], np.ones((1, 2)), [100.0, 100.0])
    # 0.1 less than three times a spread of at least 0.5 / sqrt 2
    cone = Cone(np.arange(2), np.full(2, 0.1), 0.0, 3.0, np.arange(2), np.full(2, 0.5))
    answer = ConicLinear(model, [cone], uses_library=False).solve()
    assert answer.outcome is Outcome.INFEASIBLE


@pytest.mark.parametrize("uses_library", [False, True])
@pytest.mark.parametrize("seed", range(4))
def test_whole_numbers_agree_with_trying_all_of_them(seed, uses_library):
    """Four lots in tens of pounds, one free: every choice of the four is tried."""
    random = np.random.default_rng(seed)
    lean = np.append(random.uniform(0.5, 0.95, 4), 0.9)
    cost = np.concatenate((1 + 3 * lean + random.normal(0, 0.2, 5), np.zeros(4)))
    scale = random.uniform(0.005, 0.04, 5)
    containers = np.hstack([np.eye(4, 5), -20.0 * np.eye(4)])
    rows = np.vstack([[1.0] * 5 + [0.0] * 4, containers])
    model = blend_of_100(cost, rows, [100.0] * 5 + [5.0] * 4, np.arange(9) >= 5)
    cone = Cone(np.arange(5), lean - 0.78, 0.0, 1.96, np.arange(5), scale)
    best = np.inf
    for counts in product(range(6), repeat=4):
        x = np.append(20.0 * np.array(counts), 100.0 - 20.0 * sum(counts))
        if x[4] >= 0 and cone.lacks(np.append(x, np.zeros(4))) <= 0:
            best = min(best, float(cost[:5] @ x))
    answer = solve_conic_whole(
        ConicLinear(model, [cone], uses_library),
        gap_share=1e-7,
        time_limit_s=20,
        guess=lambda x: np.full(len(x), np.nan),
    )
    assert np.isfinite(best)
    assert answer.objective == pytest.approx(best, rel=1e-6)
    assert answer.bound <= best * (1 + 1e-9)
