"""Supply: what is used of a lot is taken first, and never more than there is.

What is taken and not used is left over and earns its salvage value, so a used pound costs the
delivered price and an unused one the price less its salvage value.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING

from blend.domain.exact import exact, is_near
from blend.domain.lots import Lot
from blend.domain.plan import Check
from blend.domain.plan_pounds import Measured, PlanPounds, Required, lb_text
from blend.domain.requirements import ConstraintClass, Requirement

if TYPE_CHECKING:
    from blend.model.build import ModelBuilder


def add(model: ModelBuilder) -> None:
    import numpy as np

    sets = model.sets
    price = np.array([lot.delivered_usd_per_lb for lot in sets.lots])
    salvage = np.array([lot.salvage_value_usd_per_lb for lot in sets.lots])
    take = model.columns.add(
        "take",
        len(sets.lots),
        cost=price - salvage,
        upper=sets.lot_max_lb,
        keys=lambda: sets.lot_keys(np.arange(len(sets.lots))),
    )
    pairs = np.arange(len(sets.pair_lot))
    use = model.columns.add(
        "use", len(pairs), cost=salvage[sets.pair_lot], keys=lambda: sets.pair_keys(pairs)
    )
    model.rows.add_block(
        [Requirement(ConstraintClass.SUPPLY, lot_id=lot.lot_id) for lot in sets.lots],
        [(sets.pair_lot, use, 1.0), (np.arange(len(take)), take, -1.0)],
        upper=0.0,
    )


def check(plan: PlanPounds, lot: Lot) -> Iterator[Check]:
    """Used <= taken <= what there is on the day, which is nothing of an unusable lot."""
    used, taken_lb = plan.used[lot.lot_id], plan.taken_lb[lot.lot_id]
    available_lb = plan.available_lb[lot.lot_id]
    drawn_lb = max(used.value, taken_lb)
    required = Required(
        Requirement(ConstraintClass.SUPPLY, lot_id=lot.lot_id),
        "lb",
        minimum=Fraction(0),
        maximum=available_lb,
        note=lot.reason_unusable(plan.case.settings.plan_on) or "",
    )
    value = Measured(drawn_lb)
    if used.value > taken_lb and (available_lb is None or drawn_lb <= available_lb):
        required = replace(required, maximum=taken_lb)
        value = replace(used, note="more is used than taken")
    yield required.check(value, fault=_wrong_take(plan, lot))


def _wrong_take(plan: PlanPounds, lot: Lot) -> str:
    takes, used_lb = plan.takes[lot.lot_id], plan.used[lot.lot_id].value
    if lot.lot_id in plan.below_zero:
        return "pounds below zero"
    stated_lb = sum((exact(take.used_lb) for take in takes), Fraction(0))
    if takes and not is_near(stated_lb, used_lb):
        return f"the plan states {lb_text(stated_lb)} used, not {lb_text(used_lb)}"
    return ""
