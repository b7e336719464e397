"""Supply: what is used of a lot is taken first, and no more is taken than there is.

What is taken and not used is left over; its value is credited, so that a used pound costs
the delivered price and an unused one the price less its left-over value.
"""

from __future__ import annotations

import numpy as np

from blend.domain.requirements import ConstraintClass, Requirement
from blend.model.arrays import Columns, Rows
from blend.model.sets import IndexSets


def add(sets: IndexSets, columns: Columns, rows: Rows) -> None:
    price = np.array([lot.delivered_usd_per_lb for lot in sets.lots])
    leftover = np.array([lot.salvage_value_usd_per_lb for lot in sets.lots])
    take = columns.add("take", len(sets.lots), cost=price - leftover, upper=sets.lot_max_lb)
    use = columns.add("use", len(sets.pair_lot), cost=leftover[sets.pair_lot])
    lot_rows = np.arange(len(sets.lots))
    rows.add_block(
        [Requirement(ConstraintClass.SUPPLY, lot_id=lot.lot_id) for lot in sets.lots],
        [(sets.pair_lot, use, 1.0), (lot_rows, take, -1.0)],
        upper=0.0,
    )
