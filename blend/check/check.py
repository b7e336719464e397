"""The independent check of a finished plan: every requirement and the money, from the tables.

Each kind of requirement has its check next to its rows, in `blend.model.constraints` and
`blend.model.rules`, and the two share no code. A limit that rounding to whole pounds can move is
met, met within rounding, or broken; a published limit (one with a section) is never met "within
rounding". The check is arithmetic on the lean stated for the lots, not a test of the meat: the
current text of the regulation, the inspector and the plant's own sampling decide.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from fractions import Fraction

from blend.domain.case import Case
from blend.domain.exact import delivered_usd_per_lb, exact, freight_usd_per_lb
from blend.domain.plan import BatchRun, Check, Money, Take, Verdict
from blend.domain.plan_pounds import PlanPounds, plan_pounds
from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import Rule
from blend.domain.standards import Action, StandardRow
from blend.model import constraints
from blend.model.rules import definition_of


def check_plan(
    case: Case, takes: Iterable[Take], runs: Iterable[BatchRun], shortage_lb: Mapping[str, float]
) -> tuple[Check, ...]:
    """Check every requirement of the case against the finished plan.

    Shares are of finished pounds, pounds of `takes` and `runs` as weighed before losses,
    `shortage_lb` finished pounds by product (left out: none). Where batches of a product
    differ, the worst decides its lean, fat and shares. A lot or product that is not in the
    case is a KeyError.
    """
    return tuple(_checks(plan_pounds(case, takes, runs, shortage_lb)))


def _checks(plan: PlanPounds) -> Iterator[Check]:
    for product in plan.case.products:
        for check_product in constraints.PRODUCT_CHECKS:
            yield from check_product(plan, product)
    for lot in plan.case.lots:
        for check_lot in constraints.LOT_CHECKS:
            yield from check_lot(plan, lot)
    yield from constraints.added.check(plan)
    for rule in plan.case.binding_rules():
        yield from _check_rule(plan, rule)
    for product in plan.case.products:
        for row in plan.case.standard_rows(product):
            yield from _not_binding(plan, product, row)


def _check_rule(plan: PlanPounds, rule: Rule) -> Iterator[Check]:
    yield from definition_of(rule.kind).check(rule, plan)


def _not_binding(plan: PlanPounds, product: Product, row: StandardRow) -> Iterator[Check]:
    """Warnings for rows of a standard that warn, a note for conditions to check by hand."""
    rule = row.rule_for(product)
    if rule is None:
        yield Check(
            requirement=Requirement(
                ConstraintClass.MAY_HOLD, product.product_id, rule_id=row.row_id
            ),
            read=0.0,
            minimum=row.min_share,
            maximum=row.max_share,
            unit="share" if row.kind else "",
            allowance=0.0,
            verdict=Verdict.NOTE,
            note="; ".join(filter(None, (row.title, row.note))),
            section=row.section,
        )
    elif row.action is Action.WARN:
        for check in _check_rule(plan, rule):
            met = check.verdict is Verdict.MET
            yield replace(check, verdict=Verdict.MET if met else Verdict.WARNING)


def count_money(
    case: Case, takes: Iterable[Take], runs: Iterable[BatchRun], shortage_lb: Mapping[str, float]
) -> Money:
    """What the plan costs in USD, counted from its pounds and the tables; leftovers are counted
    here, not taken from the plan."""
    plan = plan_pounds(case, takes, runs, shortage_lb)
    meat = freight = salvage = shortage = sales = finished = stock = books = Fraction(0)
    for lot in case.lots:
        taken_lb = plan.taken_lb[lot.lot_id]
        unused_lb = taken_lb - plan.used[lot.lot_id].value
        if lot.is_on_hand:
            stock += taken_lb * delivered_usd_per_lb(lot)
            books += taken_lb * exact(lot.cost_usd_per_lb)
        else:
            meat += taken_lb * exact(lot.price_usd_per_lb)
            freight += taken_lb * freight_usd_per_lb(lot)
        salvage += unused_lb * exact(lot.salvage_value_usd_per_lb)
    for product in case.products:
        made_lb = plan.totals[product.product_id].finished.value
        penalty = exact(product.shortage_penalty_usd_per_lb or 0.0)
        shortage += plan.shortage_lb[product.product_id] * penalty
        sales += made_lb * exact(product.sale_usd_per_lb)
        finished += made_lb
    return Money(*map(float, (meat, freight, salvage, shortage, sales, finished, stock, books)))
