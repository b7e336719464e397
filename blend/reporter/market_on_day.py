"""From what the store holds to a market on a day, and why its prices moved since another day.

The store has pounds and quotations; what it does not have (blends, rules, how buyers answer to
a price) comes from a market's tables, whose lots are named by the store's items.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

from blend.domain.clearing import Market
from blend.domain.market import Volume
from blend.domain.selectors import parse_selector
from blend.errors import InputRefused, Problem
from blend.reporter.clearing import MarketWhy, why_market_moved
from blend.reporter.draws import Priors
from blend.reporter.explained import Observed
from blend.units import LB_PER_CWT

AVAILABILITY = "availability"
"""Series id of the pounds of each item that come to market."""
ORDERS = "orders"
"""With a product's id behind it, the series id of the pounds ordered of it."""
_WITHIN = timedelta(days=7)
"""An older figure says nothing of the week."""


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
    priors: Priors,
) -> MarketWhy:
    """Split the move of an item's clearing price; `quoted` are its quotations on the two days.

    Raises as `why_market_moved` does.
    """
    was, now = (each.error_usd_per_cwt for each in quoted)
    observed = Observed(
        (quoted[1].usd_per_cwt - quoted[0].usd_per_cwt) / LB_PER_CWT,
        None if was is None or now is None else math.hypot(was, now) / LB_PER_CWT,
    )
    if was is not None:
        priors = replace(priors, quotation_usd_per_lb=was / LB_PER_CWT)
    item = parse_selector(f"item={item_id}")
    return why_market_moved(before, after, item, observed=observed, priors=priors)
