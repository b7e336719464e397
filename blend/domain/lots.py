"""Lots of trimmings on offer or in stock."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

FORMS = ("fresh", "frozen")
ON_HAND_OR_OFFERED = ("offered", "on hand")
CONTAINERS = ("combo", "box", "block", "loose")
PRICE_BASES = ("delivered", "fob")
DOMESTIC = "domestic"


@dataclass(frozen=True, slots=True)
class Lot:
    """One lot: what it is, what it costs, how much there is and when it can be used.

    Shares are fractions of 1 by weight; `lean` is chemical lean, 1 minus the fat
    share. `quantity_lb` None means the seller states no limit. `container_lb` is the net
    weight of one container, None for loose meat. `salvage_value_usd_per_lb` is what a
    taken but unused pound is worth (below zero: what it costs to be rid of it).
    """

    lot_id: str
    item: str
    species: str
    lean: float
    price_usd_per_lb: float
    quantity_lb: float | None
    fresh_or_frozen: str = "fresh"
    origin: str = DOMESTIC
    meat_class: str = ""
    supplier: str = ""
    label_claims: frozenset[str] = frozenset()
    on_hand_or_offered: str = "offered"
    price_basis: str = "delivered"
    freight_usd_per_lb: float = 0.0
    container: str = "loose"
    container_lb: float | None = None
    available_on: date | None = None
    use_by: date | None = None
    min_purchase_lb: float = 0.0
    must_take_all: bool = False
    salvage_value_usd_per_lb: float = 0.0

    @property
    def fat_share(self) -> float:
        return 1 - self.lean

    @property
    def delivered_usd_per_lb(self) -> float:
        """Price at the plant's dock: freight is added to an FOB price only."""
        freight = self.freight_usd_per_lb if self.price_basis == "fob" else 0.0
        return self.price_usd_per_lb + freight

    @property
    def max_lb(self) -> float:
        """Pounds there are, infinite where no limit is stated."""
        return math.inf if self.quantity_lb is None else self.quantity_lb

    def reason_unusable(self, day: date) -> str | None:
        """Why the lot cannot go into a blend made on `day`, or None when it can."""
        if self.available_on is not None and day < self.available_on:
            return f"first available {self.available_on.isoformat()}"
        if self.use_by is not None and day > self.use_by:
            return f"use-by {self.use_by.isoformat()} has passed"
        if self.quantity_lb == 0:
            return "none left"
        return None
