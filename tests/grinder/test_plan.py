"""Today's plan as a whole: rounded, certified, and refused with a reason where there is none."""

from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
import textwrap
from dataclasses import replace

import pytest
from hypothesis import assume, given, settings

from blend.domain.case import Case, Settings
from blend.domain.plan import Plan, Verdict
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import Rule, RuleKind, WholeContainers, kept_per_lb
from blend.domain.selectors import parse_selector
from blend.errors import InputRefused, NoPlan, SolverTrouble
from blend.grinder.plan import make_plan
from tests import strategies
from tests.bench.instances import make_instance
from tests.published.cases import DAY, make_case, make_lot, make_product

LEAN = make_lot("lean", 0.90, 2.00, quantity_lb=6_000, container="combo", container_lb=2_000.0)
FAT = make_lot("fat", 0.50, 0.60, quantity_lb=6_000, container="combo", container_lb=2_000.0)
GROUND = make_product(
    0.80,
    3_000,
    max_lb=3_000,
    tolerance_below_share=0.01,
    tolerance_above_share=0.01,
    blender_min_lb=500.0,
    blender_max_lb=1_100.0,
)


def settled(where: WholeContainers = WholeContainers.NO, **more) -> Settings:
    return Settings(plan_on=DAY, whole_containers=where, **{"time_limit_s": 20.0, **more})


def is_whole(pounds: float) -> bool:
    return abs(pounds - round(pounds)) < 1e-6


def counted_by_hand(case: Case, plan: Plan) -> float:
    """Total USD of the rounded plan, straight from its pounds."""
    used = {lot.lot_id: 0.0 for lot in case.lots}
    sold = 0.0
    for run in plan.runs:
        product = case.product(run.product_id)
        for ingredient in run.ingredients:
            lot = case.lot(ingredient.lot_id)
            lb = ingredient.pounds_lb * run.batches
            used[lot.lot_id] += lb
            sold += product.sale_usd_per_lb * lb * sum(kept_per_lb(lot, product, case.losses))
    total = -sold
    for take in plan.takes:
        lot = case.lot(take.lot_id)
        total += take.pounds_lb * lot.delivered_usd_per_lb
        total -= (take.pounds_lb - used[lot.lot_id]) * lot.salvage_value_usd_per_lb
    for product_id, lb in plan.shortage_lb.items():
        total += lb * case.product(product_id).shortage_penalty_usd_per_lb
    return total


def assert_plan_is_good(case: Case, plan: Plan) -> None:
    broken = [check for check in plan.certificate.checks if check.verdict is Verdict.BROKEN]
    assert not broken
    assert plan.certificate.is_valid
    where = case.settings.whole_containers
    for take in plan.takes:
        lot = case.lot(take.lot_id)
        assert 0 < take.pounds_lb <= lot.max_lb + 1e-6
        assert take.used_lb <= take.pounds_lb + 1e-6
        if where is not WholeContainers.NO and lot.container_lb is not None:
            assert take.pounds_lb == take.containers * lot.container_lb
        elif math.isinf(lot.max_lb) or take.pounds_lb < lot.max_lb:
            assert is_whole(take.pounds_lb)
    for run in plan.runs:
        assert run.batches >= 1
        assert all(is_whole(each.pounds_lb) for each in run.ingredients)
        assert all(each.pounds_lb > 0 for each in run.ingredients)
    assert plan.money.total_usd == pytest.approx(counted_by_hand(case, plan), rel=1e-9, abs=1e-6)
    bound = plan.certificate.bound
    assert bound.bound_usd <= bound.objective_usd + 1e-6 * max(1.0, abs(bound.objective_usd))


def _of_the_trade(case: Case) -> Case:
    """Orders and batches of hundreds of pounds, for which whole pounds are fine enough."""
    products = tuple(
        replace(
            product,
            min_lb=100.0 * round(product.min_lb / 200),
            max_lb=None if product.max_lb is None else 100.0 * round(product.max_lb / 200) + 200,
            batch_lb=product.blender_max_lb,
            tolerance_below_share=product.tolerance_below_share + 0.002,
            tolerance_above_share=product.tolerance_above_share + 0.002,
        )
        for product in case.products
    )
    quick = replace(case.settings, gap_share=0.01, time_limit_s=10.0)
    return replace(case, products=products, settings=quick)


@settings(max_examples=60)
@given(strategies.cases(max_lots=6, max_products=2).map(_of_the_trade))
def test_any_plan_keeps_every_requirement_in_whole_pounds(case):
    try:
        plan = make_plan(case, shadow_prices=False)
    except (NoPlan, InputRefused):
        assume(False)
    assert_plan_is_good(case, plan)


