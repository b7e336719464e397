"""The plan in whole numbers: the core and PuLP with CBC come to the same cost."""

from __future__ import annotations

import math
import time
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.domain.case import Case, Settings
from blend.domain.rules import Rule, RuleKind, WholeContainers
from blend.domain.selectors import parse_selector
from blend.model import solver, whole
from blend.model.build import build_model
from blend.model.solve import solve_linear
from blend.model.solver import Answer, Outcome, or_better, solve_whole
from blend.model.whole import WholePlan, plan_whole
from tests import strategies
from tests.bench.instances import make_instance
from tests.model.tables import shuffled
from tests.published.cases import DAY, make_case, make_lot, make_product
from tests.reference import solve_reference

NEAR = {"rel": 2e-5, "abs": 0.05}
"""Both solvers take 0.999999 containers for a whole one, which moves some cents."""
GAP = 1e-6


def planned(case: Case) -> WholePlan:
    return plan_whole(case, solve_linear(case))


def assert_same_by_cbc(case: Case) -> None:
    case = replace(case, settings=replace(case.settings, gap_share=GAP, time_limit_s=20.0))
    linear = solve_linear(case)
    theirs = solve_reference(case, gap_share=GAP, time_limit_s=20.0)
    if linear.outcome is Outcome.UNBOUNDED:
        assert theirs.status == linear.outcome or _earns_more_the_more_it_makes(case)
        return
    if linear.outcome is not Outcome.OPTIMAL:
        assert theirs.status == linear.outcome
        return
    ours = plan_whole(case, linear)
    assert ours.outcome == theirs.status
    if ours.outcome is Outcome.OPTIMAL:
        assert ours.objective_usd == pytest.approx(theirs.objective_usd, **NEAR)
        room = NEAR["abs"] + NEAR["rel"] * abs(ours.objective_usd)
        assert linear.objective_usd <= ours.bound_usd + room
        assert ours.bound_usd <= theirs.objective_usd + room
        assert theirs.objective_usd <= ours.objective_usd + room


def _earns_more_the_more_it_makes(case: Case) -> bool:
    """CBC at times calls a plan of an unbounded program the best; then it is asked for the
    best with more and more to be made."""

    def earned_usd(max_lb: float) -> float:
        products = tuple(
            replace(each, max_lb=max_lb) if each.max_lb is None else each for each in case.products
        )
        return -solve_reference(replace(case, products=products), relax=True).objective_usd

    return earned_usd(1e8) > 10 * earned_usd(1e6) > 0


def _few_batches(case: Case) -> Case:
    """Orders of a few batches each, so that either solver is done in no time."""
    few = (
        replace(product, batch_lb=product.blender_max_lb, min_lb=min(product.min_lb, 3_000))
        for product in case.products
    )
    return replace(
        case,
        products=tuple(
            product if product.max_lb is None else replace(product, max_lb=product.min_lb + 500)
            for product in few
        ),
    )


SMALL_CASE = strategies.cases(max_lots=5, max_products=2).map(_few_batches)


@settings(max_examples=40)
@given(SMALL_CASE)
def test_core_and_cbc_agree_on_any_small_case(case):
    assert_same_by_cbc(case)


@pytest.mark.parametrize("kind", ["plain", "tight"])
@pytest.mark.parametrize("where", WholeContainers)
def test_core_and_cbc_agree_on_seeded_instances(kind, where):
    lots, products = (3, 1) if where is WholeContainers.PER_BATCH else (5, 2)
    assert_same_by_cbc(make_instance(lots, products, seed=2, kind=kind, whole=where))


@pytest.mark.slow
@pytest.mark.parametrize("where", [WholeContainers.NO, WholeContainers.TAKEN])
@pytest.mark.parametrize("seed", [1, 2])
def test_core_and_cbc_agree_on_larger_instances_with_every_rule(where, seed):
    assert_same_by_cbc(make_instance(12, 3, seed=seed, kind="tight", whole=where))


# What whole numbers do, worked by hand ----------------------------------------------------------

LEAN = make_lot("lean", 0.90, 2.00, quantity_lb=10_000, container="combo", container_lb=1_000.0)
FAT = make_lot("fat", 0.50, 0.60, quantity_lb=10_000, container="combo", container_lb=1_000.0)
GROUND = make_product(0.80, 3_000, max_lb=3_000)  # 2,250 of lean, 750 of fat


