"""What each driver of a move was before and after: the cells of the tables that differ by it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from enum import StrEnum
from typing import Any

from blend.domain.case import Case
from blend.domain.clearing import Market
from blend.domain.selectors import Selector
from blend.reporter.mixed import MARKET_DRIVERS, PLAN_DRIVERS, Driver, TwoCases


class Cell(StrEnum):
    """What differs, and so its unit."""

    PRICE = "delivered price"
    """USD per lb."""
    POUNDS = "pounds"
    """None: without a limit."""
    ORDERED = "ordered"
    """Finished pounds."""
    OTHER = "other"
    """As the table has it."""


@dataclass(frozen=True, slots=True)
class Side:
    """One cell, before and after. `name` is the id of its row, `column` that of an OTHER."""

    cell: Cell
    name: str
    before: float | str | None
    after: float | str | None
    column: str = ""


Sides = dict[Driver, tuple[Side, ...]]


def sides_of_cases(before: Case, after: Case, item: Selector) -> Sides:
    """By driver, what differs where this driver alone is as before."""
    two = TwoCases(before, after, item)
    every = frozenset(PLAN_DRIVERS)
    then = two.mixed(every)
    return {
        driver: tuple(_cells(two.mixed(every - {driver}), then, with_orders=True))
        for driver in PLAN_DRIVERS
    }


def sides_of_markets(before: Market, after: Market, item: Selector) -> Sides:
    """The same of two markets, whose orders are the volumes of their products."""
    two = TwoCases(before.case, after.case, item, MARKET_DRIVERS)
    every = frozenset(MARKET_DRIVERS)
    then = two.mixed(every)
    sides = {
        driver: tuple(_cells(two.mixed(every - {driver}), then, with_orders=False))
        for driver in MARKET_DRIVERS
    }
    return sides | {Driver.ORDERS: tuple(_demands(before, after))}


def _demands(before: Market, after: Market) -> Iterator[Side]:
    was, now = (
        {each.product_id: each.volume_lb for each in market.demands} for market in (before, after)
    )
    for name in sorted(was.keys() | now.keys()):
        if was.get(name) != now.get(name):
            yield Side(Cell.ORDERED, name, was.get(name, 0.0), now.get(name, 0.0))


_PRICE = ("price_usd_per_lb", "price_basis", "freight_usd_per_lb",
          "replacement_usd_per_lb", "books_usd_per_lb")  # fmt: skip
_NOT_NAMED = ("source", "note", "excess_heat_btu_per_lb", "available_on", "use_by")
"""Days of use show as pounds: there are none before and after them."""
_POUNDS, _ORDERED = "quantity_lb", "min_lb"


def _cells(was: Case, now: Case, *, with_orders: bool) -> Iterator[Side]:
    """Cells that differ between two cases of the same lots and products."""
    for old, new in zip(was.lots, now.lots, strict=True):
        if old.delivered_usd_per_lb != new.delivered_usd_per_lb:
            prices = old.delivered_usd_per_lb, new.delivered_usd_per_lb
            yield Side(Cell.PRICE, new.lot_id, *prices)
        if old.quantity_lb != new.quantity_lb:
            yield Side(Cell.POUNDS, new.lot_id, old.quantity_lb, new.quantity_lb)
        yield from _others(new.lot_id, old, new, (*_PRICE, _POUNDS))
    if with_orders:
        for then, product in zip(was.products, now.products, strict=True):
            if then.min_lb != product.min_lb:
                yield Side(Cell.ORDERED, product.product_id, then.min_lb, product.min_lb)
            yield from _others(product.product_id, then, product, (_ORDERED,))
    for table in ("rules", "losses"):
        yield from _rows(table, was, now)
    if was.standards != now.standards:
        yield Side(Cell.OTHER, "standards", len(was.standards), len(now.standards), "rows")


def _rows(table: str, was: Case, now: Case) -> Iterator[Side]:
    an_id = {"rules": "rule_id", "losses": "loss_id"}[table]
    old, new = ({getattr(e, an_id): e for e in getattr(case, table)} for case in (was, now))
    for name in sorted(old.keys() | new.keys()):
        if name not in old or name not in new:
            was_there, is_there = ("there" if name in side else "not there" for side in (old, new))
            yield Side(Cell.OTHER, name, was_there, is_there, table)
        else:
            yield from _others(name, old[name], new[name], ())


def _others(name: str, old: Any, new: Any, named: tuple[str, ...]) -> Iterator[Side]:
    for field in fields(old):
        was, now = getattr(old, field.name), getattr(new, field.name)
        if field.name not in (*named, *_NOT_NAMED) and was != now:
            yield Side(Cell.OTHER, name, _plain(was), _plain(now), field.name)


def _plain(value: object) -> float | str | None:
    if value is None or (isinstance(value, int | float) and not isinstance(value, bool)):
        return value
    if isinstance(value, frozenset | tuple):
        return "|".join(sorted(map(str, value)))
    return str(value)
