"""equal_recipe: every batch of the product has the same recipe."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING

from blend.domain.plan import Check
from blend.domain.plan_pounds import ROUNDING_LB, Measured, PlanPounds, Required
from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import Rule, RuleKind
from blend.model.rules.definition import Limit, RuleDefinition

if TYPE_CHECKING:
    from blend.model.build import ModelBuilder


class EqualRecipe(RuleDefinition):
    """Where a product is blended as one, its batches share the recipe by construction."""

    name = RuleKind.EQUAL_RECIPE
    is_whole = True
    limits = (
        Limit(
            ConstraintClass.EQUAL_RECIPE,
            "one recipe for all batches",
            "every batch of {product} to one recipe",
        ),
    )

    def rows(self, rule: Rule, model: ModelBuilder) -> None:
        for index, product in enumerate(model.sets.products):
            if not rule.governs(product):
                continue
            batches = [
                model.columns["use"][model.sets.pairs_of(blend)]
                for blend in model.sets.blends_of(index)
            ]
            for first, second in pairwise(batches):
                within = list(range(len(first)))
                model.rows.add_block(
                    [self.limits[0].of(rule, product)] * len(first),
                    [(within, first, 1.0), (within, second, -1.0)],
                    lower=0.0,
                    upper=0.0,
                )

    def check(self, rule: Rule, plan: PlanPounds) -> Iterator[Check]:
        for product in plan.products_under(rule):
            yield check_one_recipe(plan, product, rule.rule_id)


def check_one_recipe(plan: PlanPounds, product: Product, rule_id: str = "") -> Check:
    """Batches of one recipe, each rounded, can still differ by a pound of a lot."""
    batches = plan.batches[product.product_id]
    spreads = [Measured(Fraction(0), note="" if batches else "none made")]
    for part in plan.totals[product.product_id].parts:
        pounds = [batch.pounds_of(part.lot) for batch in batches]
        spread = max(pounds) - min(pounds)
        allowance = min(ROUNDING_LB, part.slack_lb)
        spreads.append(Measured(spread, allowance, f"lot {part.lot.lot_id}" if spread else ""))
    requirement = Requirement(ConstraintClass.EQUAL_RECIPE, product.product_id, rule_id=rule_id)
    return Required(requirement, "lb", maximum=Fraction(0)).check(*spreads)


RULE = EqualRecipe()
