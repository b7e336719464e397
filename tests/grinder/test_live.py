"""Planning again and again while tables are edited: warm answers are those of a cold start."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.desk.live import live_tables
from blend.domain.case import Case
from blend.domain.rules import Loss, Rule, RuleKind
from blend.domain.selectors import parse_selector
from blend.errors import InputRefused
from blend.grinder.live import LiveCase
from blend.model.build import model_of
from blend.model.sets import index_sets
from blend.model.solve import open_linear, solve_linear
from blend.model.solver import Outcome
from tests import strategies
from tests.published.cases import make_case, make_lot, make_product

SAME = {"rel": 1e-7, "abs": 1e-4}


def edit_lot(case: Case, index: int, **more) -> Case:
    lots = list(case.lots)
    lots[index % len(lots)] = replace(lots[index % len(lots)], **more)
    return replace(case, lots=tuple(lots))


def edit_product(case: Case, index: int, **more) -> Case:
    products = list(case.products)
    products[index % len(products)] = replace(products[index % len(products)], **more)
    return replace(case, products=tuple(products))


def cheaper_left_over(case: Case, index: int, price: float) -> Case:
    leftover = min(case.lots[index % len(case.lots)].salvage_value_usd_per_lb, price)
    return edit_lot(case, index, price_usd_per_lb=price, salvage_value_usd_per_lb=leftover)


places = st.integers(0, 7)
edits = st.one_of(
    st.builds(lambda i, p: lambda c: cheaper_left_over(c, i, p), places, strategies.usd(0, 4)),
    st.builds(lambda i, q: lambda c: edit_lot(c, i, quantity_lb=q), places,
              st.none() | strategies.pounds(0, 9_000)),
    st.builds(lambda i, s: lambda c: edit_lot(c, i, lean=s), places,
              strategies.shares(0.3, 0.97)),
    st.builds(lambda i, s: lambda c: edit_product(c, i, tolerance_below_share=s), places,
              strategies.shares(0, 0.2)),
    st.builds(lambda i, s: lambda c: edit_product(c, i, target_lean=s), places,
              strategies.shares(0.5, 0.93)),
    st.builds(lambda i, lb: lambda c: edit_product(c, i, min_lb=lb, max_lb=lb + 500), places,
              strategies.pounds(0, 8_000)),
    st.builds(lambda i: lambda c: edit_product(c, i, shortage_penalty_usd_per_lb=2.0), places),
    st.just(lambda c: replace(c, rules=c.rules[1:])),
    st.just(lambda c: replace(c, lots=c.lots[1:]) if len(c.lots) > 1 else c),
    st.just(lambda c: replace(c, losses=())),
)  # fmt: skip


@pytest.mark.slow
@settings(max_examples=30)
@given(strategies.cases(), st.lists(edits, min_size=1, max_size=6))
def test_a_warm_plan_is_that_of_a_cold_start(case, wanted):
    live = LiveCase()
    for edit in (lambda case: case, *wanted):
        case = edit(case)
        cold = solve_linear(case)
        try:
            plan = live.plan(case)
        except InputRefused:
            assert cold.outcome is Outcome.UNBOUNDED
            continue
        if plan is None:
            assert cold.outcome is Outcome.INFEASIBLE
            continue
        assert cold.outcome is Outcome.OPTIMAL
        assert plan.total_usd == pytest.approx(cold.objective_usd, **SAME)
        assert plan.bound_usd == pytest.approx(plan.total_usd, rel=1e-5, abs=0.05)
        assert plan.bound_usd <= plan.total_usd + 1e-5 * max(1.0, abs(plan.total_usd))


LOTS = (make_lot("lean", 0.90, 3.0, quantity_lb=5_000), make_lot("fat", 0.50, 1.0))
GROUND = make_product(0.70, 1_000, product_id="ground")
CASE = make_case(LOTS, (GROUND,))


def model(case: Case):
    return model_of(index_sets(case.divisible()))


@pytest.mark.parametrize(
    "other",
    [
        make_case((*LOTS, make_lot("more", 0.80, 2.0)), (GROUND,)),
        make_case(LOTS, (GROUND, make_product(0.80, 500, product_id="other"))),
        make_case(LOTS, (replace(GROUND, shortage_penalty_usd_per_lb=1.0),)),
        make_case(LOTS, (GROUND,), Rule("few", RuleKind.SHARE, max_share=0.9)),
        make_case((replace(LOTS[0], lot_id="leaner"), LOTS[1]), (GROUND,)),
    ],
)
def test_another_shape_is_refused_and_nothing_moves(other):
    linear = open_linear(CASE)
    before = linear.solve().objective
    kept = linear.model
    assert not linear.move_to(model(other))
    assert linear.model is kept
    assert linear.solve().objective == pytest.approx(before)


def test_the_same_shape_is_moved_to():
    thaw = Loss("thaw", "thaw", lots=parse_selector("lot=lean"), lean_loss_share=0.1)
    other = make_case(
        (replace(LOTS[0], price_usd_per_lb=2.5, quantity_lb=900.0), LOTS[1]),
        (replace(GROUND, min_lb=800.0, max_lb=GROUND.max_lb),),
        losses=(thaw,),
    )
    linear = open_linear(CASE)
    linear.solve()
    assert linear.move_to(model(other))
    assert linear.solve().objective == pytest.approx(solve_linear(other).objective_usd, **SAME)


def test_no_plan_and_then_one_again():
    live = LiveCase()
    short = edit_lot(CASE, 1, quantity_lb=1.0)  # lots stand in the order of their ids
    assert live.plan(CASE) is not None
    assert live.plan(short) is None
    plan = live.plan(CASE)
    assert plan.total_usd == pytest.approx(solve_linear(CASE).objective_usd)
    assert plan.made_lb == pytest.approx(1_000)
    assert plan.meat_usd_per_lb == pytest.approx(plan.total_usd / 1_000)


def test_nothing_made_has_no_cost_a_pound():
    none = replace(GROUND, min_lb=0.0, max_lb=1_000.0)
    assert LiveCase().plan(make_case(LOTS, (none,))).meat_usd_per_lb is None


def test_what_cannot_be_made_more_of_or_leaner_is_told_instead_of_a_price():
    # 500 lb of 90s and 500 lb of 50s make 1,000 lb of 70s, and nothing is left
    all_used = make_case(
        (replace(LOTS[0], quantity_lb=500.0), replace(LOTS[1], quantity_lb=500.0)), (GROUND,)
    )
    plan = LiveCase().plan(all_used)
    blends, _ = live_tables(plan)
    row = dict(zip((column.name for column in blends.columns), blends.rows[0], strict=True))
    assert row["Next cwt"] == row["One point leaner, whole order"] == "no plan"
