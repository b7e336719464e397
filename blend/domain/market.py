"""The market as a reporter sees it: who bid, offered and traded what, and what was published."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from functools import lru_cache

from blend.domain import columns as col
from blend.domain.columns import LEAN, SPECIES, record
from blend.domain.lots import FORMS, PRICE_BASES

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
"""Types of company."""

PURCHASE_TYPES = ("negotiated", "formula", "forward")
"""How a price came about: agreed that day, taken from another price, or agreed for later."""
DESTINATIONS = ("domestic", "export")

MIN_USD_PER_CWT = 5.0
MAX_USD_PER_CWT = 5_000.0
"""Outside of them a price was meant per pound, or in cents."""


@record("items", "What is quoted, and on which terms, one item a row.", key="item_id")
@dataclass(frozen=True, slots=True)
class Item:
    """What one quotation series is of, and on which terms.

    Prices of entries are brought to these terms before they are compared. An item has one
    species, form and origin: meat of another form or origin is another item.
    """

    item_id: str = col.identifier("your own name for the item")
    name: str = col.text("the name as it is printed")
    species: str = col.choice("the animal it is from", SPECIES)
    lean: float = col.share("chemical lean it is quoted at", unit=LEAN, minimum=0.01)
    fresh_or_frozen: str = col.choice("fresh (chilled) or frozen", FORMS)
    origin: str = col.word("domestic, or the country or group")
    basis: str = col.choice(
        "fob the seller's plant or port, or delivered", PRICE_BASES, default="fob"
    )
    delivered_within_days: int = col.count(
        "later deliveries are another market", default=21, unit="days", maximum=1000
    )
    tick_usd_per_cwt: float = col.money(
        "usual step between its prices", "USD per cwt", default=0.25, between=(0.01, 50)
    )
    point_usd_per_cwt: float | None = col.money(
        "what one lean point adds, to adjust prices to its lean (see blend value)",
        "USD per cwt",
        blank="prices are adjusted to its lean in proportion",
        between=(-100, 100),
    )


@record("canvass", "What you heard, one entry a row.", key="entry_id")
@dataclass(frozen=True, slots=True)
class CanvassEntry:
    """One thing heard in the canvass, as heard; nothing is ever overwritten.

    A correction is a new entry whose `corrects` names the entry it replaces; `withdrawn`
    replaces it by nothing. `source` is the company, kept for the record and never
    published; `source_class` says what it is (packer, grinder, trader, importer, broker).
    """

    entry_id: str = col.identifier("your own name for the entry", option="id")
    heard_at: datetime = col.moment("your local time, before any correction")
    """Of a correction, when the first entry was heard."""
    market_day: date = col.day("market day it is about", option="day")
    kind: EntryKind = col.choice("trade, bid, offer or other", EntryKind)
    item_id: str = col.identifier("the item, as in items", option="item")
    usd_per_cwt: float = col.money(
        "price as reported",
        "USD per cwt",
        between=(MIN_USD_PER_CWT, MAX_USD_PER_CWT),
        option="price",
    )
    pounds_lb: float | None = col.pounds(
        "weight; a trade must have one",
        minimum=1,
        blank="not stated",
        option="pounds",
        default=col.MISSING,
    )
    source: str = col.word("the company (kept private, never printed)")
    source_class: str = col.choice("company type", SOURCE_CLASSES, option="company-type")
    lean: float | None = col.share("chemical lean", unit=LEAN, blank="the item's own", minimum=0.01)
    basis: str = col.choice("what the price covers", PRICE_BASES, default="fob")
    freight_usd_per_cwt: float | None = col.money(
        "seller to buyer, where its basis is not the item's",
        "USD per cwt",
        blank="not reported",
        maximum=MAX_USD_PER_CWT,
        option="freight",
    )
    delivered_within_days: int | None = col.count(
        "latest delivery, in days from the market day",
        blank="within the item's own days",
        unit="days",
        maximum=1000,
        option="within-days",
    )
    purchase_type: str = col.choice(
        "negotiated (price agreed that day), formula (taken from another price) or forward "
        "(agreed for later, on futures); only negotiated entries set a quote",
        PURCHASE_TYPES,
        default="negotiated",
    )
    destination: str = col.choice(
        "where the meat goes; export sales are counted apart", DESTINATIONS, default="domestic"
    )
    deal_id: str = col.word(
        "your own name for the deal; two sides with the same one count once",
        default="",
        blank="not stated",
        option="deal",
    )
    is_firm: bool = col.yes_no(
        "firm enough to be hit or lifted (a bid or offer)", default=True, option="not-firm"
    )
    between_affiliates: bool = col.yes_no(
        "seller and buyer are affiliated", default=False, option="affiliates"
    )
    note: str = col.text("what else was said", default="")
    corrects: str | None = col.identifier("entry_id of the entry it replaces", blank="none")
    withdrawn: bool = col.yes_no("yes: nothing replaces the entry it corrects", default=False)

    @property
    def sets_negotiated_quote(self) -> bool:
        """Whether it is of the market that is quoted: not formula, forward or export."""
        return self.purchase_type == "negotiated" and self.destination == "domestic"

    @property
    def firm(self) -> str:
        """The source without the accidents of writing: one firm, one name."""
        return _one_name(self.source)


@lru_cache(maxsize=4096)
def _one_name(source: str) -> str:
    return " ".join(source.split()).casefold()


@dataclass(frozen=True, slots=True)
class Published:
    """One quotation as published, with what rebuilds it from the store.

    A later one of the same item and day takes its place; both are kept.
    """

    item_id: str
    market_day: date
    usd_per_cwt: float
    low_usd_per_cwt: float
    high_usd_per_cwt: float
    tone: str
    evidence: str
    """What it is based on, in one word."""
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
    correction_reason: str = ""
    """Why it takes the place of another published before; empty where it does not."""
    second_assessor: str = ""
    """Who else looked at it, where the method asks for a second name."""
    is_withdrawn: bool = False
    """The quotation published before is withdrawn, and nothing replaces it."""
    store_position: int | None = None
    """Number of the last append to the store that the quotation rests on."""


@record(
    "volumes", "Volume figures (availability, orders, slaughter, imports, cold storage), one a row."
)
@dataclass(frozen=True, slots=True)
class Volume:
    """One figure of a volume series: availability, orders, slaughter, imports, cold storage."""

    series_id: str = col.identifier("your own name for the series")
    period_end: date = col.day("last day of the period")
    value: float = col.number("in its unit", unit="as unit says", minimum=0)
    unit: str = col.word("its unit, such as lb, head or t")
    item_id: str = col.identifier("the item, as in items", default="", blank="no single item")
    origin: str = col.word("where it is from", default="", blank="all origins")
    is_level: bool = col.yes_no(
        "yes: an inventory, such as cold storage, averaged and not summed", default=False
    )
    corrects: date | None = col.day(
        "period_end again, to replace an earlier figure", blank="a first figure"
    )

    @property
    def key(self) -> tuple[str, date, str, str]:
        """What one figure is of; a series has one standing figure for each."""
        return self.series_id, self.period_end, self.item_id, self.origin


@dataclass(frozen=True, slots=True)
class Additions:
    """What is to go into the store together, all of it or nothing.

    `rows` has, by table, the file it was read from and the row of each thing (None where it
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
