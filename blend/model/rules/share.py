"""share: a min and a max share of a product, after losses, from selected lots."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import TYPE_CHECKING

from blend.domain.plan import Check, Step
from blend.domain.plan_pounds import Part, PlanPounds
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import Rule, RuleKind
from blend.model.rules.definition import Limit, Measure, RuleDefinition

if TYPE_CHECKING:
    from blend.model.build import ModelBuilder


class Share(RuleDefinition):
    name = RuleKind.SHARE
    needs_one_of = ("min_share", "max_share")
    may_use = ("lots",)
    may_be_standard = True
    limits = (
        Limit(
            ConstraintClass.SHARE_MIN,
            "share of some meat, at least",
            "{meat} in {product} at least {min_share}",
            measure=Measure.SHARE,
            column="min_share",
            is_min=True,
            change="let {meat} in {product} be at least {becomes} instead of {was}",
            step=Step.SHARE_POINT,
        ),
        Limit(
            ConstraintClass.SHARE_MAX,
            "share of some meat, at most",
            "{meat} in {product} at most {max_share}",
            measure=Measure.SHARE,
            column="max_share",
            change="let {meat} in {product} be at most {becomes} instead of {was}",
            step=Step.SHARE_POINT,
        ),
    )

    def rows(self, rule: Rule, model: ModelBuilder) -> None:
        for blend, product in model.sets.blends_under(rule):
            pairs = model.sets.pairs_with(rule.lots, blend)
            pounds = (model.columns["use"][pairs], model.sets.kept_mass[pairs])
            finished = model.columns["finished"][blend]
            for limit, share in self.limits_set(rule):
                model.rows.add(
                    limit.of(rule, product), [pounds, (finished, -share)], **limit.bound(0.0)
                )

    def check(self, rule: Rule, plan: PlanPounds) -> Iterator[Check]:
        def selected(part: Part) -> Fraction:
            return part.mass_per_lb if rule.lots.holds(part.lot) else Fraction(0)

        return plan.check_shares(
            rule, selected, ConstraintClass.SHARE_MIN, ConstraintClass.SHARE_MAX
        )


RULE = Share()
