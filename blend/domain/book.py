"""The trader's book: purchases and sales, as they were made and as they were corrected."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from blend.domain import columns as col
from blend.domain.columns import record


class Side(StrEnum):
    BUY = "buy"
    SELL = "sell"


class Pricing(StrEnum):
    FIXED = "fixed"
    FORMULA = "formula"
    """A published quotation plus a basis."""


class Where(StrEnum):
    STOCK = "stock"
    AFLOAT = "afloat"
    CONTRACT = "contract"


class LeanClaim(StrEnum):
    NOT_AGREED = "not_agreed"
    PRO_RATA = "pro_rata"
    """Off the price in proportion to the lean that is missing."""
    BY_LINE = "by_line"
    """Off the price by what a lean point is worth on the day's line."""


@record("deals", "The book: one purchase or sale a row.", key="deal_id", required=True)
@dataclass(frozen=True, slots=True)
class Deal:
    """One purchase or sale. `price` is per cwt in `currency`; for a formula deal it is the basis.

    `priced_on` is the day whose quotation sets a formula price; None while it is open, and the
    price then moves with the quotation. `corrects` names the deal whose place this one takes.
    """

    deal_id: str = col.identifier("your own deal number", example="D-1041")
    traded_on: date = col.day("day it was agreed", example="11/25/2026")
    side: Side = col.choice("buy or sell", Side, convert=Side, example="buy")
    item_id: str = col.word("the item, as it is quoted", example="90s")
    pounds_lb: float = col.pounds("pounds", minimum=1, example="40000")
    price: float = col.money(
        "fixed: the price; formula: the basis over (under) the quotation; in currency",
        "per cwt",
        minimum=-10_000,
        maximum=100_000,
        example="341.50",
    )
    pricing: Pricing = col.choice(
        "fixed, or formula: a quotation plus a basis",
        Pricing,
        default=Pricing.FIXED,
        convert=Pricing,
        example="fixed",
    )
    priced_on: date | None = col.day(
        "formula: the day whose quotation sets it", default=None, blank="still open"
    )
    counterparty: str = col.word("who with; never on an offer sheet", default="")
    where: Where = col.choice(
        "in stock, afloat or on contract", Where, default=Where.STOCK, convert=Where
    )
    delivery_month: str = col.word("such as 2026-12", default="")
    currency: str = col.word("of price", default="USD")
    lean_claim: LeanClaim = col.choice(
        "how a lean shortage is settled",
        LeanClaim,
        default=LeanClaim.NOT_AGREED,
        convert=LeanClaim,
    )
    recorded_on: date | None = col.day("day it was entered", default=None, blank="as traded_on")
    corrects: str = col.identifier("the deal it replaces", default="", blank="none")
    withdrawn: bool = col.yes_no("yes: the deal it corrects no longer counts", default=False)

    @property
    def signed_lb(self) -> float:
        """Above zero for a purchase."""
        return self.pounds_lb if self.side is Side.BUY else -self.pounds_lb

    @property
    def known_on(self) -> date:
        return self.recorded_on or self.traded_on


@record("stress", "Stress moves of the book, made by hand: one item a row.")
@dataclass(frozen=True, slots=True)
class StressMove:
    """One item's move in a stress. `change` is in `change_unit`."""

    item: str = col.word("the item, as it is quoted", example="90s")
    change: float = col.number(
        "how far its price moves; below zero is a fall",
        minimum=-10_000,
        maximum=10_000,
        unit="in change_unit",
        example="-25",
    )
    change_unit: str = col.choice(
        "of change: USD per cwt, or percent of the mark",
        ("usd_per_cwt", "percent"),
        default="usd_per_cwt",
    )
    stress: str = col.word("what the stress is called", default="By hand", example="Export ban")

    def change_of(self, mark_usd_per_cwt: float) -> float:
        """The move in USD per cwt."""
        if self.change_unit == "percent":
            return self.change / 100 * mark_usd_per_cwt
        return self.change
