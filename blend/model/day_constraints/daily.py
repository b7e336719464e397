"""Daily blends: each day is blended under the constraints of its own one-day model; only
the lots come from the stock."""

from __future__ import annotations

from blend.domain.rules import RuleKind
from blend.model.arrays import Columns, Rows
from blend.model.build import ModelBuilder, add_rules
from blend.model.constraints import analyses, volume
from blend.model.days import DayColumns, DayRows, Days, with_room

_NOT_BY_DAY = (RuleKind.EQUAL_RECIPE,)
"""Batches of a product are alike within a day by construction."""


def add(days: Days, columns: Columns, rows: Rows) -> None:
    for place, sets in enumerate(days.sets_list):
        day_columns, day_rows = DayColumns(columns, place), DayRows(rows, days.days[place])
        day_columns.add("use", len(sets.pair_lot))
        model = ModelBuilder(sets, day_columns, day_rows)
        for constraint in (volume, analyses):
            constraint.add(model)
        add_rules(model, lambda kind: not kind.is_whole and not kind.spans_products)
        add_rules(
            ModelBuilder(with_room(sets), day_columns, day_rows),
            lambda kind: kind.is_whole and kind.name not in _NOT_BY_DAY,
        )
