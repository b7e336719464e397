"""The market as a reporter sees it: who bid, offered and traded what, and what was published."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum


class EntryKind(StrEnum):
    TRADE = "trade"
    """Concluded, with price and pounds."""
    BID = "bid"
    OFFER = "offer"
    OTHER = "other"
    """Talk, an indication, a formula settlement: other market information."""


@dataclass(frozen=True, slots=True)
class Item:
    """What one quotation series is of, and on which terms.

    Prices of entries are brought to these terms before they are compared.
    """

    item_id: str
    name: str
    species: str
    lean_share: float
    form: str
    origin: str
    basis: str = "fob"
    """"fob" the seller's plant or port, or "delivered"."""
    delivered_within_days: int = 21
    """Later deliveries are another market."""
    tick_usd_per_cwt: float = 0.25
    """The step in which prices of the item are commonly named."""


@dataclass(frozen=True, slots=True)
class CanvassEntry:
    """One thing heard in the canvass, as heard; nothing is ever overwritten.

    A correction is a new entry whose `corrects` names the entry it replaces; `withdrawn`
    replaces it by nothing. `source` is the firm that told it, kept for the record and never
    published; `source_class` says what it is (packer, grinder, trader, importer, broker).
    """

    entry_id: str
    heard_at: datetime
    market_day: date
    kind: EntryKind
    item_id: str
    usd_per_cwt: float
    pounds_lb: float | None
    source: str
    source_class: str
    lean_share: float | None = None
    """None: the item's own."""
    basis: str = "fob"
    freight_usd_per_cwt: float | None = None
    """From the seller to the buyer, where the price is on another basis than the item's."""
    delivered_within_days: int | None = None
    is_firm: bool = True
    """A bid or offer that could be hit or lifted when it was heard."""
    between_affiliates: bool = False
    note: str = ""
    corrects: str | None = None
    withdrawn: bool = False


@dataclass(frozen=True, slots=True)
class Published:
    """One quotation as published, so that it can be made again from the store."""

    item_id: str
    market_day: date
    usd_per_cwt: float
    low_usd_per_cwt: float
    high_usd_per_cwt: float
    tone: str
    evidence: str
    """Which rung of the method it stands on, in one word."""
    method_digest: str
    published_at: datetime
    assessor: str
    override_reason: str = ""


@dataclass(frozen=True, slots=True)
class Volume:
    """One figure of a volume series: availability, orders, slaughter, imports, cold storage."""

    series_id: str
    period_end: date
    value: float
    unit: str
    item_id: str = ""
    origin: str = ""
    corrects: date | None = None
