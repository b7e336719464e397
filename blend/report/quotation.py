"""One item's quotation of one day from the canvass, by a stated method, with all it rests on.

Evidence counts in the order of IOSCO, Principles for Oil Price Reporting Agencies, FR06/12 (2012),
2.2: concluded trades, then firm bids and offers, then other market information. The ladder:

1. trades, where there are enough of them, of pounds and of firms, and no firm has too much;
2. else trades and pairs of the best firm bids and offers together, each by its weight;
3. else other information beside them;
4. else the last quotation, carried with its age;
5. else no quotation.

The order is the principles'; nothing here says that its user follows them, which takes
governance and audit. The numbers are in the method.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import NamedTuple

from blend.domain.market import CanvassEntry, EntryKind, Item, Published
from blend.domain.method import Method
from blend.report.evidence import (
    Evidence,
    Use,
    by_firm,
    firm_price,
    on_terms_of,
    spread_of,
    used,
)
from blend.report.robust import capped, huber_location, weighted_median


class Rung(StrEnum):
    """What a quotation stands on, the best first."""

    TRADES = "trades"
    THIN_TRADES = "thin_trades"
    """Trades too few, too small or too concentrated, beside bids and offers that weigh less."""
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
    """Every judgement that a quotation can rest on; where there is none, none is listed."""

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
    AT_BID = "at_bid"
    """Raised to the best firm bid, at which it could be sold."""
    AT_OFFER = "at_offer"
    """Lowered to the best firm offer, at which it could be bought."""
    OUTSIDE_SPREAD = "outside_spread"
    """Trades set it outside of the standing bids and offers."""
    OUTLIERS_LEFT_OUT = "outliers_left_out"
    AFFILIATES_LEFT_OUT = "affiliates_left_out"
    TERMS_LEFT_OUT = "terms_left_out"
    """Late, delivered later, of other lean, or without its freight."""
    LEAN_ADJUSTED = "lean_adjusted"
    FREIGHT_ADJUSTED = "freight_adjusted"
    SCALE_UNKNOWN = "scale_unknown"
    """Too few prices to tell how far they scatter: a median, without an error."""
    CARRIED = "carried"
    OVERRIDDEN = "overridden"


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
    is rough, and None where prices are too few to tell. `trade_average_usd_per_cwt` is sum(price
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


class _Point(NamedTuple):
    """One price that counts as one voice: a firm's trades, a bid and an offer, a firm's talk."""

    usd_per_cwt: float
    weight: float
    evidence: tuple[Evidence, ...]
    kind: str


class _Spread(NamedTuple):
    """The best firm bid and offer; infinite where there is none."""

    bid: float = -math.inf
    offer: float = math.inf

    @property
    def is_crossed(self) -> bool:
        return self.bid > self.offer


class _Located(NamedTuple):
    """Where points lie, and what each of them bears of it."""

    rung: Rung
    points: tuple[_Point, ...]
    weights: tuple[float, ...]
    usd_per_cwt: float
    standard_error: float | None


def assess(
    item: Item,
    day: date,
    entries: Iterable[CanvassEntry],
    method: Method,
    published: Iterable[Published] = (),
) -> Assessed:
    """The item's quotation of a day.

    `entries` are those of the item that stand; earlier days are looked at, within the method's
    days, only where a quotation must be carried, and what was `published` then goes before what
    the method makes of it. Pure: the same arguments give the same numbers.
    """
    by_day: dict[date, list[CanvassEntry]] = {}
    for entry in sorted(entries, key=lambda each: each.entry_id):
        if entry.item_id == item.item_id:
            by_day.setdefault(entry.market_day, []).append(entry)
    today = assess_day(item, day, by_day.get(day, ()), method)
    if today.usd_per_cwt is not None:
        return today
    last = {each.market_day: each for each in published if each.item_id == item.item_id}
    for age in range(1, method.carried_days + 1):
        earlier = day - timedelta(days=age)
        if earlier in last and last[earlier].evidence != Rung.CARRIED:
            return _carried(today, last[earlier], earlier)
        made = assess_day(item, earlier, by_day.get(earlier, ()), method)
        if made.usd_per_cwt is not None:
            return _carried(today, made, earlier)
    return today


def publication_of(
    assessed: Assessed,
    *,
    assessor: str,
    at: datetime,
    tone: str = "",
    position: int | None = None,
    override_usd_per_cwt: float | None = None,
    override_reason: str = "",
) -> Published:
    """What is to be published: the method's quotation, or a person's with the reason kept.

    Either way the method's own number is kept beside it. Raise ValueError where there is
    nothing to publish, or an override without a reason.
    """
    price = assessed.usd_per_cwt if override_usd_per_cwt is None else override_usd_per_cwt
    if price is None:
        raise ValueError(f"{assessed.item.item_id} is not quoted on {assessed.day}")
    is_overridden = override_usd_per_cwt is not None
    if is_overridden and not override_reason.strip():
        raise ValueError("an override needs its reason")
    low, high = assessed.low_usd_per_cwt, assessed.high_usd_per_cwt
    codes = (*assessed.codes, Code.OVERRIDDEN) if is_overridden else assessed.codes
    return Published(
        item_id=assessed.item.item_id,
        market_day=assessed.day,
        usd_per_cwt=round(price, 2),
        low_usd_per_cwt=round(price if low is None else min(low, price), 2),
        high_usd_per_cwt=round(price if high is None else max(high, price), 2),
        tone=tone,
        evidence=assessed.rung.value,
        method_digest=assessed.method_digest,
        published_at=at,
        assessor=assessor,
        override_reason=override_reason if is_overridden else "",
        assessed_usd_per_cwt=assessed.usd_per_cwt,
        confidence=assessed.confidence.value,
        rationale=tuple(code.value for code in codes),
        store_position=position,
    )


# One day ----------------------------------------------------------------------------------------


def assess_day(item: Item, day: date, entries: Sequence[CanvassEntry], method: Method) -> Assessed:
    """The quotation from one day's own entries, nothing carried."""
    evidence = on_terms_of(item, entries, method)
    spread = _spread_of(evidence)
    codes = [*_codes_of(evidence), *_shortfalls(evidence, method)]
    trades = _trade_points(evidence, method)
    if not any(code in _NOT_BY_TRADES for code in codes):
        located = _locate(Rung.TRADES, trades, item, method)
        if not spread.bid <= located.usd_per_cwt <= spread.offer:
            codes.append(Code.OUTSIDE_SPREAD)
        return _assessed(item, day, evidence, located, codes, method)
    evidence, pairs = _pairs(evidence, spread, codes, method)
    others = _other_points(evidence, method)
    # Thin trades weigh alike, firm by firm: their pounds are too few to tell them apart by.
    thin = [point._replace(weight=method.trade_weight) for point in trades]
    for rung, points in (
        (Rung.BIDS_OFFERS, [*thin, *pairs]),
        (Rung.OTHER, [*thin, *pairs, *others]),
    ):
        if points and _firms_in(points) >= method.least_firms_if_thin:
            located = _clamped(_locate(rung, points, item, method), spread, codes)
            return _assessed(item, day, evidence, located, codes, method)
    return _assessed(item, day, evidence, None, codes, method)


