"""The model as a PuLP problem: solved by other solvers, exported, and extended by a user."""

from __future__ import annotations

from dataclasses import replace

import highspy
import pulp
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

import blend.model
from blend.check.check import check_plan
from blend.check.statement import dual_bound_usd
from blend.cli import main
from blend.domain.linear_constraints import LinearConstraint, Pounds, Term
from blend.domain.plan import Verdict
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import Rule, RuleKind, WholeContainers
from blend.domain.selectors import parse_selector
from blend.errors import FileTrouble, InputRefused, NoPlan
from blend.grinder.plan import make_plan
from blend.model.prices import dual_prices
from blend.model.pulp_model import constraints_from_pulp, solve_by_cbc, write_model
from blend.model.solve import solve_linear
from blend.model.solver import Outcome
from blend.model.whole import plan_whole
from tests.check.plans import easy_product, whole
from tests.model.test_rows_and_checks import TABLES
from tests.published.cases import make_case, make_lot
from tests.reference import solve_reference
from tests.strategies import cases

COW = make_lot("I90-1", 0.90, 0.99, quantity_lb=5_000.0, container="combo", container_lb=100.0)
TRIM = make_lot("trim", 0.75, 0.79, quantity_lb=5_000.0)
READY = make_lot("ready", 0.80, 1.20, quantity_lb=5_000.0)
CASE = make_case(
    [COW, TRIM, READY],
    [easy_product("GB80")],
    Rule("few_lots", RuleKind.MAX_LOTS, max_count=2),
    Rule("trim_share", RuleKind.SHARE, lots=parse_selector("lot=trim"), max_share=0.6),
    settings=replace(whole(WholeContainers.TAKEN), gap_share=0.0),
)
TAKE_COW = Term(1.0, Pounds.TAKE, lot_id="I90-1")


def cap(maximum: float, name: str = "cow_cap") -> LinearConstraint:
    return LinearConstraint(name, (TAKE_COW,), maximum=maximum)


def cost_of(case) -> float:
    return plan_whole(case, solve_linear(case)).objective_usd


def test_names_are_readable():
    problem = blend.model(CASE)
    assert isinstance(problem, pulp.LpProblem)
    names = {variable.name for variable in problem.variables()}
    assert {"take[I90-1]", "use[I90-1,GB80]", "finished[GB80]", "is_used[trim,GB80]"} <= names
    assert {"lean_min[GB80]", "trim_share[GB80]", "few_lots[GB80]"} <= set(problem.constraints)


@settings(max_examples=15)
@given(cases())
def test_cbc_on_the_problem_finds_the_cost_of_the_independent_statement(case):
    # A product sold without limit is bounded by nothing but how many batches a day can hold.
    products = tuple(
        each if each.max_lb is not None else replace(each, sale_usd_per_lb=0.0)
        for each in case.products
    )
    case = replace(case, products=products, settings=replace(case.settings, gap_share=0.0))
    reference = solve_reference(case, gap_share=0.0)
    problem = blend.model(case)
    problem.solve(pulp.PULP_CBC_CMD(msg=False, options=["preprocess off"]))
    if reference.objective_usd is None:
        assert problem.status != pulp.LpStatusOptimal
    else:
        found = pulp.value(problem.objective) or 0.0
        assert found == pytest.approx(reference.objective_usd, rel=1e-6, abs=1e-3)


@pytest.mark.parametrize("suffix", [".lp", ".mps"])
def test_an_exported_model_has_the_same_cost_by_cbc_and_by_highs(tmp_path, suffix):
    case = CASE.with_constraints([cap(500.0)])
    file = tmp_path / f"model{suffix}"
    write_model(case, file)
    highs = highspy.Highs()
    highs.setOptionValue("output_flag", False)
    highs.setOptionValue("mip_rel_gap", 0.0)
    highs.setOptionValue("threads", 1)  # as in blend: all solvers of a process share threads
    highs.readModel(str(file))
    highs.run()
    by_highs = highs.getInfo().objective_function_value
    by_cbc = _cost_by_cbc(file)
    assert by_highs == pytest.approx(cost_of(case), rel=1e-9)
    assert by_cbc == pytest.approx(by_highs, rel=1e-9)


def _cost_by_cbc(file) -> float:
    import re
    import subprocess

    cbc = pulp.PULP_CBC_CMD(msg=False).path
    command = [cbc, str(file), "preprocess", "off", "ratio", "0", "solve"]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=120)
    return float(re.search(r"Objective value:\s+(\S+)", ran.stdout)[1])


def test_a_model_is_written_as_lp_or_mps_only(tmp_path):
    with pytest.raises(FileTrouble, match=r"\.lp or \.mps"):
        write_model(CASE, tmp_path / "model.txt")


def test_a_second_solver_agrees_on_cost_and_floor():
    answer = solve_by_cbc(CASE)
    assert answer.is_optimal
    assert answer.cost_usd == pytest.approx(cost_of(CASE), rel=1e-9)
    assert answer.floor_usd <= answer.cost_usd * (1 + 1e-9)


