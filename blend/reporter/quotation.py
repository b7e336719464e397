"""One item's quotation of one day from the canvass, by a stated method, with all it rests on.

Evidence counts in the order of IOSCO, Principles for Oil Price Reporting Agencies, FR06/12 (2012),
2.2: concluded trades, then firm bids and offers, then other market information. The ladder:

1. trades, where there are enough of them, of pounds and of firms, and no firm has too much;
2. else trades and pairs of the best firm bids and offers together, each by its weight;
3. else other information with them;
4. else the last quotation, carried unchanged with its age;
5. else no quotation.

No one company moves a quotation further than the method's cap: see `surveillance`.

A bid or an offer alone never sets or moves a quotation. Without trades, bids and offers set one
only with enough companies on each side; where they may not, the last quotation is carried
unchanged and a reporter decides whether it is published.

The order is the principles'; nothing here says that its user follows them, which takes
governance and audit. The numbers are in the method.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta

from blend.domain.market import CanvassEntry, EntryKind, Item, Published
from blend.domain.method import Method
from blend.output.formats import cents
from blend.reporter.assessed import Assessed, Code, Confidence, DataShares, Rung
from blend.reporter.evidence import Evidence, Use, by_firm, on_terms_of, used
from blend.reporter.points import (
    Located,
    backed_quotes,
    best_quotes,
    clamped,
    firms_in,
    locate,
    other_points,
    paired_points,
    pairs_that_count,
    trade_points,
    within_trades,
)
from blend.reporter.surveillance import Limited, large_move, limit_influence, usual_move


def assess(
    item: Item,
    day: date,
    entries: Iterable[CanvassEntry],
    method: Method,
    published: Iterable[Published] = (),
) -> Assessed:
    """The item's quotation of a day.

    `entries` are those of the item that stand; earlier days say what its usual daily move is, and
    are quoted, within the method's days, where a quotation must be carried; what was `published`
    then goes before what the method makes of it. Pure: the same arguments give the same numbers.
    """
    own = OwnQuotations(item, (each for each in entries if each.market_day <= day), method)
    today = own.of(day)
    last = {each.market_day: each for each in published if each.item_id == item.item_id}
    if today.usd_per_cwt is not None:
        return replace(today, last_usd_per_cwt=last_quotation(own, day, last))
    for age in range(1, method.carried_days + 1):
        earlier = day - timedelta(days=age)
        if earlier in last and last[earlier].evidence != Rung.CARRIED:
            return _carried(today, last[earlier], earlier)
        made = own.of(earlier)
        if made.usd_per_cwt is not None:
            return _carried(today, made, earlier)
    return today


def last_quotation(
    own: OwnQuotations, day: date, published: Mapping[date, Published]
) -> float | None:
    """The last quotation before a day, as published where it was."""
    for earlier in own.days_before(day):
        if earlier in published:
            return published[earlier].usd_per_cwt
        made = own.of(earlier).usd_per_cwt
        if made is not None:
            return made
    return None


class OwnQuotations:
    """An item's quotations, each from its own day's entries and within every company's cap."""

    def __init__(self, item: Item, entries: Iterable[CanvassEntry], method: Method) -> None:
        self._item, self._method = item, method
        self._by_day: dict[date, list[CanvassEntry]] = {}
        for entry in sorted(entries, key=lambda each: each.entry_id):
            if entry.item_id == item.item_id:
                self._by_day.setdefault(entry.market_day, []).append(entry)
        self._uncapped: dict[date, Assessed] = {}

    def days_before(self, day: date) -> list[date]:
        """Days with entries, the latest first, as many as say what is usual."""
        earlier = sorted((each for each in self._by_day if each < day), reverse=True)
        return earlier[: self._method.normal_days]

    def of(self, day: date) -> Assessed:
        made = self.uncapped(day)
        if made.usd_per_cwt is None:
            return made
        item, method, usual = self._item, self._method, self.usual(day)
        limited = limit_influence(
            self._by_day[day],
            lambda entries: assess_day(item, day, entries, method).usd_per_cwt,
            usual,
            method,
        )
        return _within_cap(made, limited, usual, method)

    def uncapped(self, day: date) -> Assessed:
        if day not in self._uncapped:
            entries = self._by_day.get(day, ())
            self._uncapped[day] = assess_day(self._item, day, entries, self._method)
        return self._uncapped[day]

    def usual(self, day: date) -> float | None:
        """The usual daily move in the days before, $/cwt."""
        method = self._method
        made = (self.uncapped(each).usd_per_cwt for each in reversed(self.days_before(day)))
        known = [price for price in made if price is not None]
        return usual_move(known, method, method.min_spread_ticks * self._item.tick_usd_per_cwt)


