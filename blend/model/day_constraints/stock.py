"""Stock: what comes in, goes out or stays of each lot on each day, and no meat past its day."""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from blend.domain.horizon import DayConstraintClass, DayRequirement
from blend.model.arrays import Columns, Rows
from blend.model.days import Days, Inflow


def add(days: Days, columns: Columns, rows: Rows) -> None:
    _add_columns(days, columns)
    inflows = days.inflows(columns)
    _add_waste(days, columns, rows, inflows)
    _add_balance(days, columns, rows, inflows)
    _add_use_by(days, columns, rows, inflows)
    _add_frozen_overnight(days, columns, rows, inflows)


def _add_columns(days: Days, columns: Columns) -> None:
    """Pounds bought by offer, kept overnight by lot and day, frozen by fresh lot and day, and
    sold on by bid."""
    horizon, lots, count = days.horizon, days.lots, len(days.days)
    columns.add(
        "buy",
        len(days.offers),
        cost=[receipt.price_usd_per_lb for receipt in days.offers],
        upper=[receipt.max_lb for receipt in days.offers],
    )
    coolers = [horizon.cooler_of(lot) for lot in lots]
    holding = [cooler.holding_usd_per_lb_day if cooler else 0.0 for cooler in coolers]
    cost = np.outer(np.array(holding, float), [horizon.nights(place) for place in range(count)])
    cost[:, -1] -= [lot.salvage_value_usd_per_lb for lot in lots]
    room = np.array([np.inf if cooler else 0.0 for cooler in coolers])
    columns.add("stock", len(lots) * count, cost=cost.ravel(), upper=np.repeat(room, count))
    freezing_cost = [days.freezing(fresh).usd_per_lb for fresh, _ in days.freezable]
    columns.add("freeze", len(freezing_cost) * count, cost=np.repeat(freezing_cost, count))
    bids = horizon.bids()
    columns.add(
        "sell",
        len(bids),
        cost=[-bid.price_usd_per_lb for bid in bids],
        upper=[bid.max_lb for bid in bids],
    )


def _disposal_usd_per_lb(days: Days) -> np.ndarray:
    """Meat past its day earns nothing; it may cost money to be rid of."""
    cost = [max(0.0, -lot.salvage_value_usd_per_lb) for lot in days.lots]
    return np.repeat(cost, len(days.days))


def _last_day_of(days: Days, inflows: list[Inflow]) -> dict[int, list[Inflow]]:
    """By place among the columns `waste`: what has its last day of use then."""
    expiring: dict[int, list[Inflow]] = defaultdict(list)
    for inflow in inflows:
        if inflow.last_place < len(days.days):
            expiring[days.at(inflow.lot, inflow.last_place)].append(inflow)
    return expiring


def _add_waste(days: Days, columns: Columns, rows: Rows, inflows: list[Inflow]) -> None:
    """Meat is thrown away only on its last day, and no more than has its last day then."""
    expiring = _last_day_of(days, inflows)
    size = len(days.lots) * len(days.days)
    maximum = np.where(np.isin(np.arange(size), list(expiring)), np.inf, 0.0)
    waste = columns.add("waste", size, cost=_disposal_usd_per_lb(days), upper=maximum)
    for at, own in expiring.items():
        lot, place = divmod(at, len(days.days))
        rows.add(
            DayRequirement(
                days.days[place], DayConstraintClass.USE_BY, lot_id=days.lots[lot].lot_id
            ),
            [(waste[at], 1.0), *((e.column, -e.lb) for e in own if e.column is not None)],
            upper=sum(each.lb for each in own if each.column is None),
        )


def _add_balance(days: Days, columns: Columns, rows: Rows, inflows: list[Inflow]) -> None:
    """Kept from the day before + comes in = used, frozen, sold, thrown away + kept."""
    horizon, count = days.horizon, len(days.days)
    stock, size = columns["stock"], len(days.lots) * len(days.days)
    every = np.arange(size)
    later = every[every % count > 0]
    parts = [(every, stock, -1.0), (later, stock[later - 1], 1.0), (every, columns["waste"], -1.0)]
    there_lb = np.zeros(size)
    for inflow in inflows:
        row = days.at(inflow.lot, inflow.place)
        if inflow.column is None:
            there_lb[row] += inflow.lb
        else:
            parts.append((np.array([row]), np.array([inflow.column]), inflow.lb))
    for place in range(count):
        use, lot = days.use_columns(columns, place)
        parts.append((days.at(lot, place), use, -1.0))
    fresh = np.array([days.lot_index[fresh.lot_id] for fresh, _ in days.freezable], int)
    out_of = days.at(np.repeat(fresh, count), np.tile(np.arange(count), len(fresh)))
    parts.append((out_of, columns["freeze"], -1.0))
    bids = horizon.bids()
    sold = [days.at(days.lot_index[bid.lot_id], days.days.index(bid.day)) for bid in bids]
    parts.append((np.array(sold, int), columns["sell"], -1.0))
    rows.add_block(
        [
            DayRequirement(day, DayConstraintClass.BALANCE, lot_id=lot.lot_id)
            for lot in days.lots
            for day in days.days
        ],
        parts,
        lower=-there_lb,
        upper=-there_lb,
    )


def _add_use_by(days: Days, columns: Columns, rows: Rows, inflows: list[Inflow]) -> None:
    """What came in during a span of days and lasts no longer goes out during that span.

    One row for each such span is all that use-by dates ask for, whatever goes out first: a
    pound that must go and the days it can go on make an interval, and for intervals Hall's
    condition on spans suffices (from memory). Where meat that came in earlier is not good for
    longer, the span that begins with the first day stands for all of them.
    """
    inflows_of: dict[int, list[Inflow]] = defaultdict(list)
    for inflow in inflows:
        inflows_of[inflow.lot].append(inflow)
    stock = columns["stock"]
    for lot, own in inflows_of.items():
        for last, day in enumerate(days.days):
            for first in _first_places(own, last):
                within = [each for each in own if first <= each.place <= last < each.last_place]
                kept = [(stock[days.at(lot, last)], 1.0)]
                if first:
                    kept.append((stock[days.at(lot, first - 1)], -1.0))
                rows.add(
                    DayRequirement(day, DayConstraintClass.USE_BY, lot_id=days.lots[lot].lot_id),
                    kept + [(each.column, -each.lb) for each in within if each.column is not None],
                    upper=sum(each.lb for each in within if each.column is None),
                )


def _first_places(inflows: list[Inflow], last: int) -> list[int]:
    """The first days of spans, ending with the day `last`, in which something must go out."""
    must_go = [each.place for each in inflows if each.place <= last and each.last_place <= last]
    if not must_go:
        return []
    outlasting = [each.place for each in inflows if each.last_place > last]
    return sorted({0} | {place for place in must_go if any(p < place for p in outlasting)})


def _add_frozen_overnight(days: Days, columns: Columns, rows: Rows, inflows: list[Inflow]) -> None:
    """What is frozen today lies in the freezer tonight: none of it is used the same day."""
    frozen = {days.lot_index[frozen.lot_id] for _, frozen in days.freezable}
    for inflow in inflows:
        if inflow.lot in frozen and inflow.column is not None:
            rows.add(
                DayRequirement(
                    days.days[inflow.place],
                    DayConstraintClass.FROZEN_OVERNIGHT,
                    lot_id=days.lots[inflow.lot].lot_id,
                ),
                [
                    (columns["stock"][days.at(inflow.lot, inflow.place)], 1.0),
                    (inflow.column, -inflow.lb),
                ],
                lower=0.0,
            )
