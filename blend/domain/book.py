"""The trader's book: purchases and sales, as they were made and as they were corrected."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from typing import TypeVar

from blend.domain import columns as col
from blend.domain.columns import record
from blend.domain.horizon import Side as QuoteSide
from blend.units import LB_PER_CWT


class Side(StrEnum):
    BUY = "buy"
    SELL = "sell"


class Pricing(StrEnum):
    FIXED = "fixed"
    FORMULA = "formula"
    """A published quotation of a day named in the contract, plus or minus an agreed amount."""
    BASIS = "basis"
    """An agreed basis over or under another price, to be fixed on a day one side picks."""


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
    """One purchase or sale. `price` is per cwt in `currency`; unless fixed, it is the basis.

    `priced_on` is the day whose quotation sets the price; None while it is open, and the price
    then moves with the quotation. What is still to be paid to land it, at a fixed amount and at
    the rate of a freight lane, adds to the cost of a purchase and comes off a sale: meat afloat
    is so marked at its landed parity. `corrects` names the deal whose place this one takes.
    """

    deal_id: str = col.identifier("your own deal number", example="D-1041")
    traded_on: date = col.day("day it was agreed", example="11/25/2026")
    side: Side = col.choice("buy or sell", Side, example="buy")
    item_id: str = col.word("the item, as it is quoted", example="90s")
    pounds_lb: float = col.pounds("pounds", minimum=1, example="40000")
    price: float = col.money(
        "fixed: the price; else the basis over (under) the quotation; in currency",
        "per cwt",
        between=(-10_000, 100_000),
        example="341.50",
    )
    pricing: Pricing = col.choice(
        "fixed; formula: a quotation plus an amount; basis: to be fixed later",
        Pricing,
        default=Pricing.FIXED,
        example="fixed",
    )
    priced_on: date | None = col.day(
        "formula, basis: the day whose quotation sets it", blank="still open"
    )
    priced_off: str = col.word(
        "formula, basis: the item whose quotation sets it", default="", blank="item_id"
    )
    price_by: date | None = col.day("formula, basis: last day to price it", blank="not agreed")
    counterparty: str = col.word("who with; never on an offer sheet", default="")
    where: Where = col.choice("in stock, afloat or on contract", Where, default=Where.STOCK)
    delivery_month: str = col.word("such as 2026-12", default="")
    use_by: date | None = col.day(
        "last day of use of meat in stock", default=None, blank="as its cooler keeps it"
    )
    origin: str = col.word("country or region it is from", default="")
    currency: str = col.word("of price", default="USD", convert=str.upper)
    usd_per_currency: float | None = col.number(
        "rate locked in, USD for one",
        unit="USD",
        between=(1e-6, 1_000_000),
        blank="open: the day's in book_rates",
    )
    to_land_usd_per_cwt: float = col.money(
        "still to pay to land it: duty, fees, freight agreed", "USD per cwt", default=0.0
    )
    freight_lane: str = col.word(
        "lane of book_rates whose freight is still open", default="", blank="none open"
    )
    takes: str = col.identifier("the bid or offer it takes", default="", blank="none")
    lean_claim: LeanClaim = col.choice(
        "how a lean shortage is settled", LeanClaim, default=LeanClaim.NOT_AGREED
    )
    recorded_on: date | None = col.day("day it was entered", blank="as traded_on")
    corrects: str = col.identifier("the deal it replaces", default="", blank="none")
    withdrawn: bool = col.yes_no("yes: the deal it corrects no longer counts", default=False)

    @property
    def entry_id(self) -> str:
        return self.deal_id

    @property
    def made_on(self) -> date:
        return self.traded_on

    @property
    def reference(self) -> str:
        """The item whose quotation prices it."""
        return self.priced_off or self.item_id

    @property
    def signed_cwt(self) -> float:
        return self.signed_lb / LB_PER_CWT

    def is_open_on(self, day: date) -> bool:
        """Whether its price still moves with a quotation."""
        is_fixed = self.pricing is Pricing.FIXED
        return not is_fixed and (self.priced_on is None or self.priced_on > day)

    @property
    def has_open_rate(self) -> bool:
        """Whether its price in dollars still moves with an exchange rate."""
        return self.currency != "USD" and self.usd_per_currency is None

    @property
    def signed_lb(self) -> float:
        """Above zero for a purchase."""
        return self.pounds_lb if self.side is Side.BUY else -self.pounds_lb

    @property
    def known_on(self) -> date:
        return self.recorded_on or self.traded_on


@record("bids_offers", "Bids and offers, yours and theirs, until they run out.", key="quote_id")
@dataclass(frozen=True, slots=True)
class BidOffer:
    """A bid or an offer of so many pounds, good until the end of a day. Deals that take it, in
    part or whole, name it."""

    quote_id: str = col.identifier("your own number for it", example="Q-31")
    side: QuoteSide = col.choice("bid or offer", QuoteSide, example="bid")
    item_id: str = col.word("the item, as it is quoted", example="90s")
    pounds_lb: float = col.pounds("pounds", minimum=1, example="2 loads")
    price_usd_per_cwt: float = col.money("price", "USD per cwt", example="347.50")
    given_on: date = col.day("day it was given", example="11/24/2026")
    good_until: date = col.day("last day it is good", example="11/27/2026")
    delivery_month: str = col.word("such as 2026-12", default="", blank="prompt")
    counterparty: str = col.word("who with", default="")
    is_ours: bool = col.yes_no("yes: you gave it, no: they did", default=False)
    recorded_on: date | None = col.day("day it was entered", blank="as given_on")
    corrects: str = col.identifier("the one whose place it takes", default="", blank="none")
    withdrawn: bool = col.yes_no("yes: nothing replaces what it corrects", default=False)

    @property
    def entry_id(self) -> str:
        return self.quote_id

    @property
    def made_on(self) -> date:
        return self.given_on

    @property
    def known_on(self) -> date:
        return self.recorded_on or self.given_on


def first_of_month(delivery_month: str) -> date | None:
    """The first day of a month such as 2026-12; None where it is no month."""
    try:
        return datetime.strptime(delivery_month, "%Y-%m").date()
    except ValueError:
        return None


class RateKind(StrEnum):
    EXCHANGE = "exchange"
    """USD for one of the currency."""
    FREIGHT = "freight"
    """USD per cwt of the lane."""
    INSTRUMENT = "instrument"
    """USD per cwt of something to hedge with that is not quoted here."""


@record("book_rates", "Exchange and freight rates, and prices to hedge with, by day.")
@dataclass(frozen=True, slots=True)
class BookRate:
    """One rate on one day."""

    rate: str = col.word("the currency, or the freight lane", example="AUD")
    kind: RateKind = col.choice(
        "exchange: USD for one; freight, instrument: USD per cwt", RateKind, example="exchange"
    )
    rated_on: date = col.day("day of the rate", example="11/25/2026")
    value: float = col.number("the rate", unit="USD", between=(0, 1_000_000), example="0.652")


class LimitKind(StrEnum):
    """What a limit is on."""

    COUNTERPARTY = "counterparty"
    """Open with one, bought and sold alike, at the day's marks."""
    ITEM = "item"
    ORIGIN = "origin"
    MONTH = "month"
    LEAN = "lean"
    FAT = "fat"
    BOOK = "book"
    """All items, long and short alike."""


