"""keep_apart: a lot of `lots` and another lot of `against` never meet in one blend."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from itertools import product as every_pair
from typing import TYPE_CHECKING

from blend.domain.plan import Check
from blend.domain.plan_pounds import Measured, PlanPounds, Required
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import Selector
from blend.model.rules.definition import Limit, RuleDefinition

if TYPE_CHECKING:
    from blend.model.build import ModelBuilder


class KeepApart(RuleDefinition):
    name = RuleKind.KEEP_APART
    needs = ("lots", "against")
    is_whole = True
    limits = (
        Limit(
            ConstraintClass.KEEP_APART,
            "meats kept apart",
            "{meat} and {against} never together in {product}",
        ),
    )

    def switched(self, rule: Rule) -> tuple[Selector, ...]:
        return (rule.lots, _against(rule))

    def rows(self, rule: Rule, model: ModelBuilder) -> None:
        for blend, product in model.sets.blends_under(rule):
            ours = model.is_used[model.sets.pairs_with(rule.lots, blend)]
            theirs = model.is_used[model.sets.pairs_with(_against(rule), blend)]
            meetings = [(a, b) for a, b in every_pair(ours, theirs) if a != b]
            within = list(range(len(meetings)))
            model.rows.add_block(
                [self.limits[0].of(rule, product)] * len(meetings),
                [(within, [a for a, _ in meetings], 1.0), (within, [b for _, b in meetings], 1.0)],
                upper=1.0,
            )

    def check(self, rule: Rule, plan: PlanPounds) -> Iterator[Check]:
        against = rule.against
        assert against is not None, "keep_apart needs against"
        for product in plan.products_under(rule):
            meetings = {
                frozenset((ours.lot_id, theirs.lot_id))
                for batch in plan.batches[product.product_id]
                for ours in batch.lots_in(rule.lots)
                for theirs in batch.lots_in(against)
                if ours is not theirs
            }
            named = "; ".join(sorted(" with ".join(sorted(meeting)) for meeting in meetings))
            required = Required.by_rule(
                rule, product, ConstraintClass.KEEP_APART, "count", maximum=0
            )
            yield required.check(Measured(Fraction(len(meetings)), note=named and f"lot {named}"))


def _against(rule: Rule) -> Selector:
    assert rule.against is not None, "keep_apart needs against"
    return rule.against


RULE = KeepApart()
