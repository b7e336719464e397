"""Buying ahead: least purchases, lots sold whole, and whole containers, offer by offer."""

from __future__ import annotations

import math

import numpy as np

from blend.core.days import ROOM, Days
from blend.core.programme import Columns, Rows
from blend.domain.horizon import DayRequirement, Receipt
from blend.domain.requirements import Family
from blend.domain.rules import WholeContainers


def add(days: Days, columns: Columns, rows: Rows) -> None:
    _add_least_purchases(days, columns, rows)
    if days.horizon.case.settings.whole_containers is not WholeContainers.NO:
        _add_whole_containers(days, columns, rows)


def _add_least_purchases(days: Days, columns: Columns, rows: Rows) -> None:
    conditional = [
        (column, offer, lot)
        for column, offer in zip(columns["buy"], days.offers, strict=True)
        for lot in (days.horizon.lot(offer.lot_id),)
        if lot.least_purchase_lb > 0 or not lot.can_split
    ]
    bought = columns.add("is_bought", len(conditional), upper=1.0, whole=True)
    for (column, offer, lot), is_bought in zip(conditional, bought, strict=True):
        requirement = _requirement(days, Family.LEAST_PURCHASE, offer)
        least_lb = lot.least_purchase_lb if lot.can_split else offer.most_lb
        rows.add(requirement, [(column, 1.0), (is_bought, -least_lb)], lower=0.0)
        most_lb = offer.most_lb if math.isfinite(offer.most_lb) else _most_worth_lb(days, least_lb)
        rows.add(requirement, [(column, 1.0), (is_bought, -most_lb * ROOM)], upper=0.0)


def _most_worth_lb(days: Days, least_lb: float) -> float:
    """A sure upper limit on what a purchase without one can be worth: all that is wanted, all
    that the rooms hold, and all that the bids take."""
    horizon = days.horizon
    wanted = [days.most_wanted_lb(place) for place in range(len(days.days))]
    rooms = [math.inf if s.capacity_lb is None else s.capacity_lb for s in horizon.stores]
    return max(least_lb, sum(wanted) + sum(rooms) + sum(bid.most_lb for bid in horizon.bids()))


def _add_whole_containers(days: Days, columns: Columns, rows: Rows) -> None:
    container_lb = np.array(
        [days.horizon.lot(offer.lot_id).container_lb or 0.0 for offer in days.offers]
    )
    boxed = np.flatnonzero(container_lb)
    counts = columns.add("containers", len(boxed), whole=True)
    within = np.arange(len(boxed))
    rows.add_block(
        [_requirement(days, Family.WHOLE_CONTAINERS, days.offers[index]) for index in boxed],
        [(within, columns["buy"][boxed], 1.0), (within, counts, -container_lb[boxed])],
        lower=0.0,
        upper=0.0,
    )


def _requirement(days: Days, family: Family, offer: Receipt) -> DayRequirement:
    return DayRequirement(days.days[offer.place], family, lot_id=offer.lot_id)
