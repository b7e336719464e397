"""Whether a case between two cases is what its drivers say, field by field.

Prices of a lot move with the prices of the item or of the others, what there is of it with its
availability; orders move with orders, everything else of products and all rules with the rules.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import fields, replace

from blend.domain.case import Case
from blend.domain.lots import DOMESTIC, Lot
from blend.domain.products import Product
from blend.domain.rules import Rule
from blend.domain.selectors import Selector

_PRICES = {"price_usd_per_lb", "price_basis", "freight_usd_per_lb", "salvage_value_usd_per_lb"}
_DAYS = {"available_on", "use_by"}
_POUNDS = {"quantity_lb", "min_purchase_lb"}
_ORDERS = {"min_lb", "max_lb", "shortage_penalty_usd_per_lb", "sale_usd_per_lb"}


def mixture_faults(
    before: Case,
    after: Case,
    item: Selector,
    drivers: Collection[str],
    moved: Collection[str],
    case: Case,
) -> Iterator[str]:
    """What in `case` is not as after for the drivers in `moved` and as before for the others.

    `drivers` are all there are: with "own supply" among them that of the item is one of
    its own.
    """
    sides = before, after
    lots = [{lot.lot_id: lot for lot in side.lots} for side in sides]
    lot_ids = lots[0].keys() | lots[1].keys()
    if {lot.lot_id for lot in case.lots} != lot_ids:
        yield "the lots are not those of the two cases"
        return
    for lot_id in sorted(lot_ids):
        pair = [each.get(lot_id) for each in lots]
        price, availability = _drivers_of(pair, item, drivers)
        priced = _side(pair, price in moved)
        there = _side(pair, availability in moved)
        found = case.lot(lot_id)
        if any(getattr(found, name) != getattr(priced, name) for name in _PRICES):
            yield f"the price of lot {lot_id} is not that of its side"
        is_there = pair[availability in moved] is not None
        day = sides[availability in moved].settings.plan_on
        if not _is_as(found, there, is_there and there.reason_unusable(day) is None, case):
            yield f"what there is of lot {lot_id} is not that of its side"
    products = [{product.product_id: product for product in side.products} for side in sides]
    product_ids = products[0].keys() | products[1].keys()
    if {product.product_id for product in case.products} != product_ids:
        yield "the products are not those of the two cases"
        return
    for product_id in sorted(product_ids):
        pair = [each.get(product_id) for each in products]
        found = case.product(product_id)
        ordered = _side(pair, "orders" in moved)
        if pair["orders" in moved] is None:
            ordered = replace(ordered, min_lb=0.0, max_lb=0.0)
        if any(getattr(found, name) != getattr(ordered, name) for name in _ORDERS):
            yield f"the order of {product_id} is not that of its side"
        made = _side(pair, "rules" in moved)
        if any(getattr(found, name) != getattr(made, name) for name in _rest(Product, _ORDERS)):
            yield f"product {product_id} is not that of its side"
    ruled = sides["rules" in moved]
    if list(map(_cold, case.rules)) != list(map(_cold, ruled.rules)):
        yield "the rules are not those of their side"
    if case.losses != ruled.losses or not set(ruled.standards) <= set(case.standards):
        yield "losses or standards are not those of their side"


def _side(pair: list, is_after: bool):
    """The one of the two that is meant, or the other where it is missing."""
    return pair[is_after] if pair[is_after] is not None else pair[not is_after]


def _drivers_of(
    pair: list[Lot | None], item: Selector, drivers: Collection[str]
) -> tuple[str, str]:
    there = [lot for lot in pair if lot is not None]
    is_own = any(map(item.holds, there))
    price = "own price" if is_own else "other lots' prices"
    if is_own and "own supply" in drivers:
        return price, "own supply"
    is_domestic = all(lot.origin == DOMESTIC for lot in there)
    return price, "fresh supply" if is_domestic else "imported supply"


def _is_as(found: Lot, stated: Lot, can_be_used: bool, case: Case) -> bool:
    if any(
        getattr(found, name) != getattr(stated, name)
        for name in _rest(Lot, _PRICES | _DAYS | _POUNDS)
    ):
        return False
    if not can_be_used:
        return found.quantity_lb == 0
    is_usable = found.reason_unusable(case.settings.plan_on) is None
    return is_usable and all(getattr(found, name) == getattr(stated, name) for name in _POUNDS)


def _rest(kind: type, names: set[str]) -> list[str]:
    return [field.name for field in fields(kind) if field.name not in names]


def _cold(rule: Rule) -> Rule:
    """A rule without the heat of lots, which each side knows of its own lots only."""
    return replace(rule, excess_heat_btu_per_lb=())
