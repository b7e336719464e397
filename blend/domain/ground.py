"""What was ground, or a recipe made by hand, and what was counted after it."""

from __future__ import annotations

from dataclasses import dataclass

from blend.domain import columns as col
from blend.domain.columns import record


@record("ground", "What was ground, or a recipe made by hand: one lot of one product a row.")
@dataclass(frozen=True, slots=True)
class GroundLine:
    """Pounds of one lot in one product, all its batches together, as weighed before losses."""

    product_id: str = col.identifier("the product, as in products.csv", example="GB80")
    lot_id: str = col.identifier("the lot, as in lots.csv", example="B50-2")
    pounds_lb: float = col.pounds("weighed into all its batches, before losses", example="4000")
    batches: int | None = col.count(
        "how many batches", blank="batches of the usual size", minimum=1
    )


@record("inventory", "Pounds counted at the plant, one lot a row.", key="lot_id")
@dataclass(frozen=True, slots=True)
class CountedLot:
    """What was counted of a lot, opened containers included."""

    lot_id: str = col.identifier("the lot, as in lots.csv", example="B50-2")
    left_lb: float = col.pounds("pounds left, opened containers included", example="2600")
