"""max_lots: at most so many of the selected lots go into one blend."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import TYPE_CHECKING

from blend.domain.plan import Check
from blend.domain.plan_pounds import Measured, PlanPounds, Required
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import Selector
from blend.model.rules.definition import Limit, Measure, RuleDefinition

if TYPE_CHECKING:
    from blend.model.build import ModelBuilder


class MaxLots(RuleDefinition):
    name = RuleKind.MAX_LOTS
    needs = ("max_count",)
    may_use = ("lots",)
    is_whole = True
    limits = (
        Limit(
            ConstraintClass.MAX_LOTS,
            "number of lots",
            "at most {max_count} of {meat} in {product}",
            measure=Measure.COUNT,
            column="max_count",
            change="allow {becomes} instead of {was} of {meat} in {product}",
        ),
    )

    def switched(self, rule: Rule) -> tuple[Selector, ...]:
        return (rule.lots,)

    def rows(self, rule: Rule, model: ModelBuilder) -> None:
        limit, count = self.limits_set(rule)[0]
        for blend, product in model.sets.blends_under(rule):
            is_used = model.is_used[model.sets.pairs_with(rule.lots, blend)]
            model.rows.add(limit.of(rule, product), [(is_used, 1.0)], upper=count)

    def check(self, rule: Rule, plan: PlanPounds) -> Iterator[Check]:
        for product in plan.products_under(rule):
            required = Required.by_rule(
                rule, product, ConstraintClass.MAX_LOTS, "count", maximum=rule.max_count
            )
            counts = [
                Measured(Fraction(len(batch.lots_in(rule.lots))), note=batch.note)
                for batch in plan.batches[product.product_id]
            ]
            yield required.check(*counts or [Measured(Fraction(0))])


RULE = MaxLots()
