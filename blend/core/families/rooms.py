"""Rooms: no store holds more overnight, or freezes more in a day, than it can; and what must
be there at the end is there."""

from __future__ import annotations

import numpy as np

from blend.core.days import Days
from blend.core.programme import Columns, Rows
from blend.domain.horizon import DayFamily, DayRequirement, Store


def add(days: Days, columns: Columns, rows: Rows) -> None:
    for store in days.horizon.stores:
        lots = _lots_in(days, store)
        if not len(lots):
            continue
        for place, day in enumerate(days.days):
            held = (columns["stock"][days.at(lots, place)], 1.0)
            if store.capacity_lb is not None:
                capacity = DayRequirement(day, DayFamily.CAPACITY, store_id=store.store_id)
                rows.add(capacity, [held], upper=store.capacity_lb)
            if store.closing_lb > 0 and day == days.days[-1]:
                closing = DayRequirement(day, DayFamily.CLOSING, store_id=store.store_id)
                rows.add(closing, [held], lower=store.closing_lb)
        _add_freezer(days, columns, rows, store)


def _add_freezer(days: Days, columns: Columns, rows: Rows, store: Store) -> None:
    if store.freezing is None or store.freezing.most_lb is None:
        return
    own = np.array(
        [
            i
            for i, (fresh, _) in enumerate(days.freezable)
            if days.horizon.freezer_of(fresh) == store
        ],
        int,
    )
    for place, day in enumerate(days.days):
        freezer = DayRequirement(day, DayFamily.FREEZER, store_id=store.store_id)
        frozen = (columns["freeze"][days.at(own, place)], 1.0)
        rows.add(freezer, [frozen], upper=store.freezing.most_lb)


def _lots_in(days: Days, store: Store) -> np.ndarray:
    held = [days.horizon.store_of(lot) == store for lot in days.lots]
    return np.flatnonzero(held)
