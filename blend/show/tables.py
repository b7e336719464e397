"""All tables of a plan, in the order in which they are read."""

from __future__ import annotations

from blend.domain.case import Case
from blend.domain.plan import Plan
from blend.show import checks, quantities, shadow_prices
from blend.show.shown import ShownTable


def plan_tables(case: Case, plan: Plan) -> list[ShownTable]:
    """Everything there is to show of a plan."""
    return [
        *_quantity_tables(case, plan),
        *certificate_tables(case, plan),
        *standards_tables(case, plan),
    ]


def terminal_tables(case: Case, plan: Plan, *, standards: bool = False) -> list[ShownTable]:
    """What fits a terminal: checks by family, and of standards those that are passed, unless
    all `standards` are asked for."""
    return [
        *_quantity_tables(case, plan),
        checks.bound_table(plan),
        checks.verdicts_table(plan),
        checks.rounding_table(case, plan),
        checks.passed_table(case, plan, all_follow=standards),
        *([checks.standards_table(case, plan)] if standards else []),
        checks.labels_table(case, plan),
        checks.cautions_table(),
    ]


def _quantity_tables(case: Case, plan: Plan) -> list[ShownTable]:
    """Purchases, blends, recipes, money, worths where they were asked for, lots set aside."""
    return [
        quantities.purchases_table(case, plan),
        quantities.blends_table(case, plan),
        *recipe_tables(case, plan),
        quantities.money_table(case, plan),
        *value_tables(case, plan),
        quantities.set_aside_table(case),
    ]


def recipe_tables(case: Case, plan: Plan) -> list[ShownTable]:
    return [
        quantities.recipe_table(case, run, label)
        for run, label in quantities.labelled_runs(case, plan)
    ]


def value_tables(case: Case, plan: Plan) -> list[ShownTable]:
    """Products', requirements' and lots' worth; none when no worths were asked for."""
    if not (plan.marginal_costs or plan.shadow_prices or plan.break_evens):
        return []
    return [
        shadow_prices.products_value_table(case, plan),
        shadow_prices.requirements_value_table(case, plan),
        shadow_prices.lots_value_table(case, plan),
    ]


def certificate_tables(case: Case, plan: Plan) -> list[ShownTable]:
    return [
        checks.bound_table(plan),
        checks.verdicts_table(plan),
        checks.open_checks_table(case, plan),
    ]


def standards_tables(case: Case, plan: Plan) -> list[ShownTable]:
    return [
        checks.standards_table(case, plan),
        checks.labels_table(case, plan),
        checks.cautions_table(),
    ]
