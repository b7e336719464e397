"""Days at the edges: a valid certificate and tables that add up, or a refusal in clear words."""

from __future__ import annotations

import time
from dataclasses import replace
from random import Random

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from blend.cli import main
from blend.domain.case import Case
from blend.domain.plan import Verdict
from blend.domain.rules import WholeContainers
from blend.errors import InputRefused, NoPlan, SolverTrouble
from blend.grinder.no_plan import broken_lines, infeasible_lines
from blend.grinder.plan import make_plan
from blend.model.sets import MAX_BATCHES
from tests.attack.edges import check_shown, lot, planned, product, read, shown_text
from tests.attack.mutations import write_csvs
from tests.attack.small import small_grids
from tests.bench.instances import make_instance
from tests.strategies import as_read, cases

MILLIONS = 10_000_000.0
DEAREST = 1_000_000.0
"""The most that a price may be, USD, a hundredweight or a pound."""


# Large and small ------------------------------------------------------------------------------


@pytest.mark.parametrize("order", [7, 100, MILLIONS])
@pytest.mark.parametrize("whole", ["no", "taken", "per_product"])
def test_orders_of_any_size_are_planned(order: float, whole: str):
    lots = [lot("fat", 0.5, 90, 10 * order), lot("lean", 0.9, 350, 10 * order)]
    case = read(lots, [product("p", 0.8, order, 2 * order)], whole_containers=whole)
    plan = planned(case)
    made = sum(run.batches * run.finished_lb for run in plan.runs)
    assert order <= made <= 2 * order


@pytest.mark.parametrize("container_lb", [1, 60, 2000])
def test_ten_million_pounds_in_whole_containers_are_planned(container_lb: float):
    boxes = {"container": "box", "container_lb": container_lb}
    there_lb = MILLIONS // container_lb * container_lb
    lots = [lot("fat", 0.5, 90, there_lb, **boxes), lot("lean", 0.9, 350, there_lb, **boxes)]
    planned(read(lots, [product("p", 0.8, MILLIONS)], whole_containers="taken"))


@pytest.mark.parametrize("fat", [0, DEAREST])
@pytest.mark.parametrize("lean", [0, DEAREST])
@pytest.mark.parametrize("quantity", [100_000, MILLIONS])
def test_free_meat_and_priceless_meat_are_planned(fat, lean, quantity):
    lots = [lot("fat", 0.5, fat, quantity), lot("lean", 0.9, lean, quantity)]
    plan = planned(read(lots, [product("p", 0.8, quantity / 2)]))
    min_usd = quantity / 2 * min(fat, lean) / 100
    assert plan.money.total_usd >= min_usd * (1 - 1e-9)


def test_expensive_meat_stays_whole_in_rounding():
    """A lot that is not split stays whole in rounding, whatever its price."""
    lots = [
        lot("whole", 0.5, 1e6, 1999, price_unit="usd_per_lb", must_take_all="yes"),
        lot("lean", 0.9, 350, 20_000),
    ]
    (take, *_) = [
        take
        for take in planned(read(lots, [product("p", 0.805, 2600, 2601)])).takes
        if take.lot_id == "whole"
    ]
    assert take.pounds_lb == 1999


@pytest.mark.parametrize("target", [0, 0.5, 1])
@pytest.mark.parametrize("tolerance", [0, 0.01])
def test_lean_of_nothing_and_of_all(target: float, tolerance: float):
    lots = [lot("fat", 0, 20, 50_000), lot("lean", 1, 400, 50_000)]
    more = {
        "tolerance_below_points": 100 * tolerance if target else 0,
        "tolerance_above_points": 100 * tolerance if target < 1 else 0,
    }
    plan = planned(read(lots, [product("p", target, 9_000, **more)]))
    (run,) = plan.runs
    assert abs(run.lean - target) <= tolerance + 1e-12


def test_min_may_be_the_max():
    lots = [lot("fat", 0.5, 90, 50_000), lot("lean", 0.9, 350, 50_000)]
    (run,) = planned(read(lots, [product("p", 0.8, 9_000, 9_000)])).runs
    assert run.batches * run.finished_lb == 9_000


def test_one_lot_one_product():
    case = read([lot("only", 0.8, 200, 9_000)], [product("p", 0.8, 9_000, 9_000)])
    plan = planned(case)
    assert [(take.lot_id, take.pounds_lb) for take in plan.takes] == [("only", 9_000)]
    wrong = read([lot("only", 0.7, 200, 9_000)], [product("p", 0.8, 9_000, 9_000)])
    with pytest.raises(NoPlan) as no_plan:
        make_plan(wrong)
    assert any("p" in line for line in infeasible_lines(no_plan.value.infeasible, wrong))