def settled(where: WholeContainers, **more) -> Settings:
    return Settings(plan_on=DAY, whole_containers=where, gap_share=GAP, **more)


def test_no_search_where_the_linear_optimum_is_whole_already():
    lots = [make_lot("lean", 0.90, 2.00), make_lot("fat", 0.50, 0.60)]
    fits = replace(GROUND, blender_min_lb=900, blender_max_lb=1_100)
    assert not planned(make_case(lots, [fits])).by_branching
    fits_not = replace(GROUND, blender_min_lb=1_600, blender_max_lb=1_700)
    assert planned(make_case(lots, [fits_not])).by_branching


def test_a_count_by_blend_binds_every_batch_where_batches_differ():
    # 1,000 lb of each combo: a batch of one lot each is on target, and so is their sum
    lots = [
        make_lot(name, 0.80, usd, quantity_lb=1_000, container="combo", container_lb=1_000.0)
        for name, usd in (("a", 1.0), ("b", 1.1))
    ]
    order = make_product(
        0.80, 2_000, max_lb=2_000, batch_lb=1_000, blender_min_lb=1_000, blender_max_lb=1_000
    )
    one = Rule("one", RuleKind.MAX_LOTS, max_count=1)
    apart = Rule(
        "apart",
        RuleKind.KEEP_APART,
        lots=parse_selector("lot=a"),
        against=parse_selector("lot=b"),
    )
    for rule in (one, apart):
        by_batch = make_case(lots, [order], rule, settings=settled(WholeContainers.PER_BATCH))
        assert planned(by_batch).objective_usd == pytest.approx(2_100)
        as_one = replace(by_batch, settings=settled(WholeContainers.PER_PRODUCT))
        assert planned(as_one).outcome is Outcome.INFEASIBLE


def test_the_best_plan_so_far_is_reported_while_searching():
    case = make_instance(12, 3, seed=1, kind="tight", whole=WholeContainers.TAKEN)
    better = []
    linear = solve_linear(case)
    whole = plan_whole(case, linear, on_better=lambda usd, bound: better.append((usd, bound)))
    assert better
    assert all(bound <= usd + 1e-6 for usd, bound in better)
    assert all(after[0] <= before[0] + 1e-6 for before, after in pairwise(better))
    assert whole.objective_usd <= better[-1][0] + 1e-6


@settings(max_examples=15)
@given(case=SMALL_CASE, seed=st.randoms(use_true_random=False))
def test_the_order_of_rows_in_the_sheet_changes_nothing(case, seed):
    other = shuffled(case, seed)
    first, second = solve_linear(case), solve_linear(other)
    assert (first.outcome, first.take_lb, first.use_lb) == (
        second.outcome,
        second.take_lb,
        second.use_lb,
    )
    if first.outcome is Outcome.OPTIMAL:
        assert plan_whole(case, first) == plan_whole(other, second)


@pytest.mark.parametrize(
    "where", [WholeContainers.NO, WholeContainers.TAKEN, WholeContainers.PER_PRODUCT]
)
@pytest.mark.parametrize("kind", ["plain", "tight"])
def test_a_search_that_begins_near_the_linear_optimum_reaches_the_same_bound(
    kind, where, monkeypatch
):
    """Large programs are searched near it first; here small ones are, to compare with the whole."""
    case = make_instance(12, 3, seed=2, kind=kind, whole=where)
    case = replace(
        case,
        lots=tuple(
            replace(lot, must_take_all=number % 2 > 0) for number, lot in enumerate(case.lots)
        ),
        settings=replace(case.settings, time_limit_s=5.0),
    )
    everywhere = planned(case)
    monkeypatch.setattr(whole, "_LARGE_FROM_PAIRS", 0)
    near = planned(case)
    assert near.bound_usd <= everywhere.objective_usd + 1e-6
    assert everywhere.bound_usd <= near.objective_usd + 1e-6
    if everywhere.outcome is not Outcome.STOPPED:
        assert near.outcome in (everywhere.outcome, Outcome.STOPPED)


def test_combos_that_no_number_of_fills_an_order_rule_out_a_plan():
    """Fresh meat comes in combos of 2,000 lb without loss, and frozen is 2% at most: of 20,600 to
    21,800 lb, from 20,188 lb up must be fresh. 10 combos are 20,000 lb, 11 are 22,000."""
    market = make_instance(30, 8, seed=3, whole=WholeContainers.PER_PRODUCT)
    lean = tuple(product for product in market.products if product.product_id == "P08")
    rules = tuple(each for each in market.rules if not each.products or "P08" in each.products)
    assert planned(replace(market, products=lean, rules=rules)).outcome is Outcome.INFEASIBLE


