"""Foreign offers of meat, fresh or frozen, and dated rates of duty and fees."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Any

from blend.domain import columns as col
from blend.domain.columns import LEAN, MAX_LB, MAX_USD, record
from blend.units import LB_PER_KG

USD = "USD"
_AS_QUOTED: dict[str, Any] = {"default": math.nan, "blank": "as quoted last, see quotations"}
"""Not a number until `blend.trader.fresh_basis` fills it."""


class Basis(StrEnum):
    """What an offer's price covers."""

    FOB = "fob"
    """On board at origin."""
    CIF = "cif"
    """With ocean freight and insurance, at the port of entry; duty and fees unpaid."""
    DELIVERED = "delivered"
    """At the plant, everything paid."""


class Quota(StrEnum):
    """Whether the entry is within the tariff-rate quota of its origin on its day."""

    IN_QUOTA = "in_quota"
    OVER_QUOTA = "over_quota"
    NO_QUOTA = "no_quota"
    """The origin has no quota, so that any quantity enters at the rate in quota."""


class RateKind(StrEnum):
    """What a rate is for."""

    DUTY_IN_QUOTA = "duty_in_quota"
    DUTY_OVER_QUOTA = "duty_over_quota"
    SURCHARGE = "surcharge"
    """Additional ad valorem duty on an origin."""
    MPF = "mpf"
    """Merchandise processing fee, between a min and a max for each entry."""
    MPF_MIN = "mpf_min"
    MPF_MAX = "mpf_max"
    HMF = "hmf"
    """Harbor maintenance fee, on what comes by sea."""
    ASSESSMENT = "assessment"
    """Of the beef promotion order on imports."""
    QUOTA = "quota"
    """Size of a quota, for information."""
    NO_QUOTA = "no_quota"
    """The origin has none: its beef enters without a limit on quantity."""


class RateUnit(StrEnum):
    SHARE = "share"
    """Of the customs value."""
    USD_PER_KG = "usd_per_kg"
    USD_PER_ENTRY = "usd_per_entry"
    KG_PER_YEAR = "kg_per_year"


@record(
    "import_rates",
    "Duty and fee rates, added to the built-in ones; the same rate_id replaces one.",
    key="rate_id",
)
@dataclass(frozen=True, slots=True)
class ImportRate:
    """One rate with its days, its source and how it was read.

    `value` None means that a rate is known to exist and its value is not: the user must
    give it. `origin` and `tariff_line` are empty where any is meant; a tariff line means all
    lines that begin with it. With a `program` it is for offers that claim that preference alone.
    """

    rate_id: str = col.identifier("your own name for the rate")
    charge: RateKind = col.choice(
        "what it is for; mpf: merchandise processing fee, hmf: harbor maintenance fee", RateKind
    )
    value: float | None = col.number(
        "in its unit",
        blank="there is a rate, and it is not known: the offer must give it",
        unit="as unit says",
        between=(0, MAX_LB),
        default=col.MISSING,
    )
    unit: RateUnit = col.choice("of value", RateUnit)
    origin: str = col.word("the country", default="", blank="any")
    tariff_line: str = col.identifier("digits the line starts with", default="", blank="any")
    program: str = col.word(
        "the preference it is for, such as USMCA", default="", blank="any offer"
    )
    valid_from: date | None = col.day("first day", blank="not known")
    valid_to: date | None = col.day("last day", blank="none known")
    verified: str = col.choice(
        "read at its source, in a restatement, or from memory",
        ("read", "restated", "memory", "own"),
        default="read",
        required=True,
    )
    source: str = col.text("the document it is from", default="", required=True)
    note: str = col.text("anything else to know", default="")
    read_on: date | None = col.day("day it was last read", blank="not known")

    @property
    def known_on(self) -> date | None:
        """The last day the rate is known to have been in force."""
        return self.read_on or self.valid_from

    def concerns(self, charge: RateKind, origin: str, tariff_line: str, program: str = "") -> bool:
        return (
            self.charge is charge
            and self.origin.casefold() in ("", origin.casefold())
            and self.program.casefold() in ("", program.casefold())
            and tariff_line.startswith(self.tariff_line)
        )

    def is_valid(self, day: date) -> bool:
        return (self.valid_from is None or self.valid_from <= day) and not self.has_ended(day)

    def has_ended(self, day: date) -> bool:
        return self.valid_to is not None and self.valid_to < day