def test_a_pulp_constraint_binds_is_checked_and_priced():
    case = replace(CASE, rules=())
    problem = blend.model(case)
    plan = make_plan(case, extra={"cow_cap": problem.take["I90-1"] <= 450})
    (taken,) = [take for take in plan.takes if take.lot_id == "I90-1"]
    assert taken.pounds_lb == 400.0  # whole combos of 100 lb
    asked = Requirement(ConstraintClass.ADDED, rule_id="cow_cap")
    (check,) = [check for check in plan.certificate.checks if check.requirement == asked]
    assert (check.read, check.maximum, check.verdict) == (400.0, 450.0, Verdict.MET)
    (price,) = [price for price in plan.shadow_prices if price.requirement == asked]
    assert price.loosening_saves_usd > 0
    without, with_cap = make_plan(case).certificate.bound, plan.certificate.bound
    assert without.bound_usd < with_cap.bound_usd <= with_cap.objective_usd


def test_the_check_catches_a_plan_that_breaks_an_added_constraint():
    plan = make_plan(CASE)
    checks = check_plan(CASE.with_constraints([cap(100.0)]), plan.takes, plan.runs, {})
    broken = [check for check in checks if check.verdict is Verdict.BROKEN]
    assert [check.requirement.rule_id for check in broken] == ["cow_cap"]


def test_an_added_constraint_is_named_in_an_infeasible_subset_with_the_change_that_helps():
    case = replace(CASE, lots=(COW, TRIM), rules=()).divisible()
    with pytest.raises(NoPlan) as no_plan:
        make_plan(case.with_constraints([cap(100.0)]))
    subset = no_plan.value.infeasible
    asked = Requirement(ConstraintClass.ADDED, rule_id="cow_cap")
    assert asked in subset.requirements
    (change,) = [change for change in subset.changes if change.requirement == asked]
    assert change.was == 100.0
    loosened = case.with_constraints([cap(change.becomes)])
    assert make_plan(loosened).certificate.is_valid
    with pytest.raises(NoPlan):
        make_plan(case.with_constraints([cap(change.becomes - 2.0)]))


def test_constraints_on_every_kind_of_pounds_hold_where_batches_differ():
    product = easy_product("GB80", shortage_penalty_usd_per_lb=9.0)
    case = replace(CASE, products=(product,), settings=whole(WholeContainers.PER_BATCH))
    problem = blend.model(case)
    added = [
        (problem.use["trim", "GB80"] - 0.5 * problem.finished["GB80"] <= 0, "half_trim"),
        problem.short["GB80"] == 0,
        problem.take["ready"] + problem.take["I90-1"] >= 1_000,
    ]
    with_added = case.with_constraints(constraints_from_pulp(case, added))
    assert [each.name for each in with_added.constraints] == ["half_trim", "added_2", "added_3"]
    plan = make_plan(with_added)
    assert plan.certificate.is_valid
    assert plan.money.total_usd > make_plan(case).money.total_usd + 1.0


@given(
    cases(),
    st.sampled_from(Pounds),
    st.floats(0.1, 3.0),
    st.sampled_from(((None, 300.0), (50.0, None), (100.0, 100.0), (-1e9, 1e9))),
)
def test_the_exact_bound_knows_added_constraints(case, pounds, coefficient, limits):
    lot_id, product_id = case.lots[-1].lot_id, case.products[-1].product_id
    if pounds is Pounds.SHORT and case.products[-1].shortage_penalty_usd_per_lb is None:
        pounds = Pounds.FINISHED
    lot_id = lot_id if pounds in (Pounds.USE, Pounds.TAKE) else ""
    product_id = "" if pounds is Pounds.TAKE else product_id
    terms = (
        Term(coefficient, pounds, lot_id, product_id),
        Term(-0.5, Pounds.FINISHED, "", case.products[0].product_id),
    )
    case = case.with_constraints([LinearConstraint("own", terms, *limits)])
    plan = solve_linear(case)
    if plan.outcome is Outcome.OPTIMAL:
        bound = dual_bound_usd(case, dual_prices(plan))
        assert bound == pytest.approx(plan.objective_usd, rel=1e-6, abs=1e-3)


def test_a_constraint_on_other_variables_is_refused():
    problem = blend.model(CASE)
    switch = problem.variablesDict()["is_used[trim,GB80]"]
    with pytest.raises(InputRefused, match="is_used"):
        constraints_from_pulp(CASE, [switch <= 0])


@pytest.fixture
def tables(tmp_path):
    for name, text in TABLES.items():
        (tmp_path / name).write_text(text)
    return tmp_path


def run_plan(tables, *options):
    """Exit code, and what `blend plan` prints on both streams."""
    ran = CliRunner().invoke(main, ["plan", str(tables), "--no-workbook", *options])
    return ran.exit_code, " ".join(ran.output.split())


def test_the_command_adds_constraints_writes_the_model_and_asks_a_second_solver(tables):
    (tables / "own.lp").write_text("trim_cap: use[trim,GB80] <= 500\n")
    options = ("--constraints", str(tables / "own.lp"), "--second-solver")
    code, text = run_plan(tables, *options, "--write-model", str(tables / "model.mps"))
    assert code == 0
    assert "CBC" in text and "trim_cap" in (tables / "model.mps").read_text()


def test_the_command_names_an_added_constraint_that_leaves_no_plan(tables):
    (tables / "own.lp").write_text("no_cow: take[cow] <= 10\n")
    code, text = run_plan(tables, "--constraints", str(tables / "own.lp"))
    assert code == 3 and "no_cow: take[cow] <= 10" in text


def test_the_command_refuses_a_constraint_it_cannot_read(tables):
    (tables / "own.lp").write_text("use[trim,GB80] <= 500\ntake[trm] <= 5\n")
    code, text = run_plan(tables, "--constraints", str(tables / "own.lp"))
    assert code == 2 and "own.lp" in text and "trm" in text