@pytest.mark.parametrize("empty", ["lots", "products", "rules", "losses", "settings"])
@pytest.mark.parametrize("command", ["check", "plan"])
def test_empty_tables_are_refused_where_they_are_needed(empty: str, command: str, tmp_path):
    grids = {name: small_grids()[name] for name in ("lots", "products", "losses", "settings")}
    grids["rules"] = small_grids()["rules"][:1]
    grids[empty] = grids[empty][:1]
    write_csvs(grids, tmp_path / "case")
    more = ("--no-workbook", "--no-break-even") if command == "plan" else ()
    result = CliRunner().invoke(main, [command, str(tmp_path / "case"), *more])
    if empty in ("rules", "losses"):
        assert result.exit_code == 0, result.output
    else:
        assert result.exit_code == 2
        assert f"{empty}.csv" in result.stderr


# Finer than a pound ---------------------------------------------------------------------------


@pytest.mark.parametrize("order", [1_001, 9_001, 123_457])
def test_a_target_that_no_whole_pounds_hit_is_met_within_rounding(order: int):
    lots = [lot("fat", 0.5037, 90, 1e6), lot("lean", 0.9019, 350, 1e6)]
    exact = {"tolerance_below_points": 0, "tolerance_above_points": 0}
    plan = planned(read(lots, [product("p", 0.8, order, order, **exact)]))
    verdicts = {check.verdict for check in plan.certificate.checks}
    assert Verdict.MET in verdicts and len(verdicts) > 1


def test_a_container_short_of_whole_by_a_hair_is_no_container():
    """Sixty-six combos of fat to one of lean, but for a thousandth of a pound: none is made."""
    box = {"container": "combo", "container_lb": 2000}
    lots = [lot("fat", 0, 0, None, **box), lot("lean", 0.333333, 0, None, **box)]
    exact = {
        "tolerance_below_points": 0,
        "tolerance_above_points": 0,
        "shortage_penalty_usd_per_lb": 5,
    }
    blender = {"blender_min_lb": 0, "batch_lb": 5e4, "blender_max_lb": 1e5}
    losses = [{"loss_id": "loss", "step": "thaw", "lean_loss_share": 0, "fat_loss_share": 0.99}]
    order = product("p", 0.333333, 1e4, 1e4, **exact, **blender)
    plan = planned(read(lots, [order], losses=losses, whole_containers="per_batch", gap_share=0))
    assert plan.shortage_lb == {"p": 10_000}


def test_a_shortage_is_stated_to_the_last_digit():
    """Ten batches of whole combos make a shade less than is ordered; there is no rounding."""
    box = {"container": "combo", "container_lb": 2000}
    lots = [lot("fat", 0, 0, None, **box), lot("lean", 0.333333, 0, None, **box)]
    exact = {
        "tolerance_below_points": 0,
        "tolerance_above_points": 1e-4,
        "shortage_penalty_usd_per_lb": 5,
    }
    blender = {"blender_min_lb": 1, "batch_lb": 1000, "blender_max_lb": 2000}
    losses = [{"loss_id": "loss", "step": "thaw", "lean_loss_share": 0, "fat_loss_share": 0.99}]
    order = product("p", 0.333333, 1e4, 1e4, **exact, **blender)
    plan = planned(read(lots, [order], losses=losses, whole_containers="per_batch", gap_share=0))
    assert plan.shortage_lb["p"] == pytest.approx(0.0033, abs=1e-6)


def test_traces_that_balance_each_other_are_left_out_together():
    """A third of a pound of fat a batch evens out three pounds of lean, a fifth of a pound of lean
    sixty-six of fat: without the one the other goes too."""
    exact = {"tolerance_below_points": 0, "tolerance_above_points": 0}
    lots = [lot("even", 0.8, 0, None), lot("fat", 0, 0, 1), lot("lean", 0.9, 0, 2000)]
    blender = {"batch_lb": 4000, "blender_min_lb": 2000, "blender_max_lb": 5000}
    planned(read(lots, [product("p", 0.8, 10_000, 10_000, **exact, **blender)], gap_share=0))
    lots = [lot("even", 0.001, 0, None), lot("lean", 0.333333, 0, 2000), lot("fat", 0, 0, 1e6)]
    blender = {"batch_lb": 1000, "blender_max_lb": 2000}
    planned(read(lots, [product("p", 0.001, MILLIONS, MILLIONS, **exact, **blender)], gap_share=0))


def test_a_batch_of_a_pound_from_a_hundred_is_weighed():
    """Most lean is lost, so that pounds far from the relaxation's make the batch."""
    lots = [lot("third", 1 / 3, 0, None), lot("lean", 0.999, 350, None)]
    losses = [{"loss_id": "trim", "step": "trimming", "lean_loss_share": 0.99}]
    planned(read(lots, [product("p", 0.9, 1, 2, tolerance_below_points=0.1)], losses=losses))


