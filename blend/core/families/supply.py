"""Supply: what is used of a lot is taken first, and no more is taken than there is.

What is taken and not used is left over; its value is credited, so that a used pound costs
the delivered price and an unused one the price less its left-over value.
"""

from __future__ import annotations

import numpy as np

from blend.core.layout import Layout
from blend.core.programme import Columns, Rows
from blend.domain.requirements import Family, Requirement


def add(layout: Layout, columns: Columns, rows: Rows) -> None:
    price = np.array([lot.delivered_usd_per_lb for lot in layout.lots])
    leftover = np.array([lot.leftover_value_usd_per_lb for lot in layout.lots])
    take = columns.add("take", len(layout.lots), cost=price - leftover, upper=layout.lot_most_lb)
    use = columns.add("use", len(layout.pair_lot), cost=leftover[layout.pair_lot])
    lot_rows = np.arange(len(layout.lots))
    rows.add_block(
        [Requirement(Family.SUPPLY, lot_id=lot.lot_id) for lot in layout.lots],
        [(layout.pair_lot, use, 1.0), (lot_rows, take, -1.0)],
        upper=0.0,
    )