@pytest.mark.parametrize(
    ("lots", "products", "seed", "where"),
    [
        *((10, 2, 3, where) for where in WholeContainers if where is not WholeContainers.PER_BATCH),
        (5, 1, 4, WholeContainers.PER_BATCH),
    ],
)
@pytest.mark.parametrize("kind", ["plain", "tight"])
def test_plans_of_instances_in_every_container_mode(kind, lots, products, seed, where):
    case = make_instance(lots, products, seed=seed, kind=kind, whole=where)
    case = replace(case, settings=replace(case.settings, gap_share=0.01, time_limit_s=20.0))
    plan = make_plan(case)
    assert_plan_is_good(case, plan)
    assert len(plan.break_evens) == len(case.usable_lots())
    assert len(plan.marginal_costs) == len(case.products)
    assert plan.stopped_early or plan.certificate.bound.gap_share <= 0.011


# Worked by hand ---------------------------------------------------------------------------------


def recipe(plan: Plan) -> dict[str, float]:
    (run,) = plan.runs
    return {each.lot_id: each.pounds_lb for each in run.ingredients}


def test_a_plan_worked_by_hand():
    plan = make_plan(make_case([LEAN, FAT], [GROUND], settings=settled()))
    (run,) = plan.runs
    # 79% lean: 29/40 of 90s; three batches of 1,000 lb
    assert run.batches == 3
    assert recipe(plan) == {"lean": 725, "fat": 275}
    assert run.finished_lb == 1_000
    assert run.lean == pytest.approx(0.79)
    assert plan.money.total_usd == pytest.approx(3 * (725 * 2.00 + 275 * 0.60))
    assert plan.certificate.bound.gap_share < 1e-9


def test_takes_are_whole_containers_and_the_rest_is_left_over():
    case = make_case([LEAN, FAT], [GROUND], settings=settled(WholeContainers.TAKEN))
    takes = {take.lot_id: take for take in make_plan(case).takes}
    assert (takes["lean"].containers, takes["lean"].pounds_lb) == (2, 4_000)
    assert takes["lean"].leftover_lb == pytest.approx(4_000 - takes["lean"].used_lb)


def test_batches_may_differ_only_where_asked():
    block = replace(FAT, container="block", container_lb=500.0, quantity_lb=1_000.0)
    lean = make_lot("lean", 0.92, 2.00)
    order = replace(
        GROUND,
        min_lb=2_000.0,
        max_lb=2_000.0,
        tolerance_below_share=0.12,
        tolerance_above_share=0.12,
    )
    # one and a half blocks a batch would be best for 80%: one batch takes one, one takes two
    must = Rule("stock", RuleKind.MUST_USE, lots=parse_selector("lot=fat"), min_lb=500.0)
    case = make_case([lean, block], [order], must, settings=settled(WholeContainers.PER_BATCH))
    plan = make_plan(case)
    assert_plan_is_good(case, plan)
    assert sum(run.batches for run in plan.runs) == 2
    equal = Rule("equal", RuleKind.EQUAL_RECIPE)
    same = make_plan(replace(case, rules=(must, equal)))
    assert len(same.runs) == 1
    assert same.money.total_usd >= plan.money.total_usd - 1e-6


def test_nothing_ordered_gives_an_empty_plan_that_costs_nothing():
    plan = make_plan(make_case([LEAN], [replace(GROUND, min_lb=0.0)], settings=settled()))
    assert (plan.takes, plan.runs, plan.shortage_lb) == ((), (), {})
    assert plan.money.total_usd == 0
    assert plan.money.usd_per_finished_lb is None
    assert plan.certificate.is_valid


@pytest.mark.parametrize("lean", [0.79, 0.81])
def test_a_single_lot_exactly_at_the_edge_of_the_tolerance(lean):
    case = make_case([make_lot("only", lean, 1.50)], [GROUND], settings=settled())
    plan = make_plan(case)
    assert recipe(plan) == {"only": 1_000}
    assert_plan_is_good(case, plan)
    a_hair = 1e-4 if lean > 0.80 else -1e-4
    outside = make_lot("only", lean + a_hair, 1.50)
    with pytest.raises(NoPlan):
        make_plan(make_case([outside], [GROUND], settings=settled()))


def test_an_order_that_falls_short_pays_for_it():
    short = replace(GROUND, shortage_penalty_usd_per_lb=5.0)
    lean = replace(LEAN, quantity_lb=1_450.0, container="loose", container_lb=None)
    case = make_case([lean, FAT], [short], settings=settled())
    plan = make_plan(case)
    assert plan.shortage_lb == {"ground": pytest.approx(1_000, abs=2)}
    assert plan.money.shortage_penalty_usd == pytest.approx(5 * plan.shortage_lb["ground"])
    assert_plan_is_good(case, plan)


