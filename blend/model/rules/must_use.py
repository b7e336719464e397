"""must_use: at least so many pounds of the selected lots are used, all of them if blank."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import TYPE_CHECKING

from blend.domain.exact import must_use_lb
from blend.domain.plan import Check
from blend.domain.plan_pounds import Measured, PlanPounds, Required
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import Rule, RuleKind
from blend.model.rules.definition import Limit, Measure, RuleDefinition

if TYPE_CHECKING:
    from blend.model.build import ModelBuilder


class MustUse(RuleDefinition):
    """One requirement over all the products it governs: they may share the pounds."""

    name = RuleKind.MUST_USE
    needs = ("lots",)
    may_use = ("min_lb",)
    spans_products = True
    holds_for_each_batch = False
    limits = (
        Limit(
            ConstraintClass.MUST_USE,
            "meat to be used",
            "{min_lb} of {meat} used{in_products}",
            measure=Measure.POUNDS,
            column="min_lb",
            is_min=True,
            change="use {less} less of {meat} ({becomes})",
        ),
    )

    def rows(self, rule: Rule, model: ModelBuilder) -> None:
        min_lb = rule.min_lb
        if min_lb is None:
            min_lb = float(model.sets.lot_max_lb[model.sets.chosen(rule.lots)].sum())
        used = [
            (model.columns["use"][model.sets.pairs_with(rule.lots, blend)], 1.0)
            for blend, _ in model.sets.blends_under(rule)
        ]
        model.rows.add(self.limits[0].of(rule), used, lower=min_lb)

    def check(self, rule: Rule, plan: PlanPounds) -> Iterator[Check]:
        parts = [
            part
            for product in plan.products_under(rule)
            for part in plan.totals[product.product_id].parts
            if rule.lots.holds(part.lot)
        ]
        used = Measured(
            sum((part.pounds for part in parts), Fraction(0)),
            sum((part.slack_lb for part in parts), Fraction(0)),
        )
        min_lb = must_use_lb(rule, plan.case)
        required = Required.by_rule(
            rule, None, ConstraintClass.MUST_USE, "lb", minimum=min_lb or Fraction(0)
        )
        fault = "all of a lot without a stated quantity" if min_lb is None else ""
        yield required.check(used, fault=fault)


RULE = MustUse()
