"""Chance constraints checked in exact fractions, compared with arithmetic by hand."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.check.chance import check_chance_constraints
from blend.domain.plan import BatchRun, Ingredient
from blend.domain.rules import Rule, RuleKind
from blend.domain.uncertainty import BatchUncertainty, ChanceConstraint, LeanUncertainty, Sides
from tests.grinder.uncertain import day, spread

CASE = replace(day(), losses=())


def run_of(pounds: dict[str, float], product_id: str = "eighty", batches: int = 2) -> BatchRun:
    ingredients = tuple(Ingredient(lot_id, lb) for lot_id, lb in pounds.items())
    return BatchRun(product_id, batches, ingredients, sum(pounds.values()), 0.0)


def check(run, chance_constraint, known=None, case=CASE):
    (found,) = check_chance_constraints(case, [run], known or spread(), [chance_constraint])
    return found


def test_variance_of_a_batch_by_hand():
    """1,500 lb of 1,000-lb combos are one full and one half: 1000² + 500²."""
    run = run_of({"fresh 50s": 1500.0, "fresh 90s": 2500.0})
    chance_constraint = ChanceConstraint("eighty", 0.95, batch=BatchUncertainty(0.001, 0.002))
    found = check(run, chance_constraint)
    variance = (
        0.006**2 * (1500**2 + 2500**2)
        + 0.012**2 * (1000**2 + 500**2 + 2 * 1000**2 + 500**2)
        + (0.001**2 + 0.002**2) * 4000**2
    )
    lean = (1500 * 0.5 + 2500 * 0.9) / 4000
    assert found.sd_share == pytest.approx(sqrt(variance) / 4000)
    assert found.lean == pytest.approx(lean)
    assert found.margin_share == pytest.approx(lean - 0.79)
    assert found.needed_share == pytest.approx(1.6448536 * sqrt(variance) / 4000, rel=1e-6)
    assert found.confidence == pytest.approx(
        NormalDist().cdf((lean - 0.79) * 4000 / sqrt(variance))
    )
    assert not found.is_kept


def test_the_upper_side_is_compared_with_the_max_lean():
    run = run_of({"fresh 81s": 1000.0, "fresh 90s": 3000.0})
    found = check(replace(run, product_id="ninety"), ChanceConstraint("ninety", 0.95, Sides.ABOVE))
    assert found.limit_share == pytest.approx(0.90)
    assert found.margin_share == pytest.approx(0.90 - (0.81 + 3 * 0.90) / 4)


def test_loose_meat_counts_as_one_piece():
    lots = tuple(replace(lot, container="loose", container_lb=None) for lot in CASE.lots)
    case = replace(CASE, lots=lots)
    known = {lot.lot_id: LeanUncertainty(lot.lot_id, 0.0, 0.01) for lot in lots}
    found = check(run_of({"fresh 81s": 4000.0}), ChanceConstraint("eighty", 0.9), known, case)
    assert found.sd_share == pytest.approx(0.01)


def test_a_rule_on_fat_tightens_the_limit():
    rule = Rule("fat", RuleKind.FAT, max_share=0.195)
    case = replace(CASE, rules=(rule,))
    found = check(run_of({"fresh 81s": 4000.0}), ChanceConstraint("eighty", 0.5), case=case)
    assert found.limit_share == pytest.approx(0.805)


def test_losses_count_lean_and_fat_apart():
    """3% of lean lost: a pound of a 90 gives 0.873 lean and 0.1 fat, and a point more of lean
    gains 0.97 (1 - L) + 1 L over the limit L."""
    found = check(
        run_of({"frozen 90s": 2000.0}, "ninety"),
        ChanceConstraint("ninety", 0.9),
        {"frozen 90s": LeanUncertainty("frozen 90s", 0.01, 0.0)},
        day(),
    )
    mass = 0.9 * 0.97 + 0.1
    assert found.lean == pytest.approx(0.9 * 0.97 / mass)
    assert found.sd_share == pytest.approx(0.01 * (0.97 * 0.13 + 0.87) / mass)


@given(
    lb=st.lists(st.integers(1, 4000), min_size=6, max_size=6),
    confidence=st.sampled_from((0.6, 0.9, 0.975)),
    sides=st.sampled_from((Sides.BELOW, Sides.ABOVE)),
)
def test_kept_means_confident_enough(lb, confidence, sides):
    run = run_of({lot.lot_id: float(n) for lot, n in zip(CASE.lots, lb, strict=True)})
    found = check(run, ChanceConstraint("eighty", confidence, sides))
    if abs(found.confidence - confidence) > 1e-6:
        assert found.is_kept == (found.confidence > confidence)


def test_without_error_the_mean_decides():
    none = {lot.lot_id: LeanUncertainty(lot.lot_id, 0.0, 0.0) for lot in CASE.lots}
    good = check(run_of({"fresh 81s": 4000.0}), ChanceConstraint("eighty", 0.99), none)
    bad = check(run_of({"fresh 73s": 4000.0}), ChanceConstraint("eighty", 0.99), none)
    assert (good.is_kept, good.confidence) == (True, 1.0)
    assert (bad.is_kept, bad.confidence) == (False, 0.0)
