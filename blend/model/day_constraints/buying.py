"""Buying and selling ahead: min purchases, lots sold whole, whole containers and loads, and what
is agreed already, offer by offer and bid by bid."""

from __future__ import annotations

import math
from datetime import date

import numpy as np

from blend.domain.horizon import DayConstraintClass, DayRequirement, ForwardPrice, Receipt
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import WholeContainers
from blend.model.arrays import Columns, Rows
from blend.model.days import ROOM, Days


def add(days: Days, columns: Columns, rows: Rows) -> None:
    _add_min_purchases(days, columns, rows)
    if days.horizon.case.settings.whole_containers is not WholeContainers.NO:
        _add_whole_containers(days, columns, rows)
    _add_agreed_and_loads(days, columns, rows)


def _add_min_purchases(days: Days, columns: Columns, rows: Rows) -> None:
    conditional = [
        (column, offer, lot)
        for column, offer in zip(columns["buy"], days.offers, strict=True)
        for lot in (days.horizon.lot(offer.lot_id),)
        if lot.min_purchase_lb > 0 or lot.must_take_all
    ]
    bought = columns.add("is_bought", len(conditional), upper=1.0, whole=True)
    for (column, offer, lot), is_bought in zip(conditional, bought, strict=True):
        requirement = _requirement(days, ConstraintClass.MIN_PURCHASE, offer)
        min_lb = offer.max_lb if lot.must_take_all else lot.min_purchase_lb
        rows.add(requirement, [(column, 1.0), (is_bought, -min_lb)], lower=0.0)
        max_lb = offer.max_lb if math.isfinite(offer.max_lb) else _max_value_lb(days, min_lb)
        rows.add(requirement, [(column, 1.0), (is_bought, -max_lb * ROOM)], upper=0.0)


def _max_value_lb(days: Days, min_lb: float) -> float:
    """A sure upper limit on what a purchase without one can be worth: all that is wanted, all
    that the rooms hold, and all that the bids take."""
    horizon = days.horizon
    wanted = [days.max_wanted_lb(place) for place in range(len(days.days))]
    rooms = [math.inf if s.capacity_lb is None else s.capacity_lb for s in horizon.coolers]
    return max(min_lb, sum(wanted) + sum(rooms) + sum(bid.max_lb for bid in horizon.bids()))


def _add_whole_containers(days: Days, columns: Columns, rows: Rows) -> None:
    container_lb = np.array(
        [days.horizon.lot(offer.lot_id).container_lb or 0.0 for offer in days.offers]
    )
    boxed = np.flatnonzero(container_lb)
    counts = columns.add("containers", len(boxed), whole=True)
    within = np.arange(len(boxed))
    rows.add_block(
        [
            _requirement(days, ConstraintClass.WHOLE_CONTAINERS, days.offers[index])
            for index in boxed
        ],
        [(within, columns["buy"][boxed], 1.0), (within, counts, -container_lb[boxed])],
        lower=0.0,
        upper=0.0,
    )


def _add_agreed_and_loads(days: Days, columns: Columns, rows: Rows) -> None:
    offers: list[tuple[int, Receipt | ForwardPrice, date, str]] = [
        (column, offer, days.days[offer.place], offer.offer_id)
        for column, offer in zip(columns["buy"].tolist(), days.offers, strict=True)
    ]
    bids: list[tuple[int, Receipt | ForwardPrice, date, str]] = [
        (column, bid, bid.day, bid.price_id)
        for column, bid in zip(columns["sell"].tolist(), days.horizon.bids(), strict=True)
    ]
    in_loads = []
    for column, taken, day, price_id in (*offers, *bids):
        if taken.is_agreed:
            agreed = DayConstraintClass.AGREED
            requirement = DayRequirement(day, agreed, lot_id=taken.lot_id, price_id=price_id)
            rows.add(requirement, [(column, 1.0)], lower=taken.max_lb)
        elif taken.load_lb is not None:
            in_loads.append((column, taken, day, price_id))
    counts = columns.add(
        "loads",
        len(in_loads),
        upper=[taken.max_lb // (taken.load_lb or 1.0) for _, taken, _, _ in in_loads],
        whole=True,
    )
    for count, (column, taken, day, price_id) in zip(counts, in_loads, strict=True):
        whole = DayConstraintClass.WHOLE_LOADS
        requirement = DayRequirement(day, whole, lot_id=taken.lot_id, price_id=price_id)
        rows.add(requirement, [(column, 1.0), (count, -(taken.load_lb or 1.0))], lower=0, upper=0)


def _requirement(days: Days, constraint_class: ConstraintClass, offer: Receipt) -> DayRequirement:
    return DayRequirement(days.days[offer.place], constraint_class, lot_id=offer.lot_id)
