"""Why there is no plan: the clash is one, and each change told frees a plan and is the least."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings

from blend.core.build import programme_of
from blend.core.clash import explain_clash
from blend.core.layout import lay_out
from blend.core.solve import solve_linear
from blend.core.solver import Outcome, solve_whole
from blend.core.whole import plan_whole
from blend.domain.case import Case, Settings
from blend.domain.plan import Change, Clash
from blend.domain.requirements import Family, Requirement
from blend.domain.rules import Rule, RuleKind, WholeContainers
from blend.domain.selectors import parse_selector
from tests import strategies
from tests.bench.instances import make_instance
from tests.core.tables import doing_without, with_own_rules, with_value
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


def clashes(case: Case, held: set[Requirement], *, whole: bool) -> bool:
    """Whether there is no plan with nothing asked but the requirements held; the supply of
    all lots is one of them."""
    programme = programme_of(replace(lay_out(case), limits_give=True), whole=whole)
    lower, upper = programme.row_lower.copy(), programme.row_upper.copy()
    for row, asked in enumerate(programme.requirements):
        if asked.family not in (Family.MASS, Family.SUPPLY) and asked not in held:
            lower[row], upper[row] = -np.inf, np.inf
    most = programme.upper.copy()
    if not any(asked.family is Family.SUPPLY for asked in held):
        most[programme.take] = np.inf
    freed = replace(
        programme,
        row_lower=lower,
        row_upper=upper,
        upper=most,
        cost=np.zeros(len(programme.cost)),
        whole=programme.whole & whole,
    )
    answer = solve_whole(freed, gap_share=0.0, time_limit_s=20.0)
    return answer.outcome is Outcome.INFEASIBLE


def assert_clash_holds(case: Case, clash: Clash, *, whole: bool) -> None:
    named = set(clash.requirements)
    assert named
    assert clashes(case, named, whole=whole)
    for asked in named - {asked for asked in named if asked.family is Family.SUPPLY}:
        assert not clashes(case, named - {asked}, whole=whole)
    without_supply = {asked for asked in named if asked.family is not Family.SUPPLY}
    if without_supply != named:
        assert not clashes(case, without_supply, whole=whole)


def assert_changes_free_a_plan(case: Case, clash: Clash, *, whole: bool) -> None:
    for change in clash.changes:
        freed = applied(case, change)
        assert has_plan(freed, whole=whole), change
        if change.total_usd is not None:
            assert cost(freed, whole=whole) == pytest.approx(change.total_usd, rel=1e-3, abs=0.01)
        size = abs(change.becomes - change.was)
        # rounded outward, a change may be a step more than it must be
        if change.unit != "drop" and size > 1.5 * _STEP[change.unit]:
            part = min(0.95, 1 - 1.5 * _STEP[change.unit] / size)
            assert not has_plan(applied(case, change, part=part), whole=whole), change
    if clash.together:
        assert not clash.changes
        assert has_plan(applied(case, *clash.together), whole=whole)


def assert_explained(case: Case, *, whole: bool) -> Clash:
    clash = explain_clash(case, whole=whole)
    assert clash.needs_whole is whole
    assert_clash_holds(case, clash, whole=whole)
    assert_changes_free_a_plan(case, clash, whole=whole)
    return clash


@settings(max_examples=25)
@given(strategies.cases(most_lots=5, most_products=2).map(with_own_rules))
def test_any_clash_of_the_linear_programme_is_explained(case):
    case = replace(case, settings=replace(case.settings, whole_containers=WholeContainers.NO))
    assume(solve_linear(case).outcome is Outcome.INFEASIBLE)
    assert_explained(case, whole=False)


@pytest.mark.parametrize("kind", ["plain", "tight"])
def test_an_instance_asked_for_too_much_is_explained(kind):
    case = make_instance(14, 3, seed=1, kind=kind)
    leanest = max(case.products, key=lambda product: product.target_lean_share)
    greedy = with_value(case, Requirement(Family.VOLUME_MOST, leanest.product_id), 1e6)
    greedy = with_value(greedy, Requirement(Family.VOLUME_LEAST, leanest.product_id), 5e5)
    if leanest.shortfall_usd_per_lb is not None:
        products = tuple(replace(p, shortfall_usd_per_lb=None) for p in greedy.products)
        greedy = replace(greedy, products=products)
    clash = assert_explained(greedy, whole=False)
    assert any(asked.family is Family.VOLUME_LEAST for asked in clash.requirements)


# Worked by hand ---------------------------------------------------------------------------------

FAT = make_lot("fat", 0.50, 0.60, quantity_lb=5_000)
LEAN = make_lot("lean", 0.90, 2.00, quantity_lb=1_000)


def by_family(clash: Clash) -> dict[Family, Change]:
    return {change.requirement.family: change for change in clash.changes}


def test_too_little_lean_is_told_with_every_way_out():
    # 1,000 lb of 90s and 500 of 50s are 76.7 % lean, where 78 % is asked
    product = make_product(0.80, 1_500, tolerance_below_share=0.02, tolerance_above_share=0.02)
    clash = assert_explained(make_case([LEAN, FAT], [product]), whole=False)
    assert set(clash.requirements) == {
        Requirement(Family.LEAN_LEAST, "ground"),
        Requirement(Family.VOLUME_LEAST, "ground"),
        Requirement(Family.SUPPLY, lot_id="lean"),
    }
    changes = by_family(clash)
    assert changes[Family.LEAN_LEAST].becomes == pytest.approx(0.0334)  # from 0.02
    assert changes[Family.LEAN_LEAST].total_usd == pytest.approx(2_000 + 300, rel=1e-3)
    assert changes[Family.SUPPLY].becomes == 1_050  # 1,050 and 450 are 78 %
    assert changes[Family.VOLUME_LEAST].becomes == pytest.approx(1_428)  # 1,000 / 0.70
    assert clash.changes[-1].requirement.family is Family.VOLUME_LEAST


def test_a_change_of_a_share_is_the_least_of_any_volume():
    # 100 lb of 50s must go in; the more is made, the smaller the share they are of it
    must = Rule("must", RuleKind.MUST_USE, lots=parse_selector("lot=fat"), least_lb=500)
    cap = Rule("cap", RuleKind.SHARE, lots=parse_selector("lot=fat"), most_share=0.10)
    product = make_product(
        0.80, 1_000, most_lb=4_000, tolerance_below_share=0.5, tolerance_above_share=0.5
    )
    lean = replace(LEAN, quantity_lb=9_000)
    clash = assert_explained(make_case([FAT, lean], [product], must, cap), whole=False)
    assert by_family(clash)[Family.SHARE_MOST].becomes == pytest.approx(0.125)


def test_two_orders_that_want_one_lot_free_a_plan_only_together():
    first, second = (make_product(0.90, 800, product_id) for product_id in ("first", "second"))
    barred = Rule("barred", RuleKind.MUST_NOT_USE, lots=parse_selector("lot=fat"))
    # no lot for either: each needs its own change
    too_lean = [
        replace(product, target_lean_share=0.95, tolerance_above_share=0.01)
        for product in (first, second)
    ]
    clash = explain_clash(make_case([LEAN, FAT], too_lean, barred), whole=False)
    assert not clash.changes
    assert {change.requirement.product_id for change in clash.together} >= {"first", "second"}
    case = make_case([LEAN, FAT], too_lean, barred)
    assert has_plan(applied(case, *clash.together), whole=False)


def test_no_usable_lot_at_all():
    clash = explain_clash(make_case([], [make_product(0.80, 100)]), whole=False)
    assert Requirement(Family.VOLUME_LEAST, "ground") in clash.requirements
    (change,) = clash.changes
    assert (change.becomes, change.total_usd) == (0.0, pytest.approx(0.0))
    assert clash.kept_out == ()


def test_a_programme_that_no_lot_carries_is_told_and_no_rule_beside_it():
    lots = [make_lot("a", 0.80, 3.0, programmes=frozenset({"grass"}))]
    product = replace(make_product(0.80, 100), programmes=frozenset({"organic"}))
    never = Rule("never", RuleKind.MUST_NOT_USE, (), parse_selector("species=beef"))
    clash = explain_clash(make_case(lots, [product], never), whole=False)
    assert clash.kept_out == (Requirement(Family.MAY_HOLD, "ground"),)


def test_rules_that_leave_no_lot_are_told_and_those_that_could_be_spared_are_not():
    lots = [make_lot("a", 0.80, 3.0, form="frozen"), make_lot("b", 0.80, 3.0)]
    rules = [
        Rule(name, RuleKind.MUST_NOT_USE, (), parse_selector(text))
        for name, text in (("r1", "lot=a"), ("r2", "form=frozen"), ("r3", "form=fresh"))
    ]
    clash = explain_clash(make_case(lots, [make_product(0.80, 100)], *rules), whole=False)
    assert {each.rule_id for each in clash.kept_out} == {"r2", "r3"}
    assert all(each.family is Family.MUST_NOT_USE for each in clash.kept_out)


def test_a_product_that_lots_may_go_into_is_kept_out_of_nothing():
    case = make_case([make_lot("a", 0.80, 3.0, quantity_lb=500)], [make_product(0.80, 1_000)])
    assert explain_clash(case, whole=False).kept_out == ()


# Whole numbers ----------------------------------------------------------------------------------


def whole_case(lots, product, *rules, where=WholeContainers.NO) -> Case:
    return make_case(lots, [product], *rules, settings=Settings(DAY, whole_containers=where))


def test_an_exact_order_that_the_blender_cannot_hold():
    product = make_product(0.80, 1_000, most_lb=1_000, blender_least_lb=600, blender_most_lb=700)
    clash = assert_explained(whole_case([make_lot("only", 0.80, 1.0)], product), whole=True)
    named = {asked.family for asked in clash.requirements}
    assert named in (
        {Family.BATCH_FILL, Family.VOLUME_LEAST},
        {Family.BATCH_FILL, Family.VOLUME_LEAST, Family.VOLUME_MOST},
    )
    changes = by_family(clash)
    assert changes[Family.VOLUME_MOST].becomes == 1_200
    assert changes[Family.VOLUME_LEAST].becomes == 700


def test_whole_containers_that_miss_the_tolerance():
    combos = [
        make_lot("90s", 0.90, 2.0, quantity_lb=6_000, container="combo", container_lb=2_000.0),
        make_lot("50s", 0.50, 0.6, quantity_lb=6_000, container="combo", container_lb=2_000.0),
    ]
    product = make_product(
        0.80, 4_000, most_lb=6_000, tolerance_below_share=0.02, tolerance_above_share=0.02
    )
    case = whole_case(combos, product, where=WholeContainers.PER_PRODUCT)
    clash = assert_explained(case, whole=True)
    # two of 90s and one of 50s are 76.7 %; two of 90s alone 90 %
    assert by_family(clash)[Family.LEAN_LEAST].becomes == pytest.approx(0.0334)


def test_lots_kept_apart_that_only_together_fill_the_order():
    lots = [make_lot(name, 0.80, 1.0, quantity_lb=600, supplier=name) for name in ("a", "b")]
    apart = Rule(
        "apart",
        RuleKind.KEEP_APART,
        lots=parse_selector("supplier=a"),
        against=parse_selector("supplier=b"),
    )
    clash = assert_explained(whole_case(lots, make_product(0.80, 1_000), apart), whole=True)
    assert Requirement(Family.KEEP_APART, "ground", rule_id="apart") in clash.requirements
    assert by_family(clash)[Family.KEEP_APART].unit == "drop"
    assert by_family(clash)[Family.KEEP_APART].total_usd == pytest.approx(1_000.0)


def test_too_few_lots_allowed_to_reach_the_order():
    lots = [make_lot(name, 0.80, 1.0, quantity_lb=400) for name in ("a", "b", "c")]
    most = Rule("most", RuleKind.MOST_LOTS, most_count=1)
    clash = assert_explained(whole_case(lots, make_product(0.80, 1_000), most), whole=True)
    assert by_family(clash)[Family.MOST_LOTS].becomes == 3


def _hard_to_batch(case: Case) -> Case:
    """Exact orders within a wide tolerance, and a blender that is nearly full or not run."""
    products = tuple(
        replace(
            product,
            most_lb=product.least_lb,
            tolerance_below_share=0.3,
            tolerance_above_share=0.3,
            shortfall_usd_per_lb=None,
            blender_least_lb=0.9 * product.blender_most_lb,
        )
        for product in case.products
    )
    return replace(case, products=products)


@settings(max_examples=15, suppress_health_check=[HealthCheck.filter_too_much])
@given(strategies.cases(most_lots=4, most_products=1).map(with_own_rules).map(_hard_to_batch))
def test_any_clash_of_whole_numbers_is_explained(case):
    where = case.settings.whole_containers
    assume(where is not WholeContainers.PER_BATCH)
    case = replace(case, settings=replace(case.settings, gap_share=1e-6, time_limit_s=20.0))
    linear = solve_linear(case)
    assume(linear.outcome is Outcome.OPTIMAL)
    assume(plan_whole(case, linear).outcome is Outcome.INFEASIBLE)
    assert_explained(case, whole=True)


def test_a_lot_without_limit_stays_without_one_where_an_order_gives_way():
    """Meat for nothing by the combo: an order grown to five of them costs nothing either."""
    combo = {"container": "combo", "container_lb": 2_000.0}
    free = make_lot("free", 0.3, 0.0, least_purchase_lb=500.0, **combo)
    dear = make_lot("dear", 0.3, 0.001, **combo)
    product = make_product(0.5, 1, batch_lb=97.0, blender_least_lb=97.0, blender_most_lb=1_112.0)
    case = _hard_to_batch(make_case([free, dear], [product]))
    per_product = replace(case.settings, whole_containers=WholeContainers.PER_PRODUCT)
    clash = assert_explained(replace(case, settings=per_product), whole=True)
    assert any(change.requirement.family is Family.VOLUME_MOST for change in clash.changes)


def test_without_time_everything_asked_is_named_and_nothing_is_promised(monkeypatch):
    monkeypatch.setattr("blend.core.clash._WHOLE_TIME_S", 0.0)
    case = make_case([make_lot("lean", 0.90, 3.0)], [make_product(0.80, 1_000)])
    clash = explain_clash(case, whole=False)
    families = {requirement.family for requirement in clash.requirements}
    assert {Family.LEAN_LEAST, Family.LEAN_MOST, Family.VOLUME_LEAST} <= families
    assert clash.changes == clash.together == ()