def test_equal_costs_give_the_same_plan_in_any_order_of_rows():
    twins = [make_lot(f"twin {n}", 0.80, 1.50, quantity_lb=700) for n in range(6)]
    plan = make_plan(make_case(twins, [GROUND], settings=settled()))
    assert make_plan(make_case(twins[::-1], [GROUND], settings=settled())) == plan
    assert make_plan(make_case(twins, [GROUND], settings=settled())) == plan


# No plan, no end, no time -----------------------------------------------------------------------


def test_money_without_end_is_refused_by_the_product_and_the_lot():
    endless = make_lot("endless", 0.80, 1.00)
    sold = replace(GROUND, max_lb=None, sale_usd_per_lb=2.00)
    with pytest.raises(InputRefused) as refused:
        make_plan(make_case([endless, FAT], [sold], settings=settled()))
    read = [problem.value for problem in refused.value.problems]
    assert any("ground" in text for text in read)
    assert any("endless" in text for text in read)
    assert not any("fat" in text for text in read)


def test_no_usable_lot_tells_a_infeasible():
    gone = replace(LEAN, quantity_lb=0.0)
    with pytest.raises(NoPlan) as none:
        make_plan(make_case([gone], [GROUND], settings=settled()))
    assert {asked.constraint_class for asked in none.value.infeasible.requirements} == {
        ConstraintClass.VOLUME_MIN
    }


def test_whole_numbers_that_rule_out_every_plan_tell_so():
    odd = replace(GROUND, min_lb=1_300.0, max_lb=1_300.0, blender_min_lb=1_000.0)
    with pytest.raises(NoPlan) as none:
        make_plan(make_case([make_lot("only", 0.80, 1.5)], [odd], settings=settled()))
    assert none.value.infeasible.needs_whole


HARD = replace(
    make_instance(40, 6, seed=2, kind="tight", whole=WholeContainers.PER_PRODUCT),
    settings=Settings(
        plan_on=strategies.DAY,
        whole_containers=WholeContainers.PER_PRODUCT,
        gap_share=0.0,
        time_limit_s=3.0,
    ),
)


def test_a_short_time_limit_gives_the_best_plan_so_far_or_says_what_to_do():
    hurried = replace(HARD, settings=replace(HARD.settings, time_limit_s=1e-3))
    try:
        plan = make_plan(hurried, shadow_prices=False)
    except SolverTrouble as trouble:
        assert "time_limit_s" in str(trouble)
    else:
        assert plan.stopped_early
        assert_plan_is_good(hurried, plan)


@pytest.mark.slow
def test_the_best_plan_so_far_comes_with_its_gap():
    plan = make_plan(HARD, shadow_prices=False)
    assert plan.stopped_early
    assert plan.certificate.bound.gap_usd > 0
    assert_plan_is_good(HARD, plan)


@pytest.mark.slow
def test_thousands_of_lots_without_shadow_prices():
    case = make_instance(2_000, 10, seed=1)
    plan = make_plan(case, shadow_prices=False)
    assert_plan_is_good(case, plan)
    assert plan.marginal_costs == plan.shadow_prices == plan.break_evens == ()


_SEARCH = """
    import sys
    from blend.grinder.plan import make_plan
    from tests.grinder.test_plan import HARD
    from dataclasses import replace

    case = replace(HARD, settings=replace(HARD.settings, time_limit_s=120.0))

    def say(text):
        print(text, flush=True)

    plan = make_plan(case, shadow_prices=False, progress=say)
    print("stopped early" if plan.stopped_early else "finished", flush=True)
    print("sound" if plan.certificate.is_valid else "broken", flush=True)
"""


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="sends an interrupt as POSIX terminals do")
def test_an_interrupted_search_keeps_the_best_plan():
    search = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(_SEARCH)], stdout=subprocess.PIPE, text=True
    )
    try:
        for line in search.stdout:
            if line.startswith("best plan so far"):
                search.send_signal(signal.SIGINT)
                break
        rest, _ = search.communicate(timeout=60)
    finally:
        search.kill()
    assert search.returncode == 0
    assert "stopped early\nsound" in rest


def test_one_search_does_not_wait_for_another():
    """As when the desk starts a new plan while the old one is still stopping."""
    told, within = [], []

    def stopped():
        if not within and any(text.startswith("best plan so far") for text in told):
            small = make_case([LEAN, FAT], [GROUND], settings=settled())
            within.append(make_plan(small, shadow_prices=False))
        return bool(within)

    case = replace(HARD, settings=replace(HARD.settings, time_limit_s=60.0))
    plan = make_plan(case, shadow_prices=False, progress=told.append, stopped=stopped)
    assert within and within[0].certificate.is_valid
    assert plan.stopped_early and plan.certificate.is_valid
