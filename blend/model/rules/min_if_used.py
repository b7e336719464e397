"""min_if_used: each selected lot is left out or makes at least a share of the blend."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING

from blend.domain.lots import Lot
from blend.domain.plan import Check
from blend.domain.plan_pounds import Blend, Measured, PlanPounds, Required
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import Selector
from blend.model.rules.definition import Limit, RuleDefinition

if TYPE_CHECKING:
    from blend.model.build import ModelBuilder


class MinIfUsed(RuleDefinition):
    name = RuleKind.MIN_IF_USED
    needs = ("min_share",)
    may_use = ("lots",)
    may_be_standard = True
    is_whole = True
    limits = (
        Limit(
            ConstraintClass.MIN_IF_USED,
            "min share if used",
            "each lot of {meat} used in {product} at least {min_share} of it",
            column="min_share",
            is_min=True,
        ),
    )

    def switched(self, rule: Rule) -> tuple[Selector, ...]:
        return (rule.lots,)

    def rows(self, rule: Rule, model: ModelBuilder) -> None:
        limit, share = self.limits_set(rule)[0]
        for blend, product in model.sets.blends_under(rule):
            pairs = model.sets.pairs_with(rule.lots, blend)
            # the share of the blend, unless the lot is unused: then the big-M relaxes the row
            big_m_lb = share * model.sets.max_blend_lb[blend]
            within = list(range(len(pairs)))
            model.rows.add_block(
                [limit.of(rule, product)] * len(pairs),
                [
                    (within, model.columns["use"][pairs], model.sets.kept_mass[pairs]),
                    (within, [model.columns["finished"][blend]] * len(pairs), -share),
                    (within, model.is_used[pairs], -big_m_lb),
                ],
                lower=-big_m_lb,
            )

    def check(self, rule: Rule, plan: PlanPounds) -> Iterator[Check]:
        for product in plan.products_under(rule):
            required = Required.by_rule(
                rule, product, ConstraintClass.MIN_IF_USED, "share", minimum=rule.min_share
            )
            shares = [
                _share_of(lot, batch)
                for batch in plan.made_batches(product)
                for lot in batch.lots_in(rule.lots)
            ]
            yield required.check(*shares) if shares else required.not_needed("none used")


def _share_of(lot: Lot, batch: Blend) -> Measured:
    share = batch.share(lambda part: part.mass_per_lb if part.lot is lot else Fraction(0))
    where = f"lot {lot.lot_id}, {batch.note}" if batch.note else f"lot {lot.lot_id}"
    return replace(share, note=where)


RULE = MinIfUsed()
