"""fat: a min and a max fat share of a product, after losses."""

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


class Fat(RuleDefinition):
    name = RuleKind.FAT
    needs_one_of = ("min_share", "max_share")
    may_be_standard = True
    holds_for_each_batch = False  # by the tested fat, not by the lots' lean
    limits = (
        Limit(
            ConstraintClass.FAT_MIN,
            "fat, at least",
            "fat of {product} at least {min_share}",
            measure=Measure.SHARE,
            column="min_share",
            is_min=True,
            change="let the fat of {product} be at least {becomes} instead of {was}",
            step=Step.LEAN_POINT,
        ),
        Limit(
            ConstraintClass.FAT_MAX,
            "fat, at most",
            "fat of {product} at most {max_share}",
            measure=Measure.SHARE,
            column="max_share",
            change="let the fat of {product} be at most {becomes} instead of {was}",
            step=Step.LEAN_POINT,
        ),
    )

    def rows(self, rule: Rule, model: ModelBuilder) -> None:
        for blend, product in model.sets.blends_under(rule):
            pairs = model.sets.pairs_of(blend)
            fat_lb = (
                model.columns["use"][pairs],
                model.sets.kept_mass[pairs] - model.sets.kept_lean[pairs],
            )
            finished = model.columns["finished"][blend]
            for limit, share in self.limits_set(rule):
                model.rows.add(
                    limit.of(rule, product), [fat_lb, (finished, -share)], **limit.bound(0.0)
                )

    def check(self, rule: Rule, plan: PlanPounds) -> Iterator[Check]:
        def fat(part: Part) -> Fraction:
            return part.fat_per_lb

        return plan.check_shares(rule, fat, ConstraintClass.FAT_MIN, ConstraintClass.FAT_MAX)


RULE = Fat()
