"""Daily blends: each day is blended under the rules of a day of its own.

The families of the one-day program state them; only the lots come from the stock.
"""

from __future__ import annotations

from blend.model.arrays import Columns, Rows
from blend.model.constraint_classes import LINEAR, counts, must_use, supply
from blend.model.days import DayColumns, DayRows, Days, with_room

_OVER_ALL_DAYS = (supply, must_use)


def add(days: Days, columns: Columns, rows: Rows) -> None:
    for place, sets in enumerate(days.sets_list):
        day_columns, day_rows = DayColumns(columns, place), DayRows(rows, days.days[place])
        day_columns.add("use", len(sets.pair_lot))
        for constraint_class in LINEAR:
            if constraint_class not in _OVER_ALL_DAYS:
                constraint_class.add(sets, day_columns, day_rows)
        counts.add(with_room(sets), day_columns, day_rows)