def test_a_container_is_taken_for_a_single_pound():
    """Neither lot nor order states how much there is; a container is far more than is asked."""
    lot = make_lot("a", 0.5, 1.0, min_purchase_lb=1.0, container="combo", container_lb=2_000.0)
    order = make_product(0.5, 1, max_lb=2, batch_lb=1.0, blender_max_lb=10.0)
    case = make_case([lot], [order], settings=settled(WholeContainers.TAKEN))
    found = planned(case)
    assert found.outcome is Outcome.OPTIMAL
    assert found.objective_usd == pytest.approx(2_000)


def test_nothing_to_make_from_no_lot_is_a_plan():
    """No lot is usable and no batch is asked for: where batches may differ, nothing is decided."""
    late = make_lot("late", 0.5, 1.0, available_on=DAY + timedelta(days=1))
    order = make_product(0.5, 0, max_lb=None)
    case = make_case([late], [order], settings=settled(WholeContainers.PER_BATCH))
    found = planned(case)
    assert found.outcome is Outcome.OPTIMAL and found.objective_usd == 0
    assert found.rounded_plan.takes == () == found.rounded_plan.runs


@pytest.mark.slow
def test_whole_lots_of_a_large_market_are_planned_near_the_best():
    """Without a search near the linear optimum first, this took the time there is and more."""
    case = make_instance(600, 12, seed=1)
    case = replace(
        case,
        lots=tuple(replace(lot, must_take_all=True) for lot in case.lots),
        settings=replace(case.settings, time_limit_s=60.0),
    )
    found = planned(case)
    assert found.outcome is Outcome.OPTIMAL
    cost_usd = found.rounded_plan.cost_usd
    assert cost_usd - found.bound_usd <= case.settings.gap_share * cost_usd


def test_completing_a_guess_takes_of_the_time_limit(monkeypatch):
    """By itself the solver takes it twice: to complete the guess, and to search."""
    case = make_instance(20, 4, seed=1, whole=WholeContainers.TAKEN)
    model = build_model(case, whole=True)
    guess = whole._mip_start(model, solve_linear(case))
    assert 0 < np.isfinite(guess).sum() < model.whole.sum()
    search, ends = solver._search, []
    began = time.monotonic()

    def timed(model, gap_share, time_limit_s, *more, **named):
        ends.append(time.monotonic() + time_limit_s - began)
        return search(model, gap_share, time_limit_s, *more, **named)

    monkeypatch.setattr(solver, "_search", timed)
    answer = solve_whole(model, gap_share=1e-4, time_limit_s=10.0, guess=guess)
    assert len(answer.x)
    assert len(ends) == 2 and ends[0] < 5.0 and ends[1] < 10.1


def test_a_plan_begun_with_is_kept_where_the_search_finds_none_better():
    x = np.ones(2)
    begun = Answer(Outcome.OPTIMAL, 5.0, 5.0, x, x, x)
    none = np.zeros(0)
    for found in (
        Answer(Outcome.STOPPED, math.nan, math.nan, none, none, none),
        Answer(Outcome.INFEASIBLE, math.inf, math.inf, none, none, none),
    ):
        kept = or_better(begun, lambda found=found: found)
        assert (kept.outcome, kept.objective) == (Outcome.STOPPED, 5.0)
        assert kept.bound == -math.inf, "that of another program"
    worse = Answer(Outcome.STOPPED, 6.0, 4.0, 2 * x, none, none)
    assert or_better(begun, lambda: worse).objective == 5.0
    assert or_better(begun, lambda: worse).bound == 4.0
    better = Answer(Outcome.OPTIMAL, 4.0, 4.0, 2 * x, none, none)
    assert or_better(begun, lambda: better) is better

    def stopped() -> Answer:
        raise KeyboardInterrupt

    kept = or_better(begun, stopped)
    assert kept.objective == 5.0 and kept.was_interrupted
    assert or_better(kept, stopped).objective == 5.0, "no search after Ctrl-C"
    with pytest.raises(KeyboardInterrupt):
        or_better(None, stopped)
