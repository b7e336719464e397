"""A program's rows and columns under readable names, for tests to hold against."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blend.domain.case import Case
from blend.domain.requirements import ConstraintClass
from blend.model.arrays import Model
from blend.model.build import build_model

INF = float("inf")


@dataclass(frozen=True)
class Row:
    """One row: what it asks of whom, its coefficients by column name, and its bounds."""

    asks: tuple[str, ...]
    """Family, and what else of the requirement is filled in."""
    terms: dict[str, float]
    minimum: float = -INF
    maximum: float = INF


@dataclass(frozen=True)
class Column:
    cost: float
    minimum: float
    maximum: float
    whole: bool


class Stated:
    """The whole of one program by name.

    Columns of pounds used are called "use lot>product" ("use lot>product.2" in its second
    batch), other blocks "take lot", "finished product", "is_used 0".
    """

    def __init__(self, case: Case, *, whole: bool = False) -> None:
        self.model = build_model(case, whole=whole)
        self.names = _column_names(self.model)
        self.columns = {
            name: Column(cost, minimum, maximum, whole)
            for name, cost, minimum, maximum, whole in zip(
                self.names,
                self.model.cost.tolist(),
                self.model.lower.tolist(),
                self.model.upper.tolist(),
                self.model.whole.tolist(),
                strict=True,
            )
        }

    def rows(self, *constraint_classes: ConstraintClass) -> list[Row]:
        """The rows of some families, in their order."""
        model = self.model
        matrix = model.matrix
        column = np.repeat(np.arange(len(model.cost)), np.diff(matrix.start))
        return [
            Row(
                tuple(
                    part
                    for part in (
                        asked.constraint_class,
                        asked.product_id,
                        asked.lot_id,
                        asked.rule_id,
                    )
                    if part
                ),
                {
                    self.names[column[entry]]: float(matrix.value[entry])
                    for entry in np.flatnonzero(matrix.row == row)
                },
                float(model.row_lower[row]),
                float(model.row_upper[row]),
            )
            for row, asked in enumerate(model.requirements)
            if asked.constraint_class in constraint_classes
        ]


def _column_names(model: Model) -> list[str]:
    sets = model.sets
    lots = [lot.lot_id for lot in sets.lots]
    blends = [
        sets.products[product].product_id + (f".{batch}" if batch else "")
        for product, batch in zip(sets.blends.product, sets.blends.batch, strict=True)
    ]
    pairs = [
        f"{lots[lot]}>{blends[blend]}"
        for lot, blend in zip(sets.pair_lot, sets.pair_blend, strict=True)
    ]
    within = {"take": lots, "use": pairs, "finished": blends, "batches": blends}
    names = [""] * len(model.cost)
    for block, places in model.names.items():
        count = places.stop - places.start
        called = within.get(block, [str(index) for index in range(count)])
        names[places] = [f"{block} {name}" for name in called]
    return names
