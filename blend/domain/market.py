"""The market as a reporter sees it: who bid, offered and traded what, and what was published."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from functools import lru_cache

LB_PER_LOAD = 40_000.0
"""One truckload, as the trade counts."""


class EntryKind(StrEnum):
    TRADE = "trade"
    """Concluded, with price and pounds."""
    BID = "bid"
    OFFER = "offer"
    OTHER = "other"
    """Talk, an indication, a formula settlement: other market information."""


SOURCE_CLASSES = ("packer", "grinder", "trader", "importer", "broker", "other")
"""What a firm that tells of the market is."""


@dataclass(frozen=True, slots=True)
class Item:
    """What one quotation series is of, and on which terms.

    Prices of entries are brought to these terms before they are compared. An item has one
    species, form and origin: meat of another form or origin is another item.
    """

    item_id: str
    name: str
    species: str
    lean: float
    fresh_or_frozen: str
    origin: str
    basis: str = "fob"
    """"fob" the seller's plant or port, or "delivered"."""
    delivered_within_days: int = 21
    """Later deliveries are another market."""
    tick_usd_per_cwt: float = 0.25
    """The step in which prices of the item are commonly named."""
    point_usd_per_cwt: float | None = None
    """What one lean point adds; None: prices at another lean are adjusted by proportion."""


@dataclass(frozen=True, slots=True)
class CanvassEntry:
    """One thing heard in the canvass, as heard; nothing is ever overwritten.

    A correction is a new entry whose `corrects` names the entry it replaces; `withdrawn`
    replaces it by nothing. `source` is the firm that told it, kept for the record and never
    published; `source_class` says what it is (packer, grinder, trader, importer, broker).
    """

    entry_id: str
    heard_at: datetime
    """By the reporter's clock, without a zone; of a correction, when the first entry was heard."""
    market_day: date
    kind: EntryKind
    item_id: str
    usd_per_cwt: float
    pounds_lb: float | None
    source: str
    source_class: str
    lean: float | None = None
    """None: the item's own."""
    basis: str = "fob"
    freight_usd_per_cwt: float | None = None
    """From the seller to the buyer, where the price is on another basis than the item's."""
    delivered_within_days: int | None = None
    """None: within the item's own days."""
    is_firm: bool = True
    """A bid or offer that could be hit or lifted when it was heard."""
    between_affiliates: bool = False
    note: str = ""
    corrects: str | None = None
    withdrawn: bool = False

    @property
    def firm(self) -> str:
        """The source without the accidents of writing: one firm, one name."""
        return _one_name(self.source)


@lru_cache(maxsize=4096)
def _one_name(source: str) -> str:
    return " ".join(source.split()).casefold()


@dataclass(frozen=True, slots=True)
class Published:
    """One quotation as published, so that it can be made again from the store.

    A later one of the same item and day takes its place; both are kept.
    """

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
    """With its zone; the store sets it when it keeps the quotation."""
    assessor: str
    override_reason: str = ""
    """Why `usd_per_cwt` is not what the method gave; empty where it is."""
    assessed_usd_per_cwt: float | None = None
    """What the method gave; None where it gave no quotation."""
    confidence: str = ""
    rationale: tuple[str, ...] = ()
    """Codes of every judgment that went into it."""
    store_position: int | None = None
    """Number of the last append to the store that the quotation rests on."""


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
    """Its own `period_end` where it takes the place of an earlier figure."""

    @property
    def key(self) -> tuple[str, date, str, str]:
        """What one figure is of; a series has one standing figure for each."""
        return self.series_id, self.period_end, self.item_id, self.origin


@dataclass(frozen=True, slots=True)
class Additions:
    """What is to go into the store together, all of it or nothing.

    `rows` tells, by table, the file it was read from and the row of each thing (None where it
    has none), so that what the store refuses can be found; empty for what was not read from
    anywhere.
    """

    items: tuple[Item, ...] = ()
    entries: tuple[CanvassEntry, ...] = ()
    volumes: tuple[Volume, ...] = ()
    rows: Mapping[str, tuple[str, tuple[int | None, ...]]] = field(default_factory=dict)

    @property
    def count(self) -> int:
        return len(self.items) + len(self.entries) + len(self.volumes)

    def place(self, table: str, index: int) -> tuple[str, int | None]:
        """File and row of one thing, by its index in its table."""
        if table not in self.rows:
            return table, None
        file, numbers = self.rows[table]
        return file, numbers[index]
