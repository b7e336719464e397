"""Purchases: a lot is taken not at all, or at least as much as its seller asks."""

from __future__ import annotations

from blend.domain.requirements import ConstraintClass, Requirement
from blend.model.arrays import Columns, Rows
from blend.model.sets import IndexSets


def add(sets: IndexSets, columns: Columns, rows: Rows) -> None:
    conditional = [
        index for index, lot in enumerate(sets.lots) if lot.min_purchase_lb > 0 or lot.must_take_all
    ]
    taken = columns.add("is_taken", len(conditional), upper=1.0, whole=True)
    take = columns["take"]
    for index, is_taken in zip(conditional, taken, strict=True):
        lot = sets.lots[index]
        requirement = Requirement(ConstraintClass.MIN_PURCHASE, lot_id=lot.lot_id)
        min_lb = lot.max_lb if lot.must_take_all else lot.min_purchase_lb
        rows.add(requirement, [(take[index], 1.0), (is_taken, -min_lb)], lower=0.0)
        max_lb = max(min_lb, sets.max_take_lb[index])
        rows.add(requirement, [(take[index], 1.0), (is_taken, -max_lb)], upper=0.0)
