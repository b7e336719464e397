"""Purchases: a lot is taken not at all, or at least as much as its seller asks."""

from __future__ import annotations

from blend.core.layout import Layout
from blend.core.programme import Columns, Rows
from blend.domain.requirements import Family, Requirement


def add(layout: Layout, columns: Columns, rows: Rows) -> None:
    conditional = [
        index
        for index, lot in enumerate(layout.lots)
        if lot.least_purchase_lb > 0 or not lot.can_split
    ]
    taken = columns.add("is_taken", len(conditional), upper=1.0, whole=True)
    take = columns["take"]
    for index, is_taken in zip(conditional, taken, strict=True):
        lot = layout.lots[index]
        requirement = Requirement(Family.LEAST_PURCHASE, lot_id=lot.lot_id)
        least_lb = lot.least_purchase_lb if lot.can_split else lot.most_lb
        rows.add(requirement, [(take[index], 1.0), (is_taken, -least_lb)], lower=0.0)
        most_lb = max(least_lb, layout.most_take_lb[index])
        rows.add(requirement, [(take[index], 1.0), (is_taken, -most_lb)], upper=0.0)
