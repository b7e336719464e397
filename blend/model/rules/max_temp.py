"""max_temp: the blend is no warmer than this as it goes into the grinder."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import TYPE_CHECKING

from blend.domain.exact import exact
from blend.domain.plan import Check, Step
from blend.domain.plan_pounds import Blend, Measured, PlanPounds, Required
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import Rule, RuleKind
from blend.model.rules.definition import Limit, Measure, RuleDefinition

if TYPE_CHECKING:
    from blend.model.build import ModelBuilder


class MaxTemp(RuleDefinition):
    """The lots of a blend together bring no more heat than it may hold at the limit.

    Heat is what is balanced, ice and all, so the row is linear although temperatures are not.
    Heat of each lot above the limit is computed before planning (`blend.lean.heat`).
    """

    name = RuleKind.MAX_TEMP
    needs = ("max_temp_f",)
    holds_for_each_batch = False  # how warm the batch is by now is not known
    limits = (
        Limit(
            ConstraintClass.MAX_TEMP,
            "max temperature",
            "{product} no warmer than {max_temp_f}",
            measure=Measure.HEAT,
            step=Step.BTU_PER_LB,
        ),
    )

    def rows(self, rule: Rule, model: ModelBuilder) -> None:
        excess_btu_per_lb = dict(rule.excess_heat_btu_per_lb)
        for blend, product in model.sets.blends_under(rule):
            pairs = model.sets.pairs_of(blend)
            heat = [excess_btu_per_lb[lot.lot_id] for lot in model.sets.lots_of(pairs)]
            model.rows.add(
                self.limits[0].of(rule, product), [(model.columns["use"][pairs], heat)], upper=0.0
            )

    def check(self, rule: Rule, plan: PlanPounds) -> Iterator[Check]:
        excess = {lot_id: exact(btu) for lot_id, btu in rule.excess_heat_btu_per_lb}

        def above_limit(batch: Blend) -> Measured:
            """Heat above the limit, Btu per lb of the batch as weighed."""
            pounds = heat = moved = Fraction(0)
            for part in batch.parts:
                of_lot = excess[part.lot.lot_id]
                pounds += part.pounds
                heat += part.pounds * of_lot
                moved += part.slack_lb * abs(of_lot)
            return Measured(heat / pounds, moved / pounds, batch.note)

        for product in plan.products_under(rule):
            required = Required.by_rule(
                rule, product, ConstraintClass.MAX_TEMP, "Btu/lb", maximum=0
            )
            batches = plan.made_batches(product)
            if batches:
                yield required.check(*map(above_limit, batches))
            else:
                yield required.not_needed("none made")


RULE = MaxTemp()
