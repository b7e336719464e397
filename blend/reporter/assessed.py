"""What a quotation is: its price, what it is based on, and every judgment that went into it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import NamedTuple

from blend.domain.market import Item
from blend.reporter.evidence import Evidence
from blend.reporter.surveillance import Limited


class Rung(StrEnum):
    """What a quotation is based on, the best first."""

    TRADES = "trades"
    THIN_TRADES = "thin_trades"
    """Trades too few, too small or too concentrated, with bids and offers that count for less."""
    BIDS_OFFERS = "bids_offers"
    OTHER = "other"
    CARRIED = "carried"
    NOT_QUOTED = "not_quoted"


class Confidence(StrEnum):
    """A house rule, no probability: see `_confidence`."""

    HIGH = "high"
    MODERATE = "moderate"
    LOW = "low"
    NONE = "none"


class Code(StrEnum):
    """Every judgment that a quotation can rest on; where there is none, none is listed."""

    TRADES_FEW = "trades_few"
    POUNDS_FEW = "pounds_few"
    FIRMS_FEW = "firms_few"
    CONCENTRATED = "concentrated"
    BIDS_OFFERS_OUTWEIGH = "bids_offers_outweigh"
    """Bids and offers bear more of it than trades do."""
    OTHER_INFORMATION = "other_information"
    ONE_SIDED = "one_sided"
    """Bids without offers, or offers without bids: no point lies between them."""
    CROSSED = "crossed"
    SIDES_FEW = "sides_few"
    """Too few companies bidding or offering to set a quotation without trades."""
    AT_BID = "at_bid"
    """Raised to a firm bid that enough companies back."""
    AT_OFFER = "at_offer"
    """Lowered to a firm offer that enough companies back."""
    WITHIN_TRADES = "within_trades"
    """A bid and an offer of few companies would have moved it beyond the trades."""
    OUTSIDE_SPREAD = "outside_spread"
    """Outside of the best firm bid and offer: trades set it, or few companies back them."""
    OUTLIERS_LEFT_OUT = "outliers_left_out"
    AFFILIATES_LEFT_OUT = "affiliates_left_out"
    TERMS_LEFT_OUT = "terms_left_out"
    """Late, delivered later, of other lean, not negotiated, for export, or without freight."""
    LEAN_ADJUSTED = "lean_adjusted"
    FREIGHT_ADJUSTED = "freight_adjusted"
    SCALE_UNKNOWN = "scale_unknown"
    """Too few prices for their scatter: a median, without an error."""
    CAPPED = "capped"
    """One company would have moved it further than the method allows."""
    HELD = "held"
    """A second look is asked for; `Assessed.held` says why."""
    CARRIED = "carried"
    ONLY_ONE_BID = "only_one_bid"
    ONLY_ONE_OFFER = "only_one_offer"
    ONLY_BIDS_OFFERS = "only_bids_offers"
    """These three: carried unchanged past firm bids or offers that may not set a quotation."""
    OVERRIDDEN = "overridden"


NEEDS_DECISION = (Code.ONLY_ONE_BID, Code.ONLY_ONE_OFFER, Code.ONLY_BIDS_OFFERS, Code.HELD)
"""A quotation with one of these is published only at a reporter's price."""


class DataShares(NamedTuple):
    """Shares of the quotation's weight by type of data, of 1 together."""

    trades: float = 0.0
    bids_offers: float = 0.0
    other: float = 0.0
    carried: float = 0.0


@dataclass(frozen=True, slots=True)
class Assessed:
    """A quotation by the method, or why there is none (`usd_per_cwt` None).

    Counts are of what was used: trades, their pounds, and firms of any kind. `standard_error`
    is rough, and None where prices are too few. `trade_average_usd_per_cwt` is sum(price
    x pounds) / sum(pounds) of the trades used.
    """

    item: Item
    day: date
    usd_per_cwt: float | None
    low_usd_per_cwt: float | None
    high_usd_per_cwt: float | None
    confidence: Confidence
    rung: Rung
    codes: tuple[Code, ...]
    evidence: tuple[Evidence, ...]
    shares: DataShares
    trades: int
    pounds_lb: float
    firms: int
    firms_bidding: int
    firms_offering: int
    trade_average_usd_per_cwt: float | None
    standard_error_usd_per_cwt: float | None
    carried_from: date | None
    method_digest: str
    limited: Limited | None = None
    """How far each company moves it, and the cap."""
    uncapped_usd_per_cwt: float | None = None
    """What it would be without the cap."""
    usual_usd_per_cwt: float | None = None
    """The usual daily move; None where days with a quotation are too few."""
    last_usd_per_cwt: float | None = None
    """The last quotation before, as published where it was."""
    held: str = ""
    """Why a second look is asked for; empty where none is."""

    @property
    def moves(self) -> float | None:
        """The move since the last quotation, in usual daily moves; None where one is missing."""
        if self.usd_per_cwt is None or self.last_usd_per_cwt is None or not self.usual_usd_per_cwt:
            return None
        return (self.usd_per_cwt - self.last_usd_per_cwt) / self.usual_usd_per_cwt

    @property
    def needs_decision(self) -> bool:
        """Whether a reporter must decide before it is published."""
        return any(code in NEEDS_DECISION for code in self.codes)
