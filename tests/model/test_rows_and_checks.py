"""Rows of the model and checks of the plan are written apart: a fault in any row builder shows in
the check, and a kind of rule is one file."""

from __future__ import annotations

import ast
import inspect
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

import blend.model.constraints
import blend.model.rules
import blend.model.sets
from blend.check.check import check_plan
from blend.domain.case import Case
from blend.domain.linear_constraints import LinearConstraint, Pounds, Term
from blend.domain.plan import Check, Verdict
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import Rule, RuleKind, WholeContainers
from blend.domain.selectors import parse_selector
from blend.model.arrays import Rows
from blend.model.rules import definitions
from blend.model.solve import solve_linear
from blend.model.whole import plan_whole
from tests.check.plans import easy_product, whole
from tests.published.cases import make_case, make_lot

COW = make_lot("cow", 0.90, 0.99, quantity_lb=5_000.0)
TRIM = make_lot("trim", 0.75, 0.79, quantity_lb=5_000.0)
READY = make_lot("ready", 0.80, 1.20, quantity_lb=5_000.0)
"""Of the lean asked for by itself, at more than the other two together."""


def case_of(*rules: Rule, cow=COW, trim=TRIM, ready=READY, product=None, **more) -> Case:
    return make_case([cow, trim, ready], [product or easy_product()], *rules, **more)


def rule(kind: str, lots: str = "", **more) -> Rule:
    return Rule("rule", kind, lots=parse_selector(lots), **more)


def boxed(lot, container_lb: float):
    return replace(lot, container="combo", container_lb=container_lb)


PER_BATCH = whole(WholeContainers.PER_BATCH)
BROKEN_WITHOUT = {
    ConstraintClass.MASS: case_of(rule(RuleKind.MAX_LOTS, max_count=1)),
    ConstraintClass.LEAN_MIN: case_of(),
    ConstraintClass.LEAN_MAX: case_of(cow=replace(COW, price_usd_per_lb=0.5)),
    ConstraintClass.VOLUME_MIN: case_of(),
    ConstraintClass.VOLUME_MAX: case_of(product=easy_product(sale_usd_per_lb=5.0)),
    ConstraintClass.BATCH_FILL: case_of(product=easy_product(min_lb=1_500.0)),
    ConstraintClass.SUPPLY: case_of(trim=replace(TRIM, quantity_lb=500.0)),
    ConstraintClass.MIN_PURCHASE: case_of(cow=replace(COW, min_purchase_lb=2_000.0)),
    ConstraintClass.WHOLE_CONTAINERS: case_of(
        cow=boxed(COW, 500.0), settings=whole(WholeContainers.TAKEN)
    ),
    ConstraintClass.SHARE_MIN: case_of(rule(RuleKind.SHARE, "lot=ready", min_share=0.5)),
    ConstraintClass.SHARE_MAX: case_of(rule(RuleKind.SHARE, "lot=trim", max_share=0.3)),
    ConstraintClass.FAT_MIN: case_of(
        rule(RuleKind.FAT, min_share=0.205), cow=replace(COW, price_usd_per_lb=0.5)
    ),
    ConstraintClass.FAT_MAX: case_of(rule(RuleKind.FAT, max_share=0.195)),
    ConstraintClass.MAX_LOTS: case_of(rule(RuleKind.MAX_LOTS, max_count=1)),
    ConstraintClass.MIN_IF_USED: case_of(rule(RuleKind.MIN_IF_USED, "lot=cow", min_share=0.6)),
    ConstraintClass.MUST_USE: case_of(rule(RuleKind.MUST_USE, "lot=ready", min_lb=500.0)),
    ConstraintClass.MUST_NOT_USE: case_of(rule(RuleKind.MUST_NOT_USE, "lot=trim")),
    ConstraintClass.MAY_HOLD: case_of(trim=replace(TRIM, species="pork")),
    ConstraintClass.KEEP_APART: case_of(
        rule(RuleKind.KEEP_APART, "lot=cow", against=parse_selector("lot=trim"))
    ),
    ConstraintClass.EQUAL_RECIPE: case_of(
        rule(RuleKind.EQUAL_RECIPE),
        cow=boxed(replace(READY, lot_id="cow", price_usd_per_lb=0.5, quantity_lb=1_000.0), 1_000.0),
        trim=boxed(replace(READY, lot_id="trim", price_usd_per_lb=0.6), 1_000.0),
        settings=PER_BATCH,
    ),
    ConstraintClass.MAX_TEMP: case_of(
        rule(
            RuleKind.MAX_TEMP,
            max_temp_f=40.0,
            excess_heat_btu_per_lb=(("cow", 3.0), ("trim", -1.0), ("ready", -5.0)),
        )
    ),
    ConstraintClass.ADDED: case_of(
        constraints=(LinearConstraint("cap", (Term(1.0, Pounds.TAKE, "cow"),), maximum=300.0),)
    ),
}
"""By constraint class: a case whose cheapest plan breaks a requirement once the rows of the class
are left out of the model."""