_NOT_BY_TRADES = (Code.TRADES_FEW, Code.POUNDS_FEW, Code.FIRMS_FEW, Code.CONCENTRATED)

_LEFT_OUT = {
    Code.OUTLIERS_LEFT_OUT: (Use.OUTLIER,),
    Code.AFFILIATES_LEFT_OUT: (Use.AFFILIATES,),
    Code.TERMS_LEFT_OUT: (Use.LATE, Use.LATER_DELIVERY, Use.OTHER_LEAN, Use.NO_FREIGHT),
}


def _codes_of(evidence: Sequence[Evidence]) -> list[Code]:
    """What was done to entries before any was weighed."""
    uses = {each.use for each in evidence}
    codes = [code for code, left_out in _LEFT_OUT.items() if uses.intersection(left_out)]
    adjusted = {change.what for each in used(evidence) for change in each.adjustments}
    codes += [Code.LEAN_ADJUSTED] if "lean" in adjusted else []
    codes += [Code.FREIGHT_ADJUSTED] if "freight" in adjusted else []
    return codes


def _shortfalls(evidence: Sequence[Evidence], method: Method) -> list[Code]:
    """Why trades alone do not suffice; empty where they do."""
    trades = used(evidence, EntryKind.TRADE)
    firms = by_firm(trades)
    pounds = math.fsum(each.pounds_lb for each in trades)
    shortfalls = []
    if len(trades) < method.least_trades:
        shortfalls.append(Code.TRADES_FEW)
    if pounds < method.least_pounds_lb:
        shortfalls.append(Code.POUNDS_FEW)
    if len(firms) < method.least_firms:
        shortfalls.append(Code.FIRMS_FEW)
    if firms and largest_share(trades) >= method.most_firm_share:
        shortfalls.append(Code.CONCENTRATED)
    return shortfalls