def _within_cap(made: Assessed, limited: Limited, usual: float | None, method: Method) -> Assessed:
    """A quotation kept within the cap, and held where that is not enough."""
    price = limited.usd_per_cwt
    assert price is not None and made.usd_per_cwt is not None
    low, high = made.low_usd_per_cwt, made.high_usd_per_cwt
    codes = made.codes if price == made.usd_per_cwt else (*made.codes, Code.CAPPED)
    capped = replace(
        made,
        usd_per_cwt=price,
        low_usd_per_cwt=price if low is None else min(low, price),
        high_usd_per_cwt=price if high is None else max(high, price),
        codes=codes,
        limited=limited,
        uncapped_usd_per_cwt=made.usd_per_cwt,
        usual_usd_per_cwt=usual,
    )
    return held(capped, limited.held or _moved_by_one(capped, method))


def _moved_by_one(made: Assessed, method: Method) -> str:
    """Why a quotation of an item whose usual move is not known yet is held: one company alone
    moves it far. Empty where none does."""
    if made.usual_usd_per_cwt is not None or not method.company_cap_moves or not made.limited:
        return ""
    moves = [abs(each.moves_usd_per_cwt or 0.0) for each in made.limited.influences]
    most = method.hold_moves * method.measurable_ticks * made.item.tick_usd_per_cwt
    if max(moves, default=0.0) <= most:
        return ""
    return f"one company moves it by {cents(max(moves))}; its usual move is not known yet"


def second_look(made: Assessed, related: Iterable[Assessed], method: Method) -> Assessed:
    """The quotation, held where its move is large and related items did not move along."""
    if made.rung is Rung.CARRIED or made.limited is None:
        return made
    moves = {
        each.item.item_id: each.moves
        for each in related
        if each.rung is not Rung.CARRIED and each.moves is not None
    }
    return held(made, large_move(made.moves, moves, method, hangs_on_one=made.limited.hangs_on_one))


def held(made: Assessed, why: str) -> Assessed:
    if not why:
        return made
    codes = made.codes if Code.HELD in made.codes else (*made.codes, Code.HELD)
    return replace(made, codes=codes, held="; ".join(filter(None, (made.held, why))))


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

    Either way the method's own number is kept with it. Raise ValueError where there is
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
    spread = best_quotes(evidence)
    codes = [*_codes_of(evidence), *_shortages(evidence, method)]
    trades = trade_points(evidence, method)
    if not any(code in _NOT_BY_TRADES for code in codes):
        located = locate(Rung.TRADES, trades, item, method)
        if not spread.bid <= located.usd_per_cwt <= spread.offer:
            codes.append(Code.OUTSIDE_SPREAD)
        return _assessed(item, day, evidence, located, codes, method)
    backed = backed_quotes(evidence, method)
    evidence, both = paired_points(evidence, spread, codes, method)
    evidence, pairs, may_set = pairs_that_count(evidence, trades, both, item, method)
    if both and not pairs:
        codes.append(Code.SIDES_FEW)
    others = other_points(evidence, method)
    # Thin trades weigh alike, firm by firm: their pounds are too few to rank them.
    thin = [point._replace(weight=method.trade_weight) for point in trades]
    for rung, points in (
        (Rung.BIDS_OFFERS, [*thin, *pairs]),
        (Rung.OTHER, [*thin, *pairs, *others]),
    ):
        if points and firms_in(points) >= method.min_firms_if_thin:
            located = locate(rung, points, item, method)
            if pairs and not may_set:
                located = within_trades(located, trades, codes)
            located = clamped(located, spread, backed, codes)
            return _assessed(item, day, evidence, located, codes, method)
    return _assessed(item, day, evidence, None, codes, method)


_NOT_BY_TRADES = (Code.TRADES_FEW, Code.POUNDS_FEW, Code.FIRMS_FEW, Code.CONCENTRATED)

_LEFT_OUT = {
    Code.OUTLIERS_LEFT_OUT: (Use.OUTLIER,),
    Code.AFFILIATES_LEFT_OUT: (Use.AFFILIATES,),
    Code.TERMS_LEFT_OUT: (Use.LATE, Use.LATER_DELIVERY, Use.OTHER_LEAN, Use.NO_FREIGHT,
                          Use.OTHER_PURCHASE, Use.EXPORT),
}