@record("limits", "Limits of the book; blank `limited` means each of its kind.")
@dataclass(frozen=True, slots=True)
class Limit:
    """The most pounds, dollars at mark or both. Net positions, long or short."""

    kind: LimitKind = col.choice("what it limits", LimitKind, example="item")
    limited: str = col.word("which one", default="", blank="each", example="90s")
    max_lb: float | None = col.pounds("most pounds", blank="no limit")
    max_usd: float | None = col.money(
        "most dollars at the day's marks", "USD", blank="no limit", maximum=1_000_000_000
    )


Entry = TypeVar("Entry", bound=Deal | BidOffer)


def live(entries: Iterable[Entry], as_of: date) -> list[Entry]:
    """Entries as they stood on a day: corrections in place of what they correct, withdrawals
    gone."""
    known = [each for each in entries if each.known_on <= as_of and each.made_on <= as_of]
    gone = {each.corrects for each in known if each.corrects}
    return [each for each in known if each.entry_id not in gone and not each.withdrawn]


def wrong_corrections(corrects: Mapping[str, str]) -> dict[str, str]:
    """Of entries and what each corrects, blank for none: the wrong ones, and what is required.

    Two corrections of one entry would count it twice, and two that correct each other not at all.
    """
    wrong: dict[str, str] = {}
    first: dict[str, str] = {}
    for entry_id, corrected in corrects.items():
        if not corrected:
            continue
        if corrected not in corrects:
            wrong[entry_id] = "an entry of the book"
        elif corrected in first:
            wrong[entry_id] = f"{first[corrected]}, which corrected it"
        elif _leads_back(entry_id, corrects):
            wrong[entry_id] = "an entry that does not take the place of this one"
        else:
            first[corrected] = entry_id
    return wrong


def _leads_back(entry_id: str, corrects: Mapping[str, str]) -> bool:
    passed: set[str] = set()
    at = corrects[entry_id]
    while at and at not in passed:
        passed.add(at)
        at = corrects.get(at, "")
    return entry_id in passed


@dataclass(frozen=True, slots=True)
class Book:
    """All that a trader's book holds."""

    deals: tuple[Deal, ...]
    bids_offers: tuple[BidOffer, ...] = ()
    rates: tuple[BookRate, ...] = ()
    limits: tuple[Limit, ...] = ()

    @property
    def entries(self) -> list[Deal | BidOffer]:
        return [*self.deals, *self.bids_offers]


@record("stress", "Stress moves of the book, made by hand: one item a row.")
@dataclass(frozen=True, slots=True)
class StressMove:
    """One item's move in a stress. `change` is in `change_unit`."""

    item: str = col.word("the item, currency or lane", example="90s")
    change: float = col.number(
        "how far its price moves; below zero is a fall",
        between=(-10_000, 10_000),
        unit="in change_unit",
        example="-25",
    )
    change_unit: str = col.choice(
        "of change: USD (per cwt of an item), or percent of the price or rate",
        ("usd_per_cwt", "percent"),
        default="usd_per_cwt",
    )
    stress: str = col.word("what the stress is called", default="By hand", example="Export ban")

    def change_of(self, mark_usd_per_cwt: float) -> float:
        """The move in USD per cwt."""
        if self.change_unit == "percent":
            return self.change / 100 * mark_usd_per_cwt
        return self.change


@record("correlations", "Correlations of weekly moves, in the place of fitted ones: a pair a row.")
@dataclass(frozen=True, slots=True)
class CorrelatedPair:
    """Two prices or rates of the book and how they move together."""

    one: str = col.word("an item, currency or freight lane", example="90s")
    other: str = col.word("another one", example="NZD")
    correlation: float = col.number(
        "of their weekly moves", unit="-1 to 1", between=(-1, 1), example="0.4"
    )