@record(
    "foreign_offers",
    "Offers of meat from abroad, what bringing it in costs, and fresh meat to compare.",
    key="offer_id",
    required=True,
)
@dataclass(frozen=True, slots=True)
class ForeignOffer:
    """One offer of meat from abroad, what bringing it in costs, and fresh meat to compare.

    `price` is in `currency` per kg or lb (`price_per`). The customs entry covers
    `net_weight_lb` on `entry_on`; `tariff_line` is the line it is entered on within quota.
    `insurance_share` is of price and freight. Own rates that are None are looked up.
    `finance_share_per_year` is paid on price, freight and insurance for `days_to_plant`, in a
    year of 360 days. `point_usd_per_lb` is what one lean point adds to the price of a pound.
    """

    offer_id: str = col.identifier("your own name for the offer")
    item: str = col.word("what the trade calls it, such as 90 CL")
    origin: str = col.word("the country; duty rests on it")
    tariff_line: str = col.identifier(
        "the eight-digit tariff line it enters on within quota, such as 0202.30.50"
    )
    lean: float = col.share("chemical lean", unit=LEAN, minimum=0.01)
    price: float = col.number(
        "as offered, in its currency", unit="currency per price_per", between=(0, MAX_USD)
    )
    currency: str = col.word("its three letters, such as USD or AUD", convert=str.upper)
    price_per: str = col.choice(
        "what weight the price is for; cents/lb come to the same as cwt",
        ("kg", "lb", "cwt", "t", "cents/lb"),
        convert=lambda unit: "cwt" if unit == "cents/lb" else unit,
    )
    usd_per_currency: float = col.number(
        "USD for one unit of its currency",
        blank="1, for USD only",
        convert=lambda rate: rate or 1.0,
        unit="USD",
        between=(0.000001, 1000),
        default=col.MISSING,
    )
    basis: Basis = col.choice("what the price covers", Basis)
    net_weight_lb: float = col.number(
        "of the whole customs entry",
        name="net_weight_kg",
        convert=lambda kg: kg * LB_PER_KG,
        unit="kg",
        between=(1, MAX_LB),
    )
    entry_on: date = col.day("day of the customs entry")
    quota: Quota = col.choice(
        "in or over its origin's quota that day, or no_quota where the origin has none", Quota
    )
    ocean_freight_usd_per_lb: float = col.per_cwt("to the port")
    insurance_share: float = col.share("of price and freight", maximum=0.2)
    handling_usd_per_lb: float = col.per_cwt("inspection, import house and storage")
    inland_usd_per_lb: float = col.per_cwt("freight to the plant")
    days_to_plant: int = col.count("from payment to use", unit="days", maximum=1000)
    finance_share_per_year: float = col.share("interest, in a year of 360 days")
    thaw_lean_loss_share: float = col.share("of the lean, lost in thawing", maximum=0.5)
    fresh_usd_per_lb: float = col.per_cwt("fresh meat to compare", **_AS_QUOTED)
    fresh_lean: float = col.share("chemical lean of the fresh meat", unit=LEAN, **_AS_QUOTED)
    point_usd_per_lb: float = col.per_cwt(
        "what one lean point adds to a hundredweight (see blend value)", **_AS_QUOTED
    )
    by_sea: bool = col.yes_no("yes: the harbor fee is due", default=True)
    duty_usd_per_kg: float | None = col.money(
        "own duty", "USD per kg", blank="as import_rates has it"
    )
    duty_share: float | None = col.share("own duty", blank="as import_rates has it", maximum=5)
    surcharge_share: float | None = col.share(
        "own duty on top", blank="as import_rates has it", maximum=5
    )
    assessment_usd_per_kg: float | None = col.money(
        "of the beef promotion order", "USD per kg", blank="as import_rates has it"
    )
    lot_id: str = col.identifier("the lot of lots.csv that it prices", default="", blank="none")
    """For scenarios."""
    program: str = col.word(
        "the preference claimed, such as USMCA; your customs broker decides",
        default="",
        blank="none",
    )


class Cost(StrEnum):
    """The lines of a build-up, in order."""

    ORIGIN = "price at origin"
    FREIGHT = "ocean freight"
    INSURANCE = "insurance"
    DUTY = "duty"
    SURCHARGE = "surcharge"
    MPF = "merchandise processing fee"
    HMF = "harbor maintenance fee"
    ASSESSMENT = "assessment"
    HANDLING = "inspection and handling"
    INLAND = "freight to the plant"
    FINANCE = "finance"
    THAW = "thaw loss"
    LEAN = "lean adjustment"


@dataclass(frozen=True, slots=True)
class CostLine:
    """One line of a build-up, USD per lb, with the rates it was computed from."""

    cost: Cost
    usd_per_lb: float
    rates: tuple[ImportRate, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class BuildUp:
    """What a foreign offer costs against fresh, line by line, and its break-even.

    The lines down to the landed price add up to it; thaw loss and the lean adjustment lead on
    to the fresh equivalent. Break-evens are None where the meat would not pay its way even free.
    """

    offer: ForeignOffer
    lines: tuple[CostLine, ...]
    landed_usd_per_lb: float
    """At the plant, frozen."""
    kept_share: float
    """Thawed pounds from one frozen pound."""
    thawed_lean: float
    thawed_usd_per_lb: float
    fresh_equivalent_usd_per_lb: float
    """Thawed, and adjusted by the price of a lean point to the lean of the fresh meat."""
    customs_value_usd: float
    """Of the entry."""
    break_even_price: float | None
    """In the offer's own currency, unit and basis."""
    break_even_usd_per_currency: float | None
    """None for an offer in USD."""
    quota_rates: tuple[ImportRate, ...] = ()

    @property
    def over_fresh_usd_per_lb(self) -> float:
        """Above zero: more than fresh."""
        return self.fresh_equivalent_usd_per_lb - self.offer.fresh_usd_per_lb

    def line(self, cost: Cost) -> CostLine:
        return next(line for line in self.lines if line.cost is cost)