def largest_share(trades: Sequence[Evidence]) -> float:
    """Share of the pounds that the largest firm traded."""
    pounds = [math.fsum(each.pounds_lb for each in own) for own in by_firm(trades).values()]
    return max(pounds) / math.fsum(pounds)


def _trade_points(evidence: Sequence[Evidence], method: Method) -> list[_Point]:
    """One point a firm, of the weight of its pounds."""
    points = []
    for own in by_firm(used(evidence, EntryKind.TRADE)).values():
        weight = math.fsum(
            each.pounds_lb * (method.affiliate_weight if each.entry.between_affiliates else 1.0)
            for each in own
        )
        points.append(_Point(firm_price(own), weight, tuple(own), "trades"))
    return points


def _spread_of(evidence: Sequence[Evidence]) -> _Spread:
    bids = [each.usd_per_cwt for each in used(evidence, EntryKind.BID)]
    offers = [each.usd_per_cwt for each in used(evidence, EntryKind.OFFER)]
    return _Spread(max(bids, default=-math.inf), min(offers, default=math.inf))


def _pairs(
    evidence: list[Evidence], spread: _Spread, codes: list[Code], method: Method
) -> tuple[list[Evidence], list[_Point]]:
    """The best bid with the best offer, the next with the next: what lies between is a point.

    A bid alone is a bound, not a price, and many bids beside one offer would pull a mean of all
    of them down; pairs do neither. A firm that traded has spoken already.
    """
    traded = set(by_firm(used(evidence, EntryKind.TRADE)))
    bids = used(evidence, EntryKind.BID)
    offers = used(evidence, EntryKind.OFFER)
    if spread.is_crossed:
        codes.append(Code.CROSSED)
        return _marked(evidence, [*bids, *offers], Use.CROSSED), []
    if bool(bids) != bool(offers):
        codes.append(Code.ONE_SIDED)
    spoken = [each for each in (*bids, *offers) if each.firm in traded]
    evidence = _marked(evidence, spoken, Use.HIGHER_EVIDENCE)
    best_bids = _best(used(evidence, EntryKind.BID), highest=True)
    best_offers = _best(used(evidence, EntryKind.OFFER), highest=False)
    kept = [*best_bids, *best_offers]
    quotes = used(evidence, EntryKind.BID, EntryKind.OFFER)
    evidence = _marked(evidence, [each for each in quotes if each not in kept], Use.NOT_BEST)
    both = list(zip(best_bids, best_offers, strict=False))
    unpaired = [*best_bids[len(both) :], *best_offers[len(both) :]]
    evidence = _marked(evidence, unpaired, Use.NO_PAIR)
    return evidence, [
        _Point(
            (bid.usd_per_cwt + offer.usd_per_cwt) / 2,
            method.bid_offer_weight,
            (bid, offer),
            "bids_offers",
        )
        for bid, offer in both
    ]


def _best(quotes: Sequence[Evidence], *, highest: bool) -> list[Evidence]:
    """The best quote of each firm, the best firm first."""
    sign = -1 if highest else 1

    def order(each: Evidence) -> tuple[float, str]:
        return sign * each.usd_per_cwt, each.entry.entry_id

    return sorted((min(own, key=order) for own in by_firm(quotes).values()), key=order)


