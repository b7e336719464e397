"""From what the store holds to a market on a day, and why its prices moved since another day.

The store has pounds and quotations; what it does not have (blends, rules, how buyers answer to
a price) comes from a market's tables, whose lots are named by the store's items.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

from blend.domain.clearing import Calibrated, Market
from blend.domain.lots import DOMESTIC, Lot
from blend.domain.market import Volume
from blend.domain.selectors import parse_selector
from blend.errors import InputRefused, Problem
from blend.reporter.clearing import MarketWhy, calibrate, clear_market, why_market_moved
from blend.reporter.explained import Explained, ItemMove, Observed, with_errors
from blend.reporter.mixed import MARKET_DRIVERS, Driver
from blend.units import LB_PER_CWT

AVAILABILITY = "availability"
"""Series id of the pounds of each item that come to market."""
ORDERS = "orders"
"""With a product's id behind it, the series id of the pounds ordered of it."""
_WITHIN = timedelta(days=7)
"""An older figure says nothing of the week."""
_STEP_SHARE = 0.005
"""How far a volume is moved to see what the price does."""


@dataclass(frozen=True, slots=True)
class QuotedPrice:
    """A quotation, USD per cwt, and its standard error; None where its scale is not known."""

    usd_per_cwt: float
    error_usd_per_cwt: float | None = None


def volumes_used(frame: Market, volumes: Iterable[Volume], day: date) -> dict[str, Volume]:
    """The last figure of the week up to a day for each lot and product of the frame, by its id.

    Raise InputRefused with all that are missing.
    """
    last: dict[tuple[str, str], Volume] = {}
    for volume in sorted(volumes, key=lambda each: each.period_end):
        if day - _WITHIN < volume.period_end <= day:
            last[volume.series_id, volume.item_id] = volume
    wanted = {
        **{lot.lot_id: (AVAILABILITY, lot.lot_id) for lot in frame.case.lots},
        **{each.product_id: (f"{ORDERS} {each.product_id}", "") for each in frame.demands},
    }
    problems = [
        Problem("volumes", None, series, f"none of {an_id} in the week to {day}", "a figure, in lb")
        for an_id, (series, item) in wanted.items()
        if (series, item) not in last or last[series, item].unit != "lb"
    ]
    if problems:
        raise InputRefused(problems)
    return {an_id: last[key] for an_id, key in wanted.items()}


def market_on(
    frame: Market, volumes: Mapping[str, Volume], quoted: Mapping[str, QuotedPrice], day: date
) -> Market:
    """The frame with a day's pounds and quotations; raise InputRefused for items not quoted."""
    missing = [lot.lot_id for lot in frame.case.lots if lot.lot_id not in quoted]
    if missing:
        allowed = "a day on which every item of the market has a quotation"
        raise InputRefused(
            [Problem("canvass", None, name, f"none on {day}", allowed) for name in missing]
        )
    lots = tuple(
        replace(
            lot,
            quantity_lb=volumes[lot.lot_id].value,
            price_usd_per_lb=quoted[lot.lot_id].usd_per_cwt / LB_PER_CWT,
            price_basis="delivered",
        )
        for lot in frame.case.lots
    )
    demands = tuple(
        replace(each, volume_lb=volumes[each.product_id].value) for each in frame.demands
    )
    settings = replace(frame.case.settings, plan_on=day)
    return Market(replace(frame.case, settings=settings, lots=lots), demands)


def why_item_moved(
    before: Market,
    after: Market,
    item_id: str,
    quoted: tuple[QuotedPrice, QuotedPrice],
    *,
    volume_error_share: float,
) -> MarketWhy:
    """Split the move of an item's clearing price, with errors from those of the volumes.

    `quoted` are its quotations on the two days. Every volume is taken to be off by
    `volume_error_share` of itself, one standard error, apart from all others; what that moves
    in each part is found to first order. Raises as `why_market_moved` does.
    """
    item = parse_selector(f"item={item_id}")
    was, now = (each.error_usd_per_cwt for each in quoted)
    observed = Observed(
        (quoted[1].usd_per_cwt - quoted[0].usd_per_cwt) / LB_PER_CWT,
        None if was is None or now is None else math.hypot(was, now) / LB_PER_CWT,
    )
    why = why_market_moved(before, after, item, observed=observed)
    amounts = _errors_of_volumes(
        calibrate(before), before, after, frozenset(why.weights), volume_error_share
    )
    whole = math.hypot(*amounts.values())

    def blurred(part: Explained) -> Explained:
        return with_errors(part, amounts, whole)

    price = why.price
    return replace(why, price=ItemMove(blurred(price.next), blurred(price.last), observed))


def _errors_of_volumes(
    calibrated: Calibrated,
    before: Market,
    after: Market,
    own_ids: frozenset[str],
    share: float,
) -> dict[Driver, float]:
    """By driver, the standard error of its part from those of the volumes on both days."""
    at = _price(calibrated, after, own_ids)
    squares = dict.fromkeys(MARKET_DRIVERS, 0.0)

    def add(driver: Driver, moved: Market, was_lb: float, is_lb: float) -> None:
        slope = (_price(calibrated, moved, own_ids) - at) / (_STEP_SHARE * is_lb)
        squares[driver] += (slope * share) ** 2 * (was_lb**2 + is_lb**2)

    for index, lot in enumerate(after.case.lots):
        if not lot.quantity_lb:
            continue
        more = replace(lot, quantity_lb=lot.quantity_lb * (1 + _STEP_SHARE))
        lots = (*after.case.lots[:index], more, *after.case.lots[index + 1 :])
        moved = replace(after, case=replace(after.case, lots=lots))
        was_lb = before.case.lot(lot.lot_id).quantity_lb or 0.0
        add(_driver_of(lot, own_ids), moved, was_lb, lot.quantity_lb)
    for index, demand in enumerate(after.demands):
        larger = replace(demand, volume_lb=demand.volume_lb * (1 + _STEP_SHARE))
        demands = (*after.demands[:index], larger, *after.demands[index + 1 :])
        was_lb = before.demand(demand.product_id).volume_lb
        add(Driver.ORDERS, replace(after, demands=demands), was_lb, demand.volume_lb)
    return {driver: math.sqrt(square) for driver, square in squares.items()}


def _driver_of(lot: Lot, own_ids: frozenset[str]) -> Driver:
    if lot.lot_id in own_ids:
        return Driver.OWN_SUPPLY
    if lot.origin == DOMESTIC:
        return Driver.FRESH_SUPPLY
    return Driver.IMPORTED_SUPPLY


def _price(calibrated: Calibrated, market: Market, own_ids: frozenset[str]) -> float:
    cleared = clear_market(calibrated, market, ranges_of=own_ids)
    prices = [cleared.item(lot_id) for lot_id in own_ids]
    return math.fsum(each.next_usd_per_lb for each in prices) / len(prices)
