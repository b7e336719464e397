"""Daily blends: each day is blended under the rules of a day of its own.

The families of the one-day programme state them; only the lots come from the stock.
"""

from __future__ import annotations

from blend.core.days import DayColumns, DayRows, Days, with_room
from blend.core.families import LINEAR, counts, must_use, supply
from blend.core.programme import Columns, Rows

_OVER_ALL_DAYS = (supply, must_use)


def add(days: Days, columns: Columns, rows: Rows) -> None:
    for place, layout in enumerate(days.layouts):
        day_columns, day_rows = DayColumns(columns, place), DayRows(rows, days.days[place])
        day_columns.add("use", len(layout.pair_lot))
        for family in LINEAR:
            if family not in _OVER_ALL_DAYS:
                family.add(layout, day_columns, day_rows)
        counts.add(with_room(layout), day_columns, day_rows)