def _other_points(evidence: Sequence[Evidence], method: Method) -> list[_Point]:
    """One point for each firm that gave nothing better."""
    better = {each.firm for each in used(evidence, EntryKind.TRADE, EntryKind.BID, EntryKind.OFFER)}
    others = [each for each in used(evidence, EntryKind.OTHER) if each.firm not in better]
    return [
        _Point(firm_price(own), method.other_weight, tuple(own), "other")
        for own in by_firm(others).values()
    ]


def _firms_in(points: Sequence[_Point]) -> int:
    return len({each.firm for point in points for each in point.evidence})


def _marked(evidence: list[Evidence], which: Sequence[Evidence], use: Use) -> list[Evidence]:
    ids = {each.entry.entry_id for each in which}
    return [replace(each, use=use) if each.entry.entry_id in ids else each for each in evidence]


# Where the points lie ---------------------------------------------------------------------------


def _locate(rung: Rung, points: Sequence[_Point], item: Item, method: Method) -> _Located:
    """Up to three points: their weighted median. From four: Huber's location, scale held fixed."""
    prices = [point.usd_per_cwt for point in points]
    weights = capped([point.weight for point in points], method.firm_weight_cap)
    scale = spread_of(prices, method.least_spread_ticks * item.tick_usd_per_cwt)
    if scale is None:
        return _Located(rung, (*points,), (*weights,), weighted_median(prices, weights), None)
    location = huber_location(prices, weights, scale, method.huber_k)
    error = _standard_error(prices, weights, location, scale, method.huber_k)
    return _Located(rung, (*points,), (*weights,), location, error)


def _standard_error(
    prices: Sequence[float], weights: Sequence[float], location: float, scale: float, k: float
) -> float | None:
    """That of an M-estimate: scale x sqrt(sum (w psi)^2) / sum of w within k, and for few points
    sqrt(n / (n - 1)). Rough: the scale itself is told by few prices."""
    distances = [(price - location) / scale for price in prices]
    pulls = math.fsum(
        (weight * max(-k, min(k, distance))) ** 2
        for weight, distance in zip(weights, distances, strict=True)
    )
    within = math.fsum(
        weight for weight, distance in zip(weights, distances, strict=True) if abs(distance) <= k
    )
    if within == 0:
        return None
    return scale * math.sqrt(pulls * len(prices) / (len(prices) - 1)) / within


def _clamped(located: _Located, spread: _Spread, codes: list[Code]) -> _Located:
    """Thin evidence gives way to a firm bid above it or a firm offer below it."""
    price = located.usd_per_cwt
    if spread.is_crossed or spread.bid <= price <= spread.offer:
        return located
    codes.append(Code.AT_BID if price < spread.bid else Code.AT_OFFER)
    return located._replace(usd_per_cwt=min(max(price, spread.bid), spread.offer))


# The result -------------------------------------------------------------------------------------


def _assessed(
    item: Item,
    day: date,
    evidence: list[Evidence],
    located: _Located | None,
    codes: list[Code],
    method: Method,
) -> Assessed:
    weight_of = _weights_of_entries(located)
    # What is left marked as used and bears nothing was passed over for one of two reasons.
    passed_over = Use.TOO_THIN if located is None else Use.HIGHER_EVIDENCE
    weighed = tuple(
        replace(each, use=_use_in_the_end(each, weight_of, passed_over),
                weight=weight_of.get(each.entry.entry_id, 0.0))
        for each in evidence
    )  # fmt: skip
    counting = [each for each in weighed if each.use is Use.USED]
    trades = used(counting, EntryKind.TRADE)
    shares = _shares(located)
    rung = _rung(located, shares)
    if located is not None and located.standard_error is None:
        codes.append(Code.SCALE_UNKNOWN)
    if rung is not Rung.TRADES and shares.bids_offers > shares.trades:
        codes.append(Code.BIDS_OFFERS_OUTWEIGH)
    if shares.other:
        codes.append(Code.OTHER_INFORMATION)
    prices = [each.usd_per_cwt for each in counting]
    if located is not None:
        prices.append(located.usd_per_cwt)
    quotes = [each for each in evidence if each.use not in _NEVER_HEARD]
    pounds = math.fsum(each.pounds_lb for each in trades)
    money = math.fsum(each.pounds_lb * each.usd_per_cwt for each in trades)
    firms = len({each.firm for each in counting})
    return Assessed(
        item=item,
        day=day,
        usd_per_cwt=None if located is None else located.usd_per_cwt,
        low_usd_per_cwt=min(prices, default=None),
        high_usd_per_cwt=max(prices, default=None),
        confidence=_confidence(rung, firms, codes, method),
        rung=rung,
        codes=tuple(codes),
        evidence=weighed,
        shares=shares,
        trades=len(trades),
        pounds_lb=pounds,
        firms=firms,
        firms_bidding=_firms_that(quotes, EntryKind.BID),
        firms_offering=_firms_that(quotes, EntryKind.OFFER),
        trade_average_usd_per_cwt=money / pounds if pounds else None,
        standard_error_usd_per_cwt=None if located is None else located.standard_error,
        carried_from=None,
        method_digest=method.digest,
    )