def test_batches_too_small_for_whole_pounds_are_refused_in_words():
    lots = [lot("fat", 0.5, 90, None), lot("lean", 0.9, 350, None)]
    case = read(lots, [product("p", 0.8, 1, 1.5)])
    plan = make_plan(case, shadow_prices=False)
    assert not plan.certificate.is_valid
    text = "\n".join(broken_lines(plan.certificate, case))
    assert "lean of p at most" in text and "too coarse for batches under 100 lb" in text


def test_batches_beyond_number_are_refused_at_once():
    boxes = {"container": "box", "container_lb": 60}
    lots = [lot("fat", 0.5, 90, None, **boxes), lot("lean", 0.9, 350, None, **boxes)]
    case = read(lots, [product("p", 0.8, 10, 1e9, batch_lb=1)], whole_containers="per_batch")
    started = time.monotonic()
    with pytest.raises(InputRefused, match=f"1,000,000,000 batches.*{MAX_BATCHES:,} in all"):
        make_plan(case)
    assert time.monotonic() - started < 5


# Ties -----------------------------------------------------------------------------------------


def tied(count: int, whole: str, random: Random | None = None) -> Case:
    """Lots all alike, and products all alike; by `random`, in another order of rows."""
    boxes = {"container": "combo", "container_lb": 2000}
    lots = [lot(f"fat {n}", 0.5, 90, 4_000, **boxes) for n in range(count)]
    lots += [lot(f"lean {n}", 0.9, 350, 8_000, **boxes) for n in range(count)]
    products = [product(f"p {n}", 0.8, 4_000, 5_000) for n in range(count)]
    rules = [
        {"rule_id": "few", "kind": "max_lots", "max_count": 3},
        {"rule_id": "minimum", "kind": "min_if_used", "min_share": 0.05},
    ]
    if random is not None:
        for rows in (lots, products, rules):
            random.shuffle(rows)
    return read(lots, products, rules, whole_containers=whole, gap_share=0, time_limit_s=20)


@pytest.mark.parametrize("whole", ["no", "taken"])
def test_plans_of_equals_are_the_same_byte_for_byte_whatever_the_order_of_rows(whole: str):
    first = tied(3, whole)
    plan = planned(first)
    text = shown_text(first, plan)
    assert shown_text(first, planned(first)) == text
    for seed in range(2):
        other = tied(3, whole, Random(seed))
        again = planned(other)
        assert again.money.total_usd == plan.money.total_usd
        assert shown_text(other, again) == text


@pytest.mark.slow
def test_more_of_the_same_costs_the_same_a_pound():
    """Twice the same market and twice the order cost twice as much, ties and all."""
    one, two = (planned(tied(count, "no"), shadow_prices=False) for count in (2, 4))
    assert two.money.total_usd == pytest.approx(2 * one.money.total_usd, rel=1e-3)
    assert two.certificate.bound.bound_usd == pytest.approx(
        2 * one.certificate.bound.bound_usd, rel=1e-3
    )


# Any edge with any other ----------------------------------------------------------------------

EDGE_SHARES = st.sampled_from((0, 0.001, 0.333333, 0.5, 0.8, 0.9, 0.999, 1))
EDGE_LB = st.sampled_from((1, 2, 7, 1_999, 10_000, 1_234_567, MILLIONS))
EDGE_PRICES = st.sampled_from((0, 0.01, 90, 100, 350, DEAREST))
EDGE_UNITS = st.sampled_from(("usd_per_cwt", "usd_per_cwt", "usd_per_lb"))
EDGE_BLENDERS = st.sampled_from(
    ((1, 1, 1), (0.5, 1.5, 1.7), (1, 1000, 2000), (2000, 4000, 5000), (0, 5e4, 1e5))
)


@st.composite
def edge_lots(draw: st.DrawFn, lot_id: str) -> dict:
    quantity = draw(st.none() | EDGE_LB)
    container, container_lb = draw(st.sampled_from((("loose", ""), ("combo", 2000), ("box", 60))))
    if quantity is not None and container_lb:
        quantity = max(1, round(quantity / container_lb)) * container_lb
    return lot(
        lot_id,
        draw(EDGE_SHARES),
        draw(EDGE_PRICES),
        quantity,
        container=container,
        container_lb=container_lb,
        price_unit=draw(EDGE_UNITS),
        place=draw(st.sampled_from(("offered", "on hand"))),
        min_purchase_lb="" if quantity is None else draw(st.sampled_from(("", 1, quantity))),
        must_take_all="no" if quantity is None else draw(st.sampled_from(("yes", "no"))),
    )


