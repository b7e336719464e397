"""A programme's rows and columns under readable names, for tests to hold against."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blend.core.build import build_programme
from blend.core.programme import Programme
from blend.domain.case import Case
from blend.domain.requirements import Family

INF = float("inf")


@dataclass(frozen=True)
class Row:
    """One row: what it asks of whom, its coefficients by column name, and its bounds."""

    asks: tuple[str, ...]
    """Family, and what else of the requirement is filled in."""
    terms: dict[str, float]
    least: float = -INF
    most: float = INF


@dataclass(frozen=True)
class Column:
    cost: float
    least: float
    most: float
    whole: bool


class Stated:
    """The whole of one programme by name.

    Columns of pounds used are called "use lot>product" ("use lot>product.2" in its second
    batch), other blocks "take lot", "finished product", "is_used 0".
    """

    def __init__(self, case: Case, *, whole: bool = False) -> None:
        self.programme = build_programme(case, whole=whole)
        self.names = _column_names(self.programme)
        self.columns = {
            name: Column(cost, least, most, whole)
            for name, cost, least, most, whole in zip(
                self.names,
                self.programme.cost.tolist(),
                self.programme.lower.tolist(),
                self.programme.upper.tolist(),
                self.programme.whole.tolist(),
                strict=True,
            )
        }

    def rows(self, *families: Family) -> list[Row]:
        """The rows of some families, in their order."""
        programme = self.programme
        matrix = programme.matrix
        column = np.repeat(np.arange(len(programme.cost)), np.diff(matrix.start))
        return [
            Row(
                tuple(
                    part
                    for part in (asked.family, asked.product_id, asked.lot_id, asked.rule_id)
                    if part
                ),
                {
                    self.names[column[entry]]: float(matrix.value[entry])
                    for entry in np.flatnonzero(matrix.row == row)
                },
                float(programme.row_lower[row]),
                float(programme.row_upper[row]),
            )
            for row, asked in enumerate(programme.requirements)
            if asked.family in families
        ]


def _column_names(programme: Programme) -> list[str]:
    layout = programme.layout
    lots = [lot.lot_id for lot in layout.lots]
    blends = [
        layout.products[product].product_id + (f".{batch}" if batch else "")
        for product, batch in zip(layout.blends.product, layout.blends.batch, strict=True)
    ]
    pairs = [
        f"{lots[lot]}>{blends[blend]}"
        for lot, blend in zip(layout.pair_lot, layout.pair_blend, strict=True)
    ]
    within = {"take": lots, "use": pairs, "finished": blends, "batches": blends}
    names = [""] * len(programme.cost)
    for block, places in programme.names.items():
        count = places.stop - places.start
        called = within.get(block, [str(index) for index in range(count)])
        names[places] = [f"{block} {name}" for name in called]
    return names
