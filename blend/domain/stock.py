"""Meat on hand is paid for: a plan counts what it is worth if kept, not what it cost.

Three figures for each lot on hand: what it cost (the books), what it is worth if kept, and nothing,
or less where it costs money to get rid of, once it expires before it can be used again.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

from blend.domain.lots import Lot

if TYPE_CHECKING:
    from blend.domain.case import Settings


def next_grind_day(settings: Settings) -> date:
    """The next day the plant can use what it keeps."""
    return settings.next_grind_on or settings.plan_on + timedelta(days=1)


def expires_today(lot: Lot, settings: Settings) -> bool:
    """Whether the lot can be used on the day of the plan, but not on the next day of grinding."""
    last = lot.use_by
    return last is not None and settings.plan_on <= last < next_grind_day(settings)


def valued(lot: Lot, settings: Settings) -> Lot:
    """A lot on hand with what it is worth if kept as its price, and its cost as `books_usd_per_lb`;
    other lots as they are.

    Conservative where cells are blank: without a replacement price and a salvage value, the books
    count. What is left of an opened container is never worth more than meat that was kept.
    """
    if not lot.is_on_hand or lot.books_usd_per_lb is not None:
        return lot
    worth = _worth_if_kept(lot, settings)
    return replace(
        lot,
        price_usd_per_lb=worth,
        price_basis="delivered",
        freight_usd_per_lb=0.0,
        salvage_value_usd_per_lb=min(lot.salvage_value_usd_per_lb, worth),
        books_usd_per_lb=lot.delivered_usd_per_lb,
    )


def as_typed(lot: Lot, settings: Settings) -> Lot:
    """The lot as a sheet has it: for stock, with its cost as the price, where reading that gives
    the lot again."""
    if lot.books_usd_per_lb is None:
        return lot
    typed = replace(lot, price_usd_per_lb=lot.books_usd_per_lb, books_usd_per_lb=None)
    return typed if lot.price_usd_per_lb < 0 or valued(typed, settings) == lot else lot


def _worth_if_kept(lot: Lot, settings: Settings) -> float:
    salvage, replacement = lot.salvage_value_usd_per_lb, lot.replacement_usd_per_lb
    if expires_today(lot, settings):
        # a credit for using it, without a limit on the pounds, would be unbounded
        return 0.0 if lot.quantity_lb is None else min(0.0, salvage)
    if replacement is not None:
        days = (next_grind_day(settings) - settings.plan_on).days
        return max(replacement - days * settings.carrying_usd_per_lb_day, salvage, 0.0)
    return salvage if salvage > 0 else lot.delivered_usd_per_lb
