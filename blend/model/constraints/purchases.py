"""Purchases: a lot is not taken at all, or at least as much as its seller requires."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import TYPE_CHECKING

from blend.domain.exact import exact
from blend.domain.lots import Lot
from blend.domain.plan import Check
from blend.domain.plan_pounds import Measured, PlanPounds, Required, keeps_whole
from blend.domain.requirements import ConstraintClass, Requirement

if TYPE_CHECKING:
    from blend.model.build import ModelBuilder


def add(model: ModelBuilder) -> None:
    import numpy as np

    sets, take = model.sets, model.columns["take"]
    conditional = [
        index for index, lot in enumerate(sets.lots) if lot.min_purchase_lb > 0 or lot.must_take_all
    ]
    taken = model.columns.add(
        "is_taken",
        len(conditional),
        upper=1.0,
        whole=True,
        keys=lambda: sets.lot_keys(np.array(conditional, int)),
    )
    for index, is_taken in zip(conditional, taken, strict=True):
        lot = sets.lots[index]
        requirement = Requirement(ConstraintClass.MIN_PURCHASE, lot_id=lot.lot_id)
        min_lb = lot.max_lb if lot.must_take_all else lot.min_purchase_lb
        big_m_lb = max(min_lb, sets.max_take_lb[index])
        model.rows.add(requirement, [(take[index], 1.0), (is_taken, -min_lb)], lower=0.0)
        model.rows.add(requirement, [(take[index], 1.0), (is_taken, -big_m_lb)], upper=0.0)


def check(plan: PlanPounds, lot: Lot) -> Iterator[Check]:
    """Rounding a take to whole pounds can carry it below a minimum by a part of a pound."""
    available_lb, min_lb = plan.available_lb[lot.lot_id], exact(lot.min_purchase_lb)
    if lot.must_take_all and available_lb is not None:
        min_lb = available_lb
    if not min_lb:
        return
    requirement = Requirement(ConstraintClass.MIN_PURCHASE, lot_id=lot.lot_id)
    required = Required(requirement, "lb", minimum=min_lb)
    taken_lb = plan.taken_lb[lot.lot_id]
    if not taken_lb:
        yield required.not_needed("not taken")
    else:
        allowance = Fraction(0) if keeps_whole(plan.case, lot) else min_lb % 1
        yield required.check(Measured(taken_lb, allowance))
