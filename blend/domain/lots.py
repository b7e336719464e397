"""Lots of trimmings on offer or in stock."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from blend.domain import columns as col
from blend.domain.columns import LEAN, MAX_USD, SPECIES, record
from blend.units import us_date

FORMS = ("fresh", "frozen")
ON_HAND = "on hand"
ON_HAND_OR_OFFERED = ("offered", ON_HAND)
CONTAINERS = ("combo", "box", "block", "loose")
PRICE_BASES = ("delivered", "fob")
DOMESTIC = "domestic"


def _is_offer(values: Mapping[str, Any]) -> bool:
    return values.get("on_hand_or_offered") == "offered"


def _is_stock_at_cost(values: Mapping[str, Any]) -> bool:
    is_valued = values.get("books_usd_per_cwt") is not None
    return values.get("on_hand_or_offered") == ON_HAND and not is_valued


def _is_fob(values: Mapping[str, Any]) -> bool:
    return values.get("price_basis") == "fob"


@record("lots", "Trimmings on offer or on hand, one lot a row.", key="lot_id", required=True)
@dataclass(frozen=True, slots=True)
class Lot:
    """One lot: what it is, what it costs, how much there is and when it can be used.

    Shares are fractions of 1 by weight; `lean` is chemical lean, 1 minus the fat
    share. `quantity_lb` None means the seller states no limit. `container_lb` is the net
    weight of one container, None for loose meat. `salvage_value_usd_per_lb` is what a
    taken but unused pound is worth (below zero: what it costs to get rid of it). In a case read
    from sheets the price of a lot on hand is what it is worth if kept (`blend.domain.stock`).
    """

    lot_id: str = col.identifier(
        "the plant's own lot number",
        headings=("lot", "lot #", "lot no", "lot number"),
        example="B90-1",
    )
    item: str = col.word(
        "what the trade calls it, such as cow 90s",
        headings=("description", "item description"),
        example="fresh 90s",
    )
    species: str = col.choice("the animal it is from", SPECIES, example="beef")
    lean: float = col.share(
        "chemical lean", unit=LEAN, headings=("% lean", "lean %", "chemical lean"), example="90"
    )
    price_usd_per_lb: float = col.price(
        "asking price; for stock, the price on the books",
        headings=("ask", "asking price", "offer price"),
        example="349",
    )
    quantity_lb: float | None = col.pounds(
        "pounds on offer or on hand",
        blank="no limit stated",
        caution_when_blank="Enter the pounds on offer or on hand.",
        headings=("pounds", "lbs", "quantity", "qty", "qty lb", "pounds available"),
        example="16000",
        default=col.MISSING,
    )
    fresh_or_frozen: str = col.choice(
        "fresh (chilled) or frozen",
        FORMS,
        default="fresh",
        caution_when_blank="Enter fresh or frozen.",
        headings=("fresh/frozen",),
        example="fresh",
    )
    origin: str = col.word(
        "domestic, or the country; never assumed, as labels rest on it",
        default=DOMESTIC,
        required=True,
        convert=lambda origin: DOMESTIC if origin.casefold() == DOMESTIC else origin,
        headings=("country of origin", "country"),
        example=DOMESTIC,
    )
    meat_class: str = col.word(
        "such as cow, bull or heart",
        default="",
        caution_when_blank="Limits on a class, such as cheek, head or heart meat, do not apply."
        " Enter the class.",
        example="cow",
    )
    supplier: str = col.word(
        "who sells it",
        default="",
        caution_when_blank="Limits on a supplier do not apply. Enter the supplier.",
        headings=("vendor", "packer", "seller"),
        example="Packer A",
    )
    label_claims: frozenset[str] = col.words(
        "claims it can carry; capitals do not matter", default=frozenset(), convert=col.lower_case
    )
    on_hand_or_offered: str = col.choice(
        "offered by a seller, or on hand at the plant",
        ON_HAND_OR_OFFERED,
        default="offered",
        example="offered",
    )
    price_basis: str = col.choice(
        "delivered: the price includes freight; fob: freight is extra",
        PRICE_BASES,
        default="delivered",
        caution_when_blank="No freight is added. Enter delivered or fob.",
        example="delivered",
    )
    freight_usd_per_lb: float = col.per_cwt(
        "freight to the plant, for an fob price only",
        default=0.0,
        caution_when_blank="The price is fob. Enter the freight, or 0 if there is none.",
        caution_in_row=_is_fob,
    )
    container: str = col.choice(
        "what it comes in",
        CONTAINERS,
        default="loose",
        caution_when_blank="Any number of pounds can be bought. Enter what it comes in.",
        example="combo",
    )
    container_lb: float | None = col.pounds(
        "net weight of one container; blank for loose meat",
        minimum=1,
        blank="none, for loose meat only",
        example="2000",
    )
    available_on: date | None = col.day(
        "first day it can be used",
        blank="already here",
        caution_when_blank="Enter the day it can be used.",
        caution_in_row=_is_offer,
        headings=("available", "arrival date", "delivery date"),
    )
    use_by: date | None = col.day(
        "last day it can be used",
        blank="no last day",
        caution_when_blank="Enter the last day it can be used.",
        headings=("use by date", "expires", "expiration date"),
    )
    min_purchase_lb: float = col.pounds("smallest amount the seller will ship", default=0.0)
    must_take_all: bool = col.yes_no("yes: all of it or none", default=False)
    salvage_value_usd_per_lb: float = col.money(
        "value of a pound that is not used; negative if it costs money to get rid of",
        "USD per lb",
        default=0.0,
        minimum=-MAX_USD,
    )
    replacement_usd_per_lb: float | None = col.per_cwt(
        "for stock: what the same meat costs today, delivered",
        blank="its salvage value, or its price on the books without one",
        caution_when_blank="Enter what the same meat costs today, so that stock counts at what"
        " it is worth.",
        caution_in_row=_is_stock_at_cost,
    )
    books_usd_per_lb: float | None = col.per_cwt(
        "for stock: what it cost, where the price is what it is worth if kept",
        blank="the price is what it cost",
    )

    @property
    def is_on_hand(self) -> bool:
        return self.on_hand_or_offered == ON_HAND

    @property
    def cost_usd_per_lb(self) -> float:
        """What a pound cost or costs, delivered: for stock, on the books."""
        books = self.books_usd_per_lb
        return self.delivered_usd_per_lb if books is None else books

    @property
    def market_usd_per_lb(self) -> float:
        """What a pound of the same costs to buy today, delivered: for stock, its replacement
        price, else what it cost."""
        again = self.replacement_usd_per_lb if self.is_on_hand else None
        return self.cost_usd_per_lb if again is None else again

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
            return f"first available {us_date(self.available_on)}"
        if self.use_by is not None and day > self.use_by:
            return f"use-by {us_date(self.use_by)} has passed"
        if self.quantity_lb == 0:
            return "none left"
        return None
