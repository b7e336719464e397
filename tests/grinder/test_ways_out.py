"""Changes for an infeasible day are planned in whole containers before they are shown."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from blend.domain.case import Case
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import WholeContainers
from blend.errors import NoPlan
from blend.grinder.no_plan import infeasible_words
from blend.grinder.plan import make_plan
from blend.grinder.ways_out import case_with
from blend.reading import read_ready_case
from tests.grinder.test_stock import OFFER, case_of

NO_PLAN = Path(__file__).parents[2] / "demo_data" / "no_plan"


def infeasible_of(case: Case):
    with pytest.raises(NoPlan) as raised:
        make_plan(case, shadow_prices=False)
    return raised.value.infeasible


def of_lots(*lots, whole=WholeContainers.TAKEN, **product) -> Case:
    case = case_of(*lots)
    settings = replace(case.settings, whole_containers=whole)
    (only,) = case.products
    return replace(case, settings=settings, products=(replace(only, **product),))


CASES = {
    "the demo": read_ready_case(NO_PLAN).case,
    # 1,400 of 2,000 lb are there, in combos of 700
    "one combo more": of_lots(
        OFFER | {"quantity_lb": 1400, "container": "combo", "container_lb": 700}
    ),
    # a blend of 90s and 50s holds the label; neither does alone
    "too fat for its label": of_lots(OFFER | {"lean": 60}),
}


@pytest.mark.parametrize("name", CASES)
def test_each_change_shown_gives_the_plan_it_costs(name):
    case = CASES[name]
    infeasible = infeasible_of(case)
    assert infeasible.is_tried
    assert infeasible.changes
    for change in infeasible.changes:
        changed = case_with(case, [change])
        assert changed is not None
        plan = make_plan(changed, shadow_prices=False)
        gap = case.settings.gap_share * abs(plan.money.total_usd) + 500
        assert plan.certificate.is_valid
        assert change.total_usd == pytest.approx(plan.money.total_usd, abs=gap)


def test_more_of_a_lot_is_offered_in_containers_that_are_enough():
    (supply,) = (
        each
        for each in infeasible_of(CASES["one combo more"]).changes
        if each.requirement.constraint_class is ConstraintClass.SUPPLY
    )
    assert (supply.was, supply.becomes) == (1400, 2100)


def test_a_change_that_mislabels_comes_last_and_says_so():
    case = CASES["too fat for its label"]
    infeasible = infeasible_of(case)
    *others, last = infeasible.changes
    assert last.mislabels
    assert not any(each.mislabels for each in others)
    assert last.becomes >= 0.2
    words = dict(infeasible_words(infeasible, case).alone)
    assert "mislabels it: lean down to 60.0%" in words[last]


def test_a_change_that_still_gives_no_plan_is_dropped():
    """In whole combos of 5,000 lb, a batch holds one lot only; the tolerance of the LP mixture
    of two lots is far too small."""
    combo = {"container": "combo", "container_lb": 2000, "quantity_lb": 2000}
    lots = (OFFER | combo | {"lean": 99}, OFFER | combo | {"lot_id": "FAT", "lean": 30})
    case = of_lots(*lots, whole=WholeContainers.PER_BATCH, tolerance_below_share=0.0)
    infeasible = infeasible_of(case)
    for change in infeasible.changes:
        assert change.total_usd is not None
        assert math.isfinite(change.total_usd)
        assert make_plan(case_with(case, [change]), shadow_prices=False).certificate.is_valid
