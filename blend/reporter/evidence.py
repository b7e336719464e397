"""A canvass on the item's terms; entries that do not count are marked.

Nothing is dropped silently: every entry stays, with what was done to its price and, where it
does not count, the rule that says so.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from typing import NamedTuple

from blend.domain.market import CanvassEntry, EntryKind, Item
from blend.domain.method import Method
from blend.reporter.robust import median, weighted_median
from blend.units import POINTS_PER_SHARE

MIN_FOR_SCALE = 4
"""Fewer companies than this have no spread (Rousseeuw and Verboven, CSDA 40, 2002)."""


class Use(StrEnum):
    """Whether an entry counts, and by which rule it does not."""

    USED = "used"
    LATE = "late"
    """Heard too long after the market day."""
    LATER_DELIVERY = "later_delivery"
    """Delivered beyond the item's days: another market."""
    OTHER_LEAN = "other_lean"
    NO_FREIGHT = "no_freight"
    """On another basis than the item's, and no freight was given."""
    AFFILIATES = "affiliates"
    OTHER_PURCHASE = "other_purchase"
    """Formula or forward: counted apart from negotiated."""
    EXPORT = "export"
    SAME_DEAL = "same_deal"
    """The other side of a deal that counts already."""
    OUTLIER = "outlier"
    NOT_FIRM = "not_firm"
    """A bid or offer that could not be hit counts as other information only."""
    NOT_BEST = "not_best"
    """The same firm bid more, or offered for less."""
    NO_PAIR = "no_pair"
    """A bid without an offer to pair with, or an offer without a bid."""
    HIGHER_EVIDENCE = "higher_evidence"
    """Better evidence sufficed, or this firm gave better."""
    CROSSED = "crossed"
    """Bids stand above offers: one of them cannot be right."""
    TOO_THIN = "too_thin"
    """With it there would still not be enough firms."""


class Adjustment(NamedTuple):
    """What was added to a price to bring it to the item's terms: `what` is lean or freight."""

    what: str
    usd_per_cwt: float


@dataclass(frozen=True, slots=True)
class Evidence:
    """One entry on the item's terms. `weight` is its share of the quotation, of 1."""

    entry: CanvassEntry
    usd_per_cwt: float
    adjustments: tuple[Adjustment, ...] = ()
    use: Use = Use.USED
    weight: float = 0.0

    @property
    def kind(self) -> EntryKind:
        """A bid or offer that is not firm is other information."""
        is_quote = self.entry.kind in (EntryKind.BID, EntryKind.OFFER)
        return EntryKind.OTHER if is_quote and not self.entry.is_firm else self.entry.kind

    @property
    def firm(self) -> str:
        return self.entry.firm

    @property
    def pounds_lb(self) -> float:
        return self.entry.pounds_lb or 0.0


def on_terms_of(item: Item, entries: Iterable[CanvassEntry], method: Method) -> list[Evidence]:
    """Each entry on the item's terms; those that cannot be or need not be say why."""
    marked = _one_side_a_deal([_on_terms(item, entry, method) for entry in entries])
    return _outliers_marked(marked, item, method)


def _one_side_a_deal(evidence: list[Evidence]) -> list[Evidence]:
    """Of trades with the same deal, the first heard that counts is kept."""
    deals: set[tuple[date, str]] = set()
    kept = []
    for each in sorted(evidence, key=lambda each: (each.entry.heard_at, each.entry.entry_id)):
        deal = (each.entry.market_day, each.entry.deal_id.casefold())
        if each.entry.deal_id and each.kind is EntryKind.TRADE and each.use is Use.USED:
            if deal in deals:
                each = replace(each, use=Use.SAME_DEAL)
            deals.add(deal)
        kept.append(each)
    place = {each.entry.entry_id: n for n, each in enumerate(evidence)}
    return sorted(kept, key=lambda each: place[each.entry.entry_id])


def _on_terms(item: Item, entry: CanvassEntry, method: Method) -> Evidence:
    lean = item.lean if entry.lean is None else entry.lean
    use = _use_by_terms(item, entry, lean, method)
    adjustments = []
    if entry.basis != item.basis and entry.freight_usd_per_cwt is not None:
        sign = 1 if item.basis == "delivered" else -1
        adjustments.append(Adjustment("freight", sign * entry.freight_usd_per_cwt))
    price = entry.usd_per_cwt + sum(each.usd_per_cwt for each in adjustments)
    if lean != item.lean:
        lean_usd_per_cwt = _lean_adjustment(item, price, lean)
        adjustments.append(Adjustment("lean", lean_usd_per_cwt))
        price += lean_usd_per_cwt
    return Evidence(entry, price, tuple(adjustments), use)


