"""Rooms: no cooler holds more overnight, or freezes more in a day, than it can; and what must
be there at the end is there."""

from __future__ import annotations

import numpy as np

from blend.domain.horizon import Cooler, DayConstraintClass, DayRequirement
from blend.model.arrays import Columns, Rows
from blend.model.days import Days


def add(days: Days, columns: Columns, rows: Rows) -> None:
    for cooler in days.horizon.coolers:
        lots = _lots_in(days, cooler)
        if not len(lots):
            continue
        for place, day in enumerate(days.days):
            held = (columns["stock"][days.at(lots, place)], 1.0)
            if cooler.capacity_lb is not None:
                capacity = DayRequirement(
                    day, DayConstraintClass.CAPACITY, cooler_id=cooler.cooler_id
                )
                rows.add(capacity, [held], upper=cooler.capacity_lb)
            if cooler.ending_inventory_lb > 0 and day == days.days[-1]:
                closing = DayRequirement(
                    day, DayConstraintClass.ENDING_INVENTORY, cooler_id=cooler.cooler_id
                )
                rows.add(closing, [held], lower=cooler.ending_inventory_lb)
        _add_freezer(days, columns, rows, cooler)


def _add_freezer(days: Days, columns: Columns, rows: Rows, cooler: Cooler) -> None:
    if cooler.freezing is None or cooler.freezing.max_lb is None:
        return
    own = np.array(
        [
            i
            for i, (fresh, _) in enumerate(days.freezable)
            if days.horizon.freezer_of(fresh) == cooler
        ],
        int,
    )
    for place, day in enumerate(days.days):
        freezer = DayRequirement(day, DayConstraintClass.FREEZER, cooler_id=cooler.cooler_id)
        frozen = (columns["freeze"][days.at(own, place)], 1.0)
        rows.add(freezer, [frozen], upper=cooler.freezing.max_lb)


def _lots_in(days: Days, cooler: Cooler) -> np.ndarray:
    held = [days.horizon.cooler_of(lot) == cooler for lot in days.lots]
    return np.flatnonzero(held)
