"""Whole pounds: every order and limit kept in full, at little cost."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from blend.domain.plan import Verdict
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import WholeContainers
from blend.grinder.plan import make_plan
from blend.reading import read_ready_case
from tests.bench.instances import make_instance

DEMO = Path(__file__).parents[2] / "demo_data"
OVER_AN_EXACT_ORDER = {ConstraintClass.VOLUME_MAX}
"""An order of an exact weight is filled to the next whole pounds above."""


def not_in_full(plan):
    return [
        check
        for check in plan.certificate.checks
        if check.verdict in (Verdict.WITHIN_ROUNDING, Verdict.BROKEN)
        and check.requirement.constraint_class not in OVER_AN_EXACT_ORDER
    ]


@pytest.mark.parametrize(
    "fifty", [0, *(pytest.param(fifty, marks=pytest.mark.slow) for fifty in (1, 2, 3))]
)
def test_no_order_is_short_by_rounding_in_200_random_cases(fifty):
    for seed in range(50 * fifty, 50 * (fifty + 1)):
        whole = (WholeContainers.NO, WholeContainers.TAKEN)[seed % 2]
        plan = make_plan(make_instance(8, 3, seed, whole=whole), shadow_prices=False)
        assert not plan.rounding_short_lb, seed
        assert not not_in_full(plan), seed


@pytest.mark.parametrize(
    "replacement_usd_per_lb",
    [2.91, *(pytest.param(usd, marks=pytest.mark.slow) for usd in (2.8, 2.85, 2.87, 2.89, 2.95))],
)
def test_the_demo_is_within_a_tenth_of_a_percent_and_keeps_every_limit_in_full(
    replacement_usd_per_lb,
):
    """At the demo's own price of a lot kept in stock, and at others, which move the plan."""
    case = read_ready_case(DEMO).case
    lots = tuple(
        replace(
            lot,
            price_usd_per_lb=replacement_usd_per_lb,
            replacement_usd_per_lb=replacement_usd_per_lb,
        )
        if lot.lot_id == "I85-1"
        else lot
        for lot in case.lots
    )
    plan = make_plan(replace(case, lots=lots), shadow_prices=False)
    assert not not_in_full(plan)
    assert 0 <= plan.certificate.bound.gap_share <= 0.001
    assert max(plan.rounding_over_lb.values()) < 9, "less than a pound a batch"


@pytest.mark.parametrize("seed", [2, 3, 4, 7])
def test_batches_share_whole_containers_in_whole_pounds(seed):
    """The number of batches is one that divides each lot's pounds, so that rounding costs
    nothing."""
    case = make_instance(12, 3, seed, whole=WholeContainers.PER_PRODUCT)
    plan = make_plan(case, shadow_prices=False)
    assert not not_in_full(plan)
    assert plan.certificate.bound.gap_share <= 1.01 * case.settings.gap_share