_NEVER_HEARD = (Use.LATE, Use.LATER_DELIVERY, Use.OTHER_LEAN, Use.AFFILIATES)
"""Bids and offers that are not of this market on this day, whatever their price."""


def _firms_that(evidence: Sequence[Evidence], kind: EntryKind) -> int:
    return len({each.firm for each in evidence if each.kind is kind})


def _weights_of_entries(located: _Located | None) -> dict[str, float]:
    """A point's weight shared out among its entries: trades by pounds, else alike."""
    weights: dict[str, float] = {}
    for point, weight in (
        () if located is None else zip(located.points, located.weights, strict=True)
    ):
        parts = [each.pounds_lb for each in point.evidence]
        if not all(parts):
            parts = [1.0] * len(parts)
        for each, part in zip(point.evidence, parts, strict=True):
            weights[each.entry.entry_id] = weight * part / math.fsum(parts)
    return weights


def _use_in_the_end(each: Evidence, weight_of: dict[str, float], passed_over: Use) -> Use:
    if each.use is not Use.USED or each.entry.entry_id in weight_of:
        return each.use
    if each.kind is not each.entry.kind:
        return Use.NOT_FIRM
    return passed_over


def _shares(located: _Located | None) -> DataShares:
    if located is None:
        return DataShares()
    shares = {"trades": 0.0, "bids_offers": 0.0, "other": 0.0}
    for point, weight in zip(located.points, located.weights, strict=True):
        shares[point.kind] += weight
    return DataShares(**shares)


def _rung(located: _Located | None, shares: DataShares) -> Rung:
    if located is None:
        return Rung.NOT_QUOTED
    if located.rung is Rung.BIDS_OFFERS and shares.trades >= shares.bids_offers:
        return Rung.THIN_TRADES
    return located.rung


def _confidence(rung: Rung, firms: int, codes: Sequence[Code], method: Method) -> Confidence:
    """High: trades of many firms that bids and offers do not gainsay. Moderate: trades, thin or
    not. Low: anything else."""
    if rung is Rung.NOT_QUOTED:
        return Confidence.NONE
    if rung is Rung.TRADES and firms >= method.confident_firms and Code.OUTSIDE_SPREAD not in codes:
        return Confidence.HIGH
    if rung in (Rung.TRADES, Rung.THIN_TRADES):
        return Confidence.MODERATE
    return Confidence.LOW


def _carried(today: Assessed, last: Assessed | Published, earlier: date) -> Assessed:
    """An earlier quotation in the place of none, within today's firm bids and offers."""
    codes = [*today.codes, Code.CARRIED]
    spread = _spread_of(
        [
            replace(each, use=Use.USED)
            for each in today.evidence
            if each.use in (Use.TOO_THIN, Use.NO_PAIR, Use.HIGHER_EVIDENCE, Use.USED)
        ]
    )
    at = _clamped(_Located(Rung.CARRIED, (), (), last.usd_per_cwt, None), spread, codes)
    price = at.usd_per_cwt
    return replace(
        today,
        usd_per_cwt=price,
        low_usd_per_cwt=min(last.low_usd_per_cwt, price),
        high_usd_per_cwt=max(last.high_usd_per_cwt, price),
        confidence=Confidence.LOW,
        rung=Rung.CARRIED,
        codes=tuple(codes),
        shares=DataShares(carried=1.0),
        carried_from=earlier,
    )
