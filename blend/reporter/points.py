"""One day's evidence as points, and the price they center on.

A firm's trades are a point, what lies between a bid and an offer is one, and so is a firm's talk.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from blend.domain.market import EntryKind, Item
from blend.domain.method import Method
from blend.reporter.assessed import Code, Rung
from blend.reporter.evidence import Evidence, Use, by_firm, firm_price, spread_of, used
from blend.reporter.robust import capped, huber_location, weighted_median


class Point(NamedTuple):
    """One price that counts as one voice: a firm's trades, a bid and an offer, a firm's talk."""

    usd_per_cwt: float
    weight: float
    evidence: tuple[Evidence, ...]
    kind: str


class Spread(NamedTuple):
    """The best firm bid and offer; infinite where there is none."""

    bid: float = -math.inf
    offer: float = math.inf

    @property
    def is_crossed(self) -> bool:
        return self.bid > self.offer


class Located(NamedTuple):
    """Where points lie, and what each of them bears of it."""

    rung: Rung
    points: tuple[Point, ...]
    weights: tuple[float, ...]
    usd_per_cwt: float
    standard_error: float | None


def trade_points(evidence: Sequence[Evidence], method: Method) -> list[Point]:
    """One point a firm, of the weight of its pounds."""
    points = []
    for own in by_firm(used(evidence, EntryKind.TRADE)).values():
        weight = math.fsum(
            each.pounds_lb * (method.affiliate_weight if each.entry.between_affiliates else 1.0)
            for each in own
        )
        points.append(Point(firm_price(own), weight, tuple(own), "trades"))
    return points


def best_quotes(evidence: Sequence[Evidence]) -> Spread:
    bids = [each.usd_per_cwt for each in used(evidence, EntryKind.BID)]
    offers = [each.usd_per_cwt for each in used(evidence, EntryKind.OFFER)]
    return Spread(max(bids, default=-math.inf), min(offers, default=math.inf))


def backed_quotes(evidence: Sequence[Evidence], method: Method) -> Spread:
    """The highest bid that enough companies match or beat, and the lowest such offer.

    One company's bid never moves a quotation: else a company that is long could set the price.
    """
    bids = _best(used(evidence, EntryKind.BID), highest=True)
    offers = _best(used(evidence, EntryKind.OFFER), highest=False)
    count = method.min_firms_each_side
    return Spread(
        bids[count - 1].usd_per_cwt if len(bids) >= count else -math.inf,
        offers[count - 1].usd_per_cwt if len(offers) >= count else math.inf,
    )


def pairs_that_count(
    evidence: list[Evidence],
    trades: Sequence[Point],
    pairs: list[Point],
    item: Item,
    method: Method,
) -> tuple[list[Evidence], list[Point], bool]:
    """The pairs that may set the quotation, and whether they may move it beyond the trades.

    With enough companies on each side they may. With fewer they only confirm trades: the best
    bid and offer, or a price no more than a measurable move from them, must hold every trade.
    """
    sides = (used(evidence, kind) for kind in (EntryKind.BID, EntryKind.OFFER))
    if all(len(by_firm(side)) >= method.min_firms_each_side for side in sides):
        return evidence, pairs, True
    near = method.measurable_ticks * item.tick_usd_per_cwt + 1e-9
    quotes = [each for point in pairs for each in point.evidence]
    spread = best_quotes(quotes)
    prices = [point.usd_per_cwt for point in trades]
    if prices and spread.bid - near <= min(prices) and max(prices) <= spread.offer + near:
        return evidence, pairs, False
    return _marked(evidence, quotes, Use.TOO_THIN), [], False


def paired_points(
    evidence: list[Evidence], spread: Spread, codes: list[Code], method: Method
) -> tuple[list[Evidence], list[Point]]:
    """The best bid with the best offer, the next with the next: what lies between is a point.

    A bid alone is a bound, not a price, and many bids against one offer would pull a mean of all
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
        Point(
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


def other_points(evidence: Sequence[Evidence], method: Method) -> list[Point]:
    """One point for each firm that gave nothing better."""
    better = {each.firm for each in used(evidence, EntryKind.TRADE, EntryKind.BID, EntryKind.OFFER)}
    others = [each for each in used(evidence, EntryKind.OTHER) if each.firm not in better]
    return [
        Point(firm_price(own), method.other_weight, tuple(own), "other")
        for own in by_firm(others).values()
    ]


def firms_in(points: Sequence[Point]) -> int:
    return len({each.firm for point in points for each in point.evidence})


def _marked(evidence: list[Evidence], which: Sequence[Evidence], use: Use) -> list[Evidence]:
    ids = {each.entry.entry_id for each in which}
    return [replace(each, use=use) if each.entry.entry_id in ids else each for each in evidence]


# Where they lie -----------------------------------------------------------------------------------


def locate(rung: Rung, points: Sequence[Point], item: Item, method: Method) -> Located:
    """Up to three points: their weighted median. From four: Huber's location, scale held fixed."""
    prices = [point.usd_per_cwt for point in points]
    weights = capped([point.weight for point in points], method.firm_weight_cap)
    scale = spread_of(prices, method.min_spread_ticks * item.tick_usd_per_cwt)
    if scale is None:
        return Located(rung, (*points,), (*weights,), weighted_median(prices, weights), None)
    location = huber_location(prices, weights, scale, method.huber_k)
    error = _standard_error(prices, weights, location, scale, method.huber_k)
    return Located(rung, (*points,), (*weights,), location, error)


def _standard_error(
    prices: Sequence[float], weights: Sequence[float], location: float, scale: float, k: float
) -> float | None:
    """That of an M-estimate: scale x sqrt(sum (w psi)^2) / sum of w within k, and for few points
    sqrt(n / (n - 1)). Rough: the scale itself is from few prices."""
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


def within_trades(located: Located, trades: Sequence[Point], codes: list[Code]) -> Located:
    """Kept within the range of the trades."""
    prices = [each.usd_per_cwt for point in trades for each in point.evidence]
    price = located.usd_per_cwt
    if not prices or min(prices) <= price <= max(prices):
        return located
    codes.append(Code.WITHIN_TRADES)
    return located._replace(usd_per_cwt=min(max(price, min(prices)), max(prices)))


def clamped(located: Located, best: Spread, backed: Spread, codes: list[Code]) -> Located:
    """Thin evidence yields to a firm bid above it, or a firm offer below it, that enough
    companies back. What only one of them says is flagged and moves nothing."""
    price = located.usd_per_cwt
    if best.is_crossed or best.bid <= price <= best.offer:
        return located
    if price < backed.bid:
        codes.append(Code.AT_BID)
    elif price > backed.offer:
        codes.append(Code.AT_OFFER)
    else:
        codes.append(Code.OUTSIDE_SPREAD)
    return located._replace(usd_per_cwt=min(max(price, backed.bid), backed.offer))