def _lean_adjustment(item: Item, price: float, lean: float) -> float:
    """By the item's slope where it has one, else by proportion: the lean bears the whole price."""
    points = (item.lean - lean) * POINTS_PER_SHARE
    if item.point_usd_per_cwt is not None:
        return points * item.point_usd_per_cwt
    return price * (item.lean / lean - 1)


def _use_by_terms(item: Item, entry: CanvassEntry, lean: float, method: Method) -> Use:
    within_days = entry.delivered_within_days
    late = (entry.heard_at.date() - entry.market_day).days
    # A hair of slack, since 0.90 - 0.87 is more than 0.03 in binary fractions.
    off_lean = abs(lean - item.lean) > method.lean_within_share + 1e-9
    if entry.purchase_type != "negotiated":
        return Use.OTHER_PURCHASE
    if entry.destination != "domestic":
        return Use.EXPORT
    if late > method.late_days:
        return Use.LATE
    if within_days is not None and within_days > item.delivered_within_days:
        return Use.LATER_DELIVERY
    if off_lean:
        return Use.OTHER_LEAN
    if entry.basis != item.basis and entry.freight_usd_per_cwt is None:
        return Use.NO_FREIGHT
    if entry.between_affiliates and method.affiliate_weight == 0:
        return Use.AFFILIATES
    return Use.USED


def used(evidence: Iterable[Evidence], *kinds: EntryKind) -> list[Evidence]:
    """Those that count so far, of the kinds named or of all."""
    return [each for each in evidence if each.use is Use.USED and (not kinds or each.kind in kinds)]


def by_firm(evidence: Iterable[Evidence]) -> dict[str, list[Evidence]]:
    """Several things from one firm are one voice."""
    firms = defaultdict(list)
    for each in evidence:
        firms[each.firm].append(each)
    return dict(sorted(firms.items()))


def firm_price(evidence: Sequence[Evidence]) -> float:
    """The average within one company: by pounds where all are given, else plain."""
    pounds = [each.pounds_lb for each in evidence]
    weights = pounds if all(pounds) else [1.0] * len(evidence)
    total = sum(weights)
    prices = (each.usd_per_cwt for each in evidence)
    return sum(weight * price for weight, price in zip(weights, prices, strict=True)) / total


# Outliers ---------------------------------------------------------------------------------------


_LIKE = ((EntryKind.TRADE, EntryKind.OTHER), (EntryKind.BID,), (EntryKind.OFFER,))
"""Prices that are compared with each other. Bids lie below offers, so that together they would
make outliers of whichever were fewer."""


def _outliers_marked(evidence: list[Evidence], item: Item, method: Method) -> list[Evidence]:
    far = {
        each.entry.entry_id
        for kinds in _LIKE
        for each in _far_from_the_middle(used(evidence, *kinds), item, method)
    }
    return [
        replace(each, use=Use.OUTLIER) if each.entry.entry_id in far else each for each in evidence
    ]


def _far_from_the_middle(
    evidence: Sequence[Evidence], item: Item, method: Method
) -> Iterable[Evidence]:
    """Those far from the middle of all firms, each firm of one weight; none of too few firms.

    Distance is 0.6745 |x - median| / MAD (Iglewicz and Hoaglin 1993). Prices stand on a grid of
    ticks, so that more than half of them are often equal and MAD is zero: it is never taken for
    less than the method's number of ticks.
    """
    firms = by_firm(evidence)
    if len(firms) < MIN_FOR_SCALE:
        return
    prices = [each.usd_per_cwt for each in evidence]
    weights = [1 / len(firms[each.firm]) for each in evidence]
    middle = weighted_median(prices, weights)
    distances = [abs(price - middle) for price in prices]
    minimum = method.min_spread_ticks * item.tick_usd_per_cwt
    spread = max(weighted_median(distances, weights), minimum)
    for each, distance in zip(evidence, distances, strict=True):
        if 0.6745 * distance / spread > method.outlier_cut:
            yield each


def spread_of(prices: Sequence[float], min_usd_per_cwt: float) -> float | None:
    """Standard deviation from the median distance, never below a minimum; None of few."""
    if len(prices) < MIN_FOR_SCALE:
        return None
    middle = median(prices)
    distance = max(median([abs(price - middle) for price in prices]), min_usd_per_cwt)
    return distance / 0.6745