@st.composite
def edge_products(draw: st.DrawFn, product_id: str) -> dict:
    target = draw(EDGE_SHARES)
    tolerances = st.sampled_from((0, 1e-9, 1e-6, 0.0005, 0.01, 0.2))
    minimum = draw(st.sampled_from((0, 1, 7, 1_234.5, 10_000, MILLIONS)))
    blender = draw(EDGE_BLENDERS)
    maximum = draw(st.sampled_from((minimum, minimum + 1, 2 * minimum, "")))
    return product(
        product_id,
        target,
        minimum,
        maximum,
        tolerance_below_points=min(draw(tolerances), target),
        tolerance_above_points=min(draw(tolerances), 1 - target),
        blender_min_lb=blender[0],
        batch_lb=blender[1],
        blender_max_lb=blender[2],
        shortage_penalty_usd_per_lb=draw(st.sampled_from(("", "", 0, 5, 10_000, DEAREST))),
        sale_usd_per_lb=draw(st.sampled_from(("", 0, 1, 10_000))),
    )


@st.composite
def edge_cases(draw: st.DrawFn) -> Case:
    loss = {"loss_id": "loss", "step": "thaw"}
    losses = draw(
        st.just([])
        | st.builds(
            lambda lean, fat: [loss | {"lean_loss_share": lean, "fat_loss_share": fat}],
            st.sampled_from((0, 0.01, 0.99)),
            st.sampled_from((0, 0.005, 0.99)),
        )
    )
    return read(
        [draw(edge_lots(f"l{n}")) for n in range(draw(st.integers(1, 4)))],
        [draw(edge_products(f"p{n}")) for n in range(draw(st.integers(1, 3)))],
        losses=losses,
        whole_containers=draw(st.sampled_from([each.value for each in WholeContainers])),
        gap_share=draw(st.sampled_from((0, 0.001))),
        time_limit_s=1,
    )


def answered(case: Case, *, shadow_prices: bool = False) -> str:
    """How the case is answered; every answer but a plan names a way on."""
    try:
        plan = make_plan(case, shadow_prices=shadow_prices)
    except NoPlan as no_plan:
        lines = infeasible_lines(no_plan.infeasible, case)
        assert lines and all(line.strip() for line in lines)
        return "no plan"
    except InputRefused as refused:
        assert refused.problems
        for problem in refused.problems:
            assert problem.value and problem.column
        return "refused"
    except SolverTrouble as trouble:
        assert "time_limit_s" in str(trouble) or "no plan is shown" in str(trouble)
        return "no answer"
    if not plan.certificate.is_valid:
        text = "\n".join(broken_lines(plan.certificate, case))
        assert "too coarse" in text or "widen the limit" in text, text
        return "too coarse" if "too coarse" in text else "not rounded"
    check_shown(case, plan)
    return "planned"


@pytest.mark.slow
@examples(max_examples=120, deadline=None)
@given(case=edge_cases(), shadow_prices=st.booleans())
def test_any_edge_with_any_other_is_planned_or_refused(case: Case, shadow_prices: bool):
    answered(case, shadow_prices=shadow_prices)


@pytest.mark.slow
@examples(max_examples=40, deadline=None)
@given(case=cases().map(as_read))
def test_what_is_shown_of_any_plan_adds_up(case: Case):
    hurried = replace(case, settings=replace(case.settings, time_limit_s=1.0))
    answered(hurried)


@pytest.mark.long
@examples(max_examples=2_000, deadline=None)
@given(case=edge_cases(), shadow_prices=st.booleans())
def test_thousands_of_edges_are_planned_or_refused(case: Case, shadow_prices: bool):
    answered(case, shadow_prices=shadow_prices)


# Five thousand lots ---------------------------------------------------------------------------


def crowded(kind: str, limit_s: float) -> Case:
    """A market of 5,000 lots: split freely, in whole containers, or each to be taken whole."""
    case = make_instance(5_000, 20, 1)
    where = WholeContainers.TAKEN if kind == "containers" else WholeContainers.NO
    lots = tuple(replace(lot, must_take_all=kind == "lots") for lot in case.lots)
    settings = replace(case.settings, whole_containers=where, time_limit_s=limit_s)
    return replace(case, lots=lots, settings=settings)


@pytest.mark.long
@pytest.mark.parametrize("kind", ["divisible", "containers", "lots"])
def test_five_thousand_lots_are_planned_in_time(kind: str):
    limit_s = 60.0
    case = crowded(kind, limit_s)
    started = time.process_time()
    plan = planned(case, shadow_prices=False)
    took_s = time.process_time() - started
    assert plan.certificate.bound.gap_share < 0.001
    assert took_s < limit_s + 60