def _codes_of(evidence: Sequence[Evidence]) -> list[Code]:
    """What was done to entries before any was weighed."""
    uses = {each.use for each in evidence}
    codes = [code for code, left_out in _LEFT_OUT.items() if uses.intersection(left_out)]
    adjusted = {change.what for each in used(evidence) for change in each.adjustments}
    codes += [Code.LEAN_ADJUSTED] if "lean" in adjusted else []
    codes += [Code.FREIGHT_ADJUSTED] if "freight" in adjusted else []
    return codes


def _shortages(evidence: Sequence[Evidence], method: Method) -> list[Code]:
    """Why trades alone do not suffice; empty where they do."""
    trades = used(evidence, EntryKind.TRADE)
    firms = by_firm(trades)
    pounds = math.fsum(each.pounds_lb for each in trades)
    shortages = []
    if len(trades) < method.min_trades:
        shortages.append(Code.TRADES_FEW)
    if pounds < method.min_pounds_lb:
        shortages.append(Code.POUNDS_FEW)
    if len(firms) < method.min_firms:
        shortages.append(Code.FIRMS_FEW)
    if firms and largest_share(trades) >= method.max_firm_share:
        shortages.append(Code.CONCENTRATED)
    return shortages


def largest_share(trades: Sequence[Evidence]) -> float:
    """Share of the pounds that the largest firm traded."""
    pounds = [math.fsum(each.pounds_lb for each in own) for own in by_firm(trades).values()]
    return max(pounds) / math.fsum(pounds)


# The result -------------------------------------------------------------------------------------


def _assessed(
    item: Item,
    day: date,
    evidence: list[Evidence],
    located: Located | None,
    codes: list[Code],
    method: Method,
) -> Assessed:
    weight_of = _weights_of_entries(located)
    # What is left marked as used and bears nothing was passed over for one of two reasons.
    passed_over = Use.TOO_THIN if located is None else Use.HIGHER_EVIDENCE
    rounded_plan = tuple(
        replace(each, use=_use_in_the_end(each, weight_of, passed_over),
                weight=weight_of.get(each.entry.entry_id, 0.0))
        for each in evidence
    )  # fmt: skip
    counting = [each for each in rounded_plan if each.use is Use.USED]
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
        evidence=rounded_plan,
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


_NEVER_HEARD = (Use.LATE, Use.LATER_DELIVERY, Use.OTHER_LEAN, Use.AFFILIATES, Use.OTHER_PURCHASE,
                Use.EXPORT)  # fmt: skip
"""Bids and offers that are not of this market on this day, whatever their price."""


def _firms_that(evidence: Sequence[Evidence], kind: EntryKind) -> int:
    return len({each.firm for each in evidence if each.kind is kind})


def _weights_of_entries(located: Located | None) -> dict[str, float]:
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


def _shares(located: Located | None) -> DataShares:
    if located is None:
        return DataShares()
    shares = {"trades": 0.0, "bids_offers": 0.0, "other": 0.0}
    for point, weight in zip(located.points, located.weights, strict=True):
        shares[point.kind] += weight
    return DataShares(**shares)


def _rung(located: Located | None, shares: DataShares) -> Rung:
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
    """An earlier quotation where there is none, unchanged whatever is bid or offered today."""
    codes = (*today.codes, Code.CARRIED, *_why_unchanged(today))
    return replace(
        today,
        usd_per_cwt=last.usd_per_cwt,
        low_usd_per_cwt=last.low_usd_per_cwt,
        high_usd_per_cwt=last.high_usd_per_cwt,
        confidence=Confidence.LOW,
        rung=Rung.CARRIED,
        codes=codes,
        shares=DataShares(carried=1.0),
        carried_from=earlier,
    )


def _why_unchanged(today: Assessed) -> tuple[Code, ...]:
    """Which firm bids and offers of today the carried quotation passes over; empty for none."""
    heard = [each.kind for each in today.evidence if each.use not in _NEVER_HEARD]
    bids, offers, trades = map(heard.count, (EntryKind.BID, EntryKind.OFFER, EntryKind.TRADE))
    if not bids + offers:
        return ()
    if not trades and (bids, offers) == (1, 0):
        return (Code.ONLY_ONE_BID,)
    if not trades and (bids, offers) == (0, 1):
        return (Code.ONLY_ONE_OFFER,)
    return (Code.ONLY_BIDS_OFFERS,)