def checks_of(case: Case) -> tuple[Check, ...]:
    plan = plan_whole(case, solve_linear(case)).rounded_plan
    return check_plan(case, plan.takes, plan.runs, plan.shortage_lb)


def broken_in(case: Case) -> set[str]:
    checks = checks_of(case)
    return {each.requirement.constraint_class for each in checks if each.verdict is Verdict.BROKEN}


def without_rows_of(constraint_class: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Plant a fault: the builder of a class states rows that are always kept."""
    add, add_block = Rows.add, Rows.add_block

    def lax_add(rows, requirement, parts, lower=-float("inf"), upper=float("inf")):
        if requirement.constraint_class == constraint_class:
            lower, upper = -float("inf"), float("inf")
        add(rows, requirement, parts, lower, upper)

    def lax_block(rows, requirements, parts, lower=-float("inf"), upper=float("inf")):
        if requirements and requirements[0].constraint_class == constraint_class:
            lower, upper = -float("inf"), float("inf")
        add_block(rows, requirements, parts, lower, upper)

    monkeypatch.setattr(Rows, "add", lax_add)
    monkeypatch.setattr(Rows, "add_block", lax_block)
    if constraint_class == ConstraintClass.MUST_NOT_USE:
        kind = type(definitions()[RuleKind.MUST_NOT_USE])
        monkeypatch.setattr(kind, "excluded", lambda self, rule: None)
    if constraint_class == ConstraintClass.MAY_HOLD:
        every_species = frozenset({"beef", "pork"})
        allowed = blend.model.sets._allowed

        def lax_allowed(case, lots, products, masks):
            lax = [replace(product, species=every_species) for product in products]
            return allowed(case, lots, tuple(lax), masks)

        monkeypatch.setattr(blend.model.sets, "_allowed", lax_allowed)


@pytest.mark.parametrize("constraint_class", BROKEN_WITHOUT)
def test_a_fault_in_any_row_builder_is_caught_by_the_check(constraint_class, monkeypatch):
    case = BROKEN_WITHOUT[constraint_class]
    assert broken_in(case) == set()
    without_rows_of(constraint_class, monkeypatch)
    broken = broken_in(case)
    may_show_as = {
        ConstraintClass.MASS: {ConstraintClass.VOLUME_MIN, ConstraintClass.VOLUME_MAX},
        ConstraintClass.WHOLE_CONTAINERS: {ConstraintClass.SUPPLY},
    }
    assert broken & may_show_as.get(constraint_class, {constraint_class})


def test_every_constraint_class_has_a_planted_fault():
    of_rules = {limit.constraint_class for kind in definitions().values() for limit in kind.limits}
    assert set(BROKEN_WITHOUT) == set(ConstraintClass) | of_rules


@pytest.mark.parametrize(
    "file",
    [
        file
        for package in (blend.model.rules, blend.model.constraints)
        for file in Path(package.__file__).parent.glob("*.py")
        if not file.stem.startswith("_") and file.stem != "definition"
    ],
    ids=lambda file: f"{file.parent.name}/{file.stem}",
)
def test_checks_and_rows_share_no_code(file):
    """Functions that a check calls are in domain, or are called by checks alone."""
    tree = ast.parse(file.read_text())
    functions = {
        node.name: {each.id for each in ast.walk(node) if isinstance(each, ast.Name)}
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef)
    }
    by_rows = {name for name in functions if name in ("rows", "add", "switched", "excluded")}
    by_check = {name for name in functions if name.startswith("check")}
    for called in (by_rows, by_check):
        while more := {n for name in called for n in functions[name] & set(functions)} - called:
            called |= more
    assert by_check or file.stem == "__init__"
    assert not by_rows & by_check
    of_model = {
        alias.asname or alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom)
        and node.module.startswith("blend.model.")
        and not node.module.startswith("blend.model.rules")
        for alias in node.names
    } | {"np"}
    assert not {name for each in by_check for name in functions[each]} & of_model


RATIO = '''
"""ratio: the selected lots weigh at most a share of what the lots of `against` weigh."""

from fractions import Fraction

from blend.domain.exact import exact
from blend.domain.plan_pounds import Measured, Required
from blend.model.rules.definition import Limit, Measure, RuleDefinition


class Ratio(RuleDefinition):
    name = "ratio"
    needs = ("lots", "against", "max_share")
    limits = (
        Limit(
            "ratio_max",
            "ratio of two meats",
            "{meat} in {product} at most {max_share} of the {against}",
        ),
    )

    def rows(self, rule, model):
        for blend, product in model.sets.blends_under(rule):
            use = model.columns["use"]
            model.rows.add(
                self.limits[0].of(rule, product),
                [
                    (use[model.sets.pairs_with(rule.lots, blend)], 1.0),
                    (use[model.sets.pairs_with(rule.against, blend)], -rule.max_share),
                ],
                upper=0.0,
            )

    def check(self, rule, plan):
        for product in plan.products_under(rule):
            value = allowance = Fraction(0)
            for part in plan.totals[product.product_id].parts:
                number = Fraction(int(rule.lots.holds(part.lot)))
                if rule.against.holds(part.lot):
                    number -= exact(rule.max_share)
                value += number * part.pounds
                allowance += abs(number) * part.slack_lb
            required = Required.by_rule(rule, product, "ratio_max", "lb", maximum=0)
            yield required.check(Measured(value, allowance))


RULE = Ratio()
'''
RUN = """
import sys
import blend.model.rules
blend.model.rules.__path__.append(sys.argv.pop(1))
from blend.cli import main
main(sys.argv[1:])
"""
TABLES = {
    "lots.csv": "lot_id,item,species,lean,price,price_unit,quantity_lb,origin\n"
    "cow,90s,beef,0.90,2.00,usd_per_lb,9000,domestic\ntrim,50s,beef,0.50,1.00,usd_per_lb,9000,domestic\n"
    "mid,73s,beef,0.73,1.70,usd_per_lb,9000,domestic\n",
    "products.csv": "product_id,name,species,target_lean,tolerance_below_points,"
    "tolerance_above_points,min_lb,max_lb,batch_lb,blender_min_lb,blender_max_lb\n"
    "GB80,Ground beef 80/20,beef,80,1,1,4000,4000,2000,500,2500\n",
    "settings.csv": "setting,value\nplan_on,2026-11-25\n",
}


def run_with_ratio(
    folder: Path, max_share: str, *options: str, command: str = "plan"
) -> subprocess.CompletedProcess:
    kinds, tables = folder / "kinds", folder / "tables"
    kinds.mkdir(exist_ok=True), tables.mkdir(exist_ok=True)
    (kinds / "ratio.py").write_text(RATIO)
    for name, text in TABLES.items():
        (tables / name).write_text(text)
    (tables / "rules.csv").write_text(
        f"rule_id,kind,lots,against,max_share\nR1,ratio,lot=trim,lot=cow,{max_share}\n"
    )
    argv = [sys.executable, "-c", RUN, str(kinds), command, str(tables), *options]
    return subprocess.run(argv, capture_output=True, text=True, cwd=folder, timeout=120)


def test_a_kind_of_rule_is_added_by_one_file(tmp_path):
    """Read from rules.csv, planned, checked, priced, and named where it leaves no plan."""
    ran = run_with_ratio(tmp_path, "0.20", "--no-workbook", "--limits")
    assert ran.returncode == 0, ran.stderr
    assert "the lot cow (rule R1)" in " ".join(ran.stdout.split())
    wrong = run_with_ratio(tmp_path, "")
    assert wrong.returncode == 2 and "max_share" in wrong.stderr


def test_an_added_kind_of_rule_is_named_in_an_infeasible_subset(tmp_path, monkeypatch):
    without = "".join(line for line in TABLES["lots.csv"].splitlines(True) if "mid" not in line)
    monkeypatch.setitem(TABLES, "lots.csv", without)
    ran = run_with_ratio(tmp_path, "0.05", "--no-workbook")
    assert ran.returncode == 3, ran.stderr
    assert "the lot cow (rule R1)" in " ".join(ran.stderr.split())


def test_an_added_kind_of_rule_is_kept_when_a_batch_is_adjusted(tmp_path):
    options = "--product GB80 --pounds 1000 --fat 15 --room-lb 1000 --lot trim --lot mid"
    ran = run_with_ratio(tmp_path, "0.05", *options.split(), command="adjust")
    assert ran.returncode == 0 and "of mid" in ran.stdout, ran.stderr
    assert "of trim" not in ran.stdout


def test_a_kind_of_rule_is_documented_and_complete():
    for kind in definitions().values():
        assert kind.limits and sys.modules[type(kind).__module__].__doc__.startswith(kind.name)
        assert inspect.getfile(type(kind)).endswith(f"{kind.name}.py")
