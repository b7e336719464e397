"""must_not_use: none of the selected lots goes into the product."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from blend.domain.plan import Check
from blend.domain.plan_pounds import Measured, PlanPounds, Required
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import Selector
from blend.model.rules.definition import Limit, RuleDefinition


class MustNotUse(RuleDefinition):
    """It needs no rows: the pairs of lot and product are left out of the index sets."""

    name = RuleKind.MUST_NOT_USE
    needs = ("lots",)
    may_be_standard = True
    limits = (Limit(ConstraintClass.MUST_NOT_USE, "meat not to be used", "no {meat} in {product}"),)

    def excluded(self, rule: Rule) -> Selector | None:
        return rule.lots

    def check(self, rule: Rule, plan: PlanPounds) -> Iterator[Check]:
        for product in plan.products_under(rule):
            total = plan.totals[product.product_id]
            lots = total.lots_in(rule.lots)
            pounds = sum((total.pounds_of(lot) for lot in lots), Fraction(0))
            required = Required.by_rule(
                rule, product, ConstraintClass.MUST_NOT_USE, "lb", maximum=0
            )
            yield required.check(
                Measured(pounds, note="; ".join(f"lot {lot.lot_id}" for lot in lots))
            )


RULE = MustNotUse()
