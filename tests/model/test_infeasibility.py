"""Why there is no plan: the subset is infeasible, and each change makes a plan possible and is the
smallest that does."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings

from blend.domain.case import Case, Settings
from blend.domain.plan import Change, InfeasibleSubset
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import Rule, RuleKind, WholeContainers
from blend.domain.selectors import parse_selector
from blend.model.build import model_of
from blend.model.infeasible import explain_infeasibility
from blend.model.sets import index_sets
from blend.model.solve import solve_linear
from blend.model.solver import Outcome, solve_whole
from blend.model.whole import plan_whole
from tests import strategies
from tests.bench.instances import make_instance
from tests.model.tables import doing_without, with_own_rules, with_value
from tests.published.cases import DAY, make_case, make_lot, make_product

_STEP = {"share": 1e-4, "lb": 1.0, "count": 1.0}
"""What changes are rounded to, outward."""


def has_plan(case: Case, *, whole: bool) -> bool:
    return cost(case, whole=whole) < math.inf


def cost(case: Case, *, whole: bool) -> float:
    exact = replace(case, settings=replace(case.settings, gap_share=1e-6, time_limit_s=20.0))
    linear = solve_linear(exact)
    if linear.outcome is not Outcome.OPTIMAL or not whole:
        return linear.objective_usd
    return plan_whole(exact, linear).objective_usd


def applied(case: Case, *changes: Change, part: float = 1.0) -> Case:
    """The tables with the changes made, or only a part of each."""
    for change in changes:
        if change.unit == "drop":
            case = doing_without(case, change.requirement)
        else:
            value = change.was + part * (change.becomes - change.was)
            case = with_value(case, change.requirement, value)
    return case


def is_infeasible_with(case: Case, held: set[Requirement], *, whole: bool) -> bool:
    """Whether there is no plan with nothing asked but the requirements held; the supply of
    all lots is one of them."""
    model = model_of(replace(index_sets(case), limits_give=True), whole=whole)
    lower, upper = model.row_lower.copy(), model.row_upper.copy()
    for row, asked in enumerate(model.requirements):
        if (
            asked.constraint_class not in (ConstraintClass.MASS, ConstraintClass.SUPPLY)
            and asked not in held
        ):
            lower[row], upper[row] = -np.inf, np.inf
    maximum = model.upper.copy()
    if not any(asked.constraint_class is ConstraintClass.SUPPLY for asked in held):
        maximum[model.take] = np.inf
    freed = replace(
        model,
        row_lower=lower,
        row_upper=upper,
        upper=maximum,
        cost=np.zeros(len(model.cost)),
        whole=model.whole & whole,
    )
    answer = solve_whole(freed, gap_share=0.0, time_limit_s=20.0)
    return answer.outcome is Outcome.INFEASIBLE


def assert_irreducible(case: Case, infeasible: InfeasibleSubset, *, whole: bool) -> None:
    named = set(infeasible.requirements)
    assert named
    assert is_infeasible_with(case, named, whole=whole)
    supply = {asked for asked in named if asked.constraint_class is ConstraintClass.SUPPLY}
    for left_out in [{asked} for asked in named - supply] + [supply] * bool(supply):
        assert not is_infeasible_with(case, named - left_out, whole=whole)


def assert_changes_give_a_plan(case: Case, infeasible: InfeasibleSubset, *, whole: bool) -> None:
    for change in infeasible.changes:
        in_whole = whole or change.is_whole
        freed = applied(case, change)
        assert has_plan(freed, whole=in_whole), change
        if change.total_usd is not None:
            assert cost(freed, whole=in_whole) == pytest.approx(
                change.total_usd, rel=1e-3, abs=0.01
            )
        size = abs(change.becomes - change.was)
        # rounded outward, a change may be a step more than it must be
        if change.unit != "drop" and size > 1.5 * _STEP[change.unit]:
            part = min(0.95, 1 - 1.5 * _STEP[change.unit] / size)
            assert not has_plan(applied(case, change, part=part), whole=in_whole), change
    if infeasible.together:
        assert not infeasible.changes
        assert has_plan(applied(case, *infeasible.together), whole=whole)


def assert_explained(case: Case, *, whole: bool) -> InfeasibleSubset:
    infeasible = explain_infeasibility(case, whole=whole)
    assert infeasible.needs_whole is whole
    assert_irreducible(case, infeasible, whole=whole)
    assert_changes_give_a_plan(case, infeasible, whole=whole)
    return infeasible


@settings(max_examples=25)
@given(strategies.cases(max_lots=5, max_products=2).map(with_own_rules))
def test_any_infeasible_linear_model_is_explained(case):
    case = replace(case, settings=replace(case.settings, whole_containers=WholeContainers.NO))
    assume(solve_linear(case).outcome is Outcome.INFEASIBLE)
    assert_explained(case, whole=False)


@pytest.mark.parametrize("kind", ["plain", pytest.param("tight", marks=pytest.mark.slow)])
def test_an_instance_with_too_large_an_order_is_explained(kind):
    case = make_instance(14, 3, seed=1, kind=kind)
    leanest = max(case.products, key=lambda product: product.target_lean)
    greedy = with_value(case, Requirement(ConstraintClass.VOLUME_MAX, leanest.product_id), 1e6)
    greedy = with_value(greedy, Requirement(ConstraintClass.VOLUME_MIN, leanest.product_id), 5e5)
    if leanest.shortage_penalty_usd_per_lb is not None:
        products = tuple(replace(p, shortage_penalty_usd_per_lb=None) for p in greedy.products)
        greedy = replace(greedy, products=products)
    infeasible = assert_explained(greedy, whole=False)
    assert any(
        asked.constraint_class is ConstraintClass.VOLUME_MIN for asked in infeasible.requirements
    )


# Worked by hand ---------------------------------------------------------------------------------

FAT = make_lot("fat", 0.50, 0.60, quantity_lb=5_000)
LEAN = make_lot("lean", 0.90, 2.00, quantity_lb=1_000)


def by_constraint_class(infeasible: InfeasibleSubset) -> dict[ConstraintClass, Change]:
    return {change.requirement.constraint_class: change for change in infeasible.changes}


def test_too_little_lean_is_reported_with_every_way_out():
    # 1,000 lb of 90s and 500 of 50s are 76.7% lean, where 78% is asked
    product = make_product(0.80, 1_500, tolerance_below_share=0.02, tolerance_above_share=0.02)
    infeasible = assert_explained(make_case([LEAN, FAT], [product]), whole=False)
    assert set(infeasible.requirements) == {
        Requirement(ConstraintClass.LEAN_MIN, "ground"),
        Requirement(ConstraintClass.VOLUME_MIN, "ground"),
        Requirement(ConstraintClass.SUPPLY, lot_id="lean"),
    }
    changes = by_constraint_class(infeasible)
    assert changes[ConstraintClass.LEAN_MIN].becomes == pytest.approx(0.0334)  # from 0.02
    assert changes[ConstraintClass.LEAN_MIN].total_usd == pytest.approx(2_000 + 300, rel=1e-3)
    assert changes[ConstraintClass.SUPPLY].becomes == 1_050  # 1,050 and 450 are 78%
    assert changes[ConstraintClass.VOLUME_MIN].becomes == pytest.approx(1_428)  # 1,000 / 0.70
    assert infeasible.changes[-1].requirement.constraint_class is ConstraintClass.VOLUME_MIN


def test_a_change_of_a_share_is_the_min_of_any_volume():
    # 100 lb of 50s must go in; the more is made, the smaller the share they are of it
    must = Rule("must", RuleKind.MUST_USE, lots=parse_selector("lot=fat"), min_lb=500)
    cap = Rule("cap", RuleKind.SHARE, lots=parse_selector("lot=fat"), max_share=0.10)
    product = make_product(
        0.80, 1_000, max_lb=4_000, tolerance_below_share=0.5, tolerance_above_share=0.5
    )
    lean = replace(LEAN, quantity_lb=9_000)
    infeasible = assert_explained(make_case([FAT, lean], [product], must, cap), whole=False)
    assert by_constraint_class(infeasible)[ConstraintClass.SHARE_MAX].becomes == pytest.approx(
        0.125
    )


def test_two_orders_without_a_lot_change_together():
    first, second = (make_product(0.90, 800, product_id) for product_id in ("first", "second"))
    barred = Rule("barred", RuleKind.MUST_NOT_USE, lots=parse_selector("lot=fat"))
    # no lot for either: each needs its own change
    too_lean = [
        replace(product, target_lean=0.95, tolerance_above_share=0.01)
        for product in (first, second)
    ]
    infeasible = explain_infeasibility(make_case([LEAN, FAT], too_lean, barred), whole=False)
    assert not infeasible.changes
    assert {change.requirement.product_id for change in infeasible.together} >= {"first", "second"}
    case = make_case([LEAN, FAT], too_lean, barred)
    assert has_plan(applied(case, *infeasible.together), whole=False)


def test_no_usable_lot_at_all():
    infeasible = explain_infeasibility(make_case([], [make_product(0.80, 100)]), whole=False)
    assert Requirement(ConstraintClass.VOLUME_MIN, "ground") in infeasible.requirements
    (change,) = infeasible.changes
    assert (change.becomes, change.total_usd) == (0.0, pytest.approx(0.0))
    assert infeasible.kept_out == ()


def test_a_claim_that_no_lot_carries_is_reported_without_other_rules():
    lots = [make_lot("a", 0.80, 3.0, label_claims=frozenset({"grass"}))]
    product = replace(make_product(0.80, 100), label_claims=frozenset({"organic"}))
    never = Rule("never", RuleKind.MUST_NOT_USE, (), parse_selector("species=beef"))
    infeasible = explain_infeasibility(make_case(lots, [product], never), whole=False)
    assert infeasible.kept_out == (Requirement(ConstraintClass.MAY_HOLD, "ground"),)


def test_rules_that_leave_no_lot_are_reported_without_redundant_ones():
    lots = [make_lot("a", 0.80, 3.0, fresh_or_frozen="frozen"), make_lot("b", 0.80, 3.0)]
    rules = [
        Rule(name, RuleKind.MUST_NOT_USE, (), parse_selector(text))
        for name, text in (
            ("r1", "lot=a"),
            ("r2", "fresh_or_frozen=frozen"),
            ("r3", "fresh_or_frozen=fresh"),
        )
    ]
    infeasible = explain_infeasibility(
        make_case(lots, [make_product(0.80, 100)], *rules), whole=False
    )
    assert {each.rule_id for each in infeasible.kept_out} == {"r2", "r3"}
    assert all(
        each.constraint_class is ConstraintClass.MUST_NOT_USE for each in infeasible.kept_out
    )


def test_a_product_that_lots_may_go_into_is_kept_out_of_nothing():
    case = make_case([make_lot("a", 0.80, 3.0, quantity_lb=500)], [make_product(0.80, 1_000)])
    assert explain_infeasibility(case, whole=False).kept_out == ()


# Whole numbers ----------------------------------------------------------------------------------


def whole_case(lots, product, *rules, where=WholeContainers.NO) -> Case:
    return make_case(lots, [product], *rules, settings=Settings(DAY, whole_containers=where))


def test_an_exact_order_that_the_blender_cannot_hold():
    product = make_product(0.80, 1_000, max_lb=1_000, blender_min_lb=600, blender_max_lb=700)
    infeasible = assert_explained(whole_case([make_lot("only", 0.80, 1.0)], product), whole=True)
    named = {asked.constraint_class for asked in infeasible.requirements}
    assert named in (
        {ConstraintClass.BATCH_FILL, ConstraintClass.VOLUME_MIN},
        {ConstraintClass.BATCH_FILL, ConstraintClass.VOLUME_MIN, ConstraintClass.VOLUME_MAX},
    )
    changes = by_constraint_class(infeasible)
    assert changes[ConstraintClass.VOLUME_MAX].becomes == 1_200
    assert changes[ConstraintClass.VOLUME_MIN].becomes == 700


def test_whole_containers_that_miss_the_tolerance():
    combos = [
        make_lot("90s", 0.90, 2.0, quantity_lb=6_000, container="combo", container_lb=2_000.0),
        make_lot("50s", 0.50, 0.6, quantity_lb=6_000, container="combo", container_lb=2_000.0),
    ]
    product = make_product(
        0.80, 4_000, max_lb=6_000, tolerance_below_share=0.02, tolerance_above_share=0.02
    )
    case = whole_case(combos, product, where=WholeContainers.PER_PRODUCT)
    infeasible = assert_explained(case, whole=True)
    # two of 90s and one of 50s are 76.7%; two of 90s alone 90%
    assert by_constraint_class(infeasible)[ConstraintClass.LEAN_MIN].becomes == pytest.approx(
        0.0334
    )


def test_lots_kept_apart_that_only_together_fill_the_order():
    lots = [make_lot(name, 0.80, 1.0, quantity_lb=600, supplier=name) for name in ("a", "b")]
    apart = Rule(
        "apart",
        RuleKind.KEEP_APART,
        lots=parse_selector("supplier=a"),
        against=parse_selector("supplier=b"),
    )
    infeasible = assert_explained(whole_case(lots, make_product(0.80, 1_000), apart), whole=True)
    assert (
        Requirement(ConstraintClass.KEEP_APART, "ground", rule_id="apart")
        in infeasible.requirements
    )
    assert by_constraint_class(infeasible)[ConstraintClass.KEEP_APART].unit == "drop"
    assert by_constraint_class(infeasible)[ConstraintClass.KEEP_APART].total_usd == pytest.approx(
        1_000.0
    )


def test_too_few_lots_allowed_to_reach_the_order():
    lots = [make_lot(name, 0.80, 1.0, quantity_lb=400) for name in ("a", "b", "c")]
    maximum = Rule("maximum", RuleKind.MAX_LOTS, max_count=1)
    infeasible = assert_explained(whole_case(lots, make_product(0.80, 1_000), maximum), whole=True)
    assert by_constraint_class(infeasible)[ConstraintClass.MAX_LOTS].becomes == 3


def _hard_to_batch(case: Case) -> Case:
    """Exact orders within a wide tolerance, and a blender that is nearly full or not run."""
    products = tuple(
        replace(
            product,
            max_lb=product.min_lb,
            tolerance_below_share=0.3,
            tolerance_above_share=0.3,
            shortage_penalty_usd_per_lb=None,
            blender_min_lb=0.9 * product.blender_max_lb,
        )
        for product in case.products
    )
    return replace(case, products=products)


@settings(max_examples=15, suppress_health_check=[HealthCheck.filter_too_much])
@given(strategies.cases(max_lots=4, max_products=1).map(with_own_rules).map(_hard_to_batch))
def test_any_infeasible_whole_numbers_is_explained(case):
    where = case.settings.whole_containers
    assume(where is not WholeContainers.PER_BATCH)
    case = replace(case, settings=replace(case.settings, gap_share=1e-6, time_limit_s=20.0))
    linear = solve_linear(case)
    assume(linear.outcome is Outcome.OPTIMAL)
    assume(plan_whole(case, linear).outcome is Outcome.INFEASIBLE)
    assert_explained(case, whole=True)


def test_a_lot_without_limit_stays_unlimited_where_an_order_changes():
    """Meat for nothing by the combo: an order grown to five of them costs nothing either."""
    combo = {"container": "combo", "container_lb": 2_000.0}
    free = make_lot("free", 0.3, 0.0, min_purchase_lb=500.0, **combo)
    dear = make_lot("dear", 0.3, 0.001, **combo)
    product = make_product(0.5, 1, batch_lb=97.0, blender_min_lb=97.0, blender_max_lb=1_112.0)
    case = _hard_to_batch(make_case([free, dear], [product]))
    per_product = replace(case.settings, whole_containers=WholeContainers.PER_PRODUCT)
    infeasible = assert_explained(replace(case, settings=per_product), whole=True)
    assert any(
        change.requirement.constraint_class is ConstraintClass.VOLUME_MAX
        for change in infeasible.changes
    )


def test_without_time_everything_required_is_named_and_no_change(monkeypatch):
    monkeypatch.setattr("blend.model.infeasible._WHOLE_TIME_S", 0.0)
    case = make_case([make_lot("lean", 0.90, 3.0)], [make_product(0.80, 1_000)])
    infeasible = explain_infeasibility(case, whole=False)
    constraint_classes = {requirement.constraint_class for requirement in infeasible.requirements}
    assert {
        ConstraintClass.LEAN_MIN,
        ConstraintClass.LEAN_MAX,
        ConstraintClass.VOLUME_MIN,
    } <= constraint_classes
    assert infeasible.changes == infeasible.together == ()
