"""Foreign offers of frozen meat, and the dated rates that duty and fees are reckoned by."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

USD = "USD"


class Basis(StrEnum):
    """What an offer's price covers."""

    FOB = "fob"
    """On board at origin."""
    CIF = "cif"
    """With ocean freight and insurance, at the port of entry; duty and fees unpaid."""
    DELIVERED = "delivered"
    """At the plant, everything paid."""


class Quota(StrEnum):
    """Where the entry stands towards the tariff-rate quota of its origin on its day."""

    IN_QUOTA = "in_quota"
    OVER_QUOTA = "over_quota"


class RateKind(StrEnum):
    """What a rate is for."""

    DUTY_IN_QUOTA = "duty_in_quota"
    DUTY_OVER_QUOTA = "duty_over_quota"
    SURCHARGE = "surcharge"
    """Additional ad valorem duty on an origin."""
    MPF = "mpf"
    """Merchandise processing fee, between a least and a most for each entry."""
    MPF_MIN = "mpf_min"
    MPF_MAX = "mpf_max"
    HMF = "hmf"
    """Harbor maintenance fee, on what comes by sea."""
    ASSESSMENT = "assessment"
    """Of the beef promotion order on imports."""
    QUOTA = "quota"
    """Size of a quota, shown and not reckoned with."""


class RateUnit(StrEnum):
    SHARE = "share"
    """Of the customs value."""
    USD_PER_KG = "usd_per_kg"
    USD_PER_ENTRY = "usd_per_entry"
    KG_PER_YEAR = "kg_per_year"


@dataclass(frozen=True, slots=True)
class ImportRate:
    """One rate with its days, its source and how it was read.

    `value` None means that a rate is known to exist and its value is not: whoever uses it must
    give it. `origin` and `tariff_line` are empty where any is meant; a tariff line means all
    lines that begin with it.
    """

    rate_id: str
    charge: RateKind
    value: float | None
    unit: RateUnit
    origin: str = ""
    tariff_line: str = ""
    valid_from: date | None = None
    valid_to: date | None = None
    verified: str = "read"
    source: str = ""
    note: str = ""

    def concerns(self, charge: RateKind, origin: str, tariff_line: str) -> bool:
        return (
            self.charge is charge
            and self.origin.casefold() in ("", origin.casefold())
            and tariff_line.startswith(self.tariff_line)
        )

    def is_valid(self, day: date) -> bool:
        return (self.valid_from is None or self.valid_from <= day) and not self.has_ended(day)

    def has_ended(self, day: date) -> bool:
        return self.valid_to is not None and self.valid_to < day


@dataclass(frozen=True, slots=True)
class ForeignOffer:
    """One offer of frozen meat from abroad, what its way costs, and the fresh meat beside it.

    `price` is in `currency` per kg or lb (`price_per`). The customs entry covers
    `net_weight_lb` on `entry_on`; `tariff_line` is the line it is entered on within quota.
    `insurance_share` is of price and freight. Own rates that are None are looked up.
    `finance_share_per_year` is paid on price, freight and insurance for `days_to_plant`, in a
    year of 360 days. `point_usd_per_lb` is what one lean point adds to the price of a pound.
    """

    offer_id: str
    item: str
    origin: str
    tariff_line: str
    lean: float
    price: float
    currency: str
    price_per: str
    usd_per_currency: float
    basis: Basis
    net_weight_lb: float
    entry_on: date
    quota: Quota
    ocean_freight_usd_per_lb: float
    insurance_share: float
    handling_usd_per_lb: float
    inland_usd_per_lb: float
    days_to_plant: int
    finance_share_per_year: float
    thaw_lean_loss_share: float
    fresh_usd_per_lb: float
    fresh_lean: float
    point_usd_per_lb: float
    by_sea: bool = True
    duty_usd_per_kg: float | None = None
    duty_share: float | None = None
    surcharge_share: float | None = None
    assessment_usd_per_kg: float | None = None
    lot_id: str = ""
    """The lot of the case that this offer prices, for scenarios; empty for none."""


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
    LEAN = "difference of lean"


@dataclass(frozen=True, slots=True)
class CostLine:
    """One line of a build-up, USD per lb; `rates` are those it was reckoned by."""

    cost: Cost
    usd_per_lb: float
    rates: tuple[ImportRate, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class BuildUp:
    """What a foreign offer costs next to fresh, line by line, and where buyers are indifferent.

    The first lines sum to the landed price; thaw loss and the difference of lean lead on to
    the price next to fresh. Indifferent prices are None where the meat would not be worth its
    way even as a gift.
    """

    offer: ForeignOffer
    lines: tuple[CostLine, ...]
    landed_usd_per_lb: float
    """At the plant, frozen."""
    kept_share: float
    """Thawed pounds from one frozen pound."""
    thawed_lean: float
    thawed_usd_per_lb: float
    next_to_fresh_usd_per_lb: float
    """Thawed, and moved along the price of a lean point to the lean of the fresh meat."""
    customs_value_usd: float
    """Of the entry."""
    indifferent_price: float | None
    """In the offer's own currency, unit and basis."""
    indifferent_usd_per_currency: float | None
    """None for an offer in USD too."""
    quota_rates: tuple[ImportRate, ...] = ()

    @property
    def dearer_usd_per_lb(self) -> float:
        """Above zero: dearer than fresh."""
        return self.next_to_fresh_usd_per_lb - self.offer.fresh_usd_per_lb

    def line(self, cost: Cost) -> CostLine:
        return next(line for line in self.lines if line.cost is cost)
