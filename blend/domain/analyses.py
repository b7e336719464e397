"""Analyses: what is tested in meat and limited in a product. Only lean is used today.

Another one (moisture, protein) is one more row of `ANALYSES`, with its columns declared on lots,
losses and products; the model, the check and the index sets go through the table.
"""

from __future__ import annotations

from dataclasses import dataclass

from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import Loss


@dataclass(frozen=True, slots=True)
class Analysis:
    """One analysis, by the columns that hold its numbers. All of them are shares by weight."""

    name: str
    lot_column: str
    loss_column: str
    """Of a loss: the share of it that the step takes."""
    target_column: str
    below_column: str
    above_column: str
    """Of a product: the target, and the tolerance on either side."""
    min_class: str
    max_class: str

    def of_lot(self, lot: Lot) -> float:
        return getattr(lot, self.lot_column)

    def lost(self, loss: Loss) -> float:
        return getattr(loss, self.loss_column)

    def target(self, product: Product) -> float:
        return getattr(product, self.target_column)

    def below(self, product: Product) -> float:
        return getattr(product, self.below_column)

    def above(self, product: Product) -> float:
        return getattr(product, self.above_column)


LEAN = Analysis(
    name="lean",
    lot_column="lean",
    loss_column="lean_loss_share",
    target_column="target_lean",
    below_column="tolerance_below_share",
    above_column="tolerance_above_share",
    min_class=ConstraintClass.LEAN_MIN,
    max_class=ConstraintClass.LEAN_MAX,
)
ANALYSES = (LEAN,)
