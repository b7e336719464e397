"""Cases between two cases: some drivers as they were before, the others as they are after.

Every field of a case belongs to one driver, so that each set of drivers names one case and
the two ends are the cases themselves. Lots, products and the meat asked about are matched by
their ids and selector; a lot that is missing, or cannot be used yet or any more, has no pounds
on that side.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields, replace
from datetime import date
from enum import StrEnum
from functools import cached_property

from blend.domain.case import Case
from blend.domain.lots import DOMESTIC, Lot
from blend.domain.products import Product
from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import Selector
from blend.errors import refusal


class Driver(StrEnum):
    """What may have moved, as screens, charts and the note call it."""

    OWN_PRICE = "own price"
    """Price, freight and left-over value of the item's lots."""
    OTHER_PRICES = "other lots' prices"
    OWN_SUPPLY = "own supply"
    """What there is of the item's lots, and what they are: pounds, days, tested lean."""
    FRESH_SUPPLY = "fresh supply"
    """The same of the country's own meat, the little that it froze itself included."""
    IMPORTED_SUPPLY = "imported supply"
    ORDERS = "orders"
    """Pounds ordered and wanted, what falling short costs and what is earned on a pound."""
    RULES = "rules"
    """Rules, standards, losses, and the products' targets, tolerances and claims."""


PLAN_DRIVERS = (
    Driver.OWN_PRICE,
    Driver.OTHER_PRICES,
    Driver.FRESH_SUPPLY,
    Driver.IMPORTED_SUPPLY,
    Driver.ORDERS,
    Driver.RULES,
)
"""What moves one plant's plan, for which prices are given."""

MARKET_DRIVERS = (
    Driver.OWN_SUPPLY,
    Driver.FRESH_SUPPLY,
    Driver.IMPORTED_SUPPLY,
    Driver.ORDERS,
    Driver.RULES,
)
"""What moves a market, whose prices are the answer."""

_PRICE = ("price_usd_per_lb", "price_basis", "freight_usd_per_lb", "salvage_value_usd_per_lb",
          "replacement_usd_per_lb", "books_usd_per_lb")  # fmt: skip
_ORDER = ("min_lb", "max_lb", "shortage_penalty_usd_per_lb", "sale_usd_per_lb")


@dataclass(frozen=True)
class TwoCases:
    """Two cases, and the item whose lots are "own"; all others are other."""

    before: Case
    after: Case
    item: Selector
    drivers: tuple[Driver, ...] = PLAN_DRIVERS

    def mixed(self, moved: Iterable[Driver]) -> Case:
        """The case with the drivers in `moved` as after and the others as before."""
        moved = frozenset(moved)
        rules = self._side(Driver.RULES, moved)
        return Case(
            settings=self.after.settings,
            lots=tuple(self._lot(lot_id, moved) for lot_id in self.lot_ids),
            products=tuple(self._product(product_id, moved) for product_id in self._product_ids),
            rules=self._rules[Driver.RULES in moved],
            losses=rules.losses,
            standards=self._standards[Driver.RULES in moved],
        )

    @cached_property
    def lot_ids(self) -> tuple[str, ...]:
        return tuple(sorted(self._lots[0].keys() | self._lots[1].keys()))

    def sides(self, lot_id: str) -> tuple[Lot, Lot]:
        """The lot before and after, without pounds where it was not there."""
        was, now = (side.get(lot_id) for side in self._lots)
        there = was or now
        assert there is not None, "a lot is on one side at least"
        return was or _without_pounds(there), now or _without_pounds(there)

    @cached_property
    def own_ids(self) -> frozenset[str]:
        """Lots of the item, on either side."""
        return frozenset(
            lot_id for lot_id in self.lot_ids if any(map(self.item.holds, self.sides(lot_id)))
        )

    @cached_property
    def recast(self) -> frozenset[Driver]:
        """Drivers of availability by which a lot's meat itself changes, not only its pounds."""
        return frozenset(
            self.drivers_of(lot_id)[1]
            for lot_id in self.lot_ids
            if len({_meat(lot) for lot in self.sides(lot_id)}) > 1
        )

    @cached_property
    def _lots(self) -> tuple[dict[str, Lot], dict[str, Lot]]:
        day = self.after.settings.plan_on
        before, after = (
            {lot.lot_id: _as_on(lot, case.settings.plan_on, day) for lot in case.lots}
            for case in (self.before, self.after)
        )
        return before, after

    @cached_property
    def _products(self) -> tuple[dict[str, Product], dict[str, Product]]:
        before, after = (
            {product.product_id: product for product in case.products}
            for case in (self.before, self.after)
        )
        return before, after

    @cached_property
    def _product_ids(self) -> list[str]:
        return sorted(self._products[0].keys() | self._products[1].keys())

    def _side(self, driver: Driver, moved: frozenset[Driver]) -> Case:
        return self.after if driver in moved else self.before

    def drivers_of(self, lot_id: str) -> tuple[Driver, Driver]:
        """The drivers of a lot's price and of its availability."""
        is_own = lot_id in self.own_ids
        price = Driver.OWN_PRICE if is_own else Driver.OTHER_PRICES
        if is_own and Driver.OWN_SUPPLY in self.drivers:
            return price, Driver.OWN_SUPPLY
        is_domestic = all(lot.origin == DOMESTIC for lot in self.sides(lot_id))
        return price, (Driver.FRESH_SUPPLY if is_domestic else Driver.IMPORTED_SUPPLY)

    @cached_property
    def _ways_of_lots(self) -> dict[str, tuple[Driver, Driver, tuple[Lot, ...]]]:
        """By lot: its drivers, and the lot for each of the four ways they can stand."""
        known = {}
        for lot_id in self.lot_ids:
            sides = self.sides(lot_id)
            ways = tuple(
                replace(there, **{name: getattr(priced, name) for name in _PRICE})
                for there in sides
                for priced in sides
            )
            known[lot_id] = (*self.drivers_of(lot_id), ways)
        return known

    def _lot(self, lot_id: str, moved: frozenset[Driver]) -> Lot:
        price, availability, ways = self._ways_of_lots[lot_id]
        return ways[2 * (availability in moved) + (price in moved)]

    @cached_property
    def _ways_of_products(self) -> dict[str, tuple[Product, ...]]:
        """By product: the product for each of the four ways its making and its order can stand."""
        known = {}
        for product_id in self._product_ids:
            was, now = (side.get(product_id) for side in self._products)
            there = was or now
            assert there is not None, "a product is on one side at least"
            unwanted = replace(there, min_lb=0.0, max_lb=0.0)
            sides = [was or unwanted, now or unwanted]
            known[product_id] = tuple(
                replace(made, **{name: getattr(ordered, name) for name in _ORDER})
                for made in sides
                for ordered in sides
            )
        return known

    def _product(self, product_id: str, moved: frozenset[Driver]) -> Product:
        ways = self._ways_of_products[product_id]
        return ways[2 * (Driver.RULES in moved) + (Driver.ORDERS in moved)]

    @cached_property
    def _rules(self) -> tuple[tuple[Rule, ...], tuple[Rule, ...]]:
        sides = self.before.rules, self.after.rules
        before, after = (
            tuple(self._with_heat(rule, others) for rule in rules)
            for rules, others in (sides, sides[::-1])
        )
        return before, after

    def _with_heat(self, rule: Rule, others: tuple[Rule, ...]) -> Rule:
        """A temperature rule with the heat of every lot, from the other side's where needed."""
        if rule.kind is not RuleKind.MAX_TEMP:
            return rule
        same_rule = next((each for each in others if each.rule_id == rule.rule_id), rule)
        heat = dict(same_rule.excess_heat_btu_per_lb) | dict(rule.excess_heat_btu_per_lb)
        unknown = [lot_id for lot_id in self.lot_ids if lot_id not in heat]
        if unknown:
            read = f"no temperature of {', '.join(unknown)} for rule {rule.rule_id}"
            allowed = "a warmth rule of the same rule_id in both cases, or in neither"
            raise refusal("rules", "rule_id", read, allowed)
        return replace(rule, excess_heat_btu_per_lb=tuple(heat.items()))

    @cached_property
    def _standards(self) -> tuple:
        """Rows of each side, and those of the other that only its own products name."""
        return tuple(
            own.standards
            + tuple(
                row
                for row in other.standards
                if row.standard_id not in {each.standard_id for each in own.standards}
            )
            for own, other in ((self.before, self.after), (self.after, self.before))
        )


def _as_on(lot: Lot, day: date, shown_on: date) -> Lot:
    """A lot of a case planned on `day`, as it is in a case of the day `shown_on`.

    Whether it can be used is settled on its own day; dates that would say otherwise on the
    other day are dropped.
    """
    if lot.reason_unusable(day) is not None:
        lot = _without_pounds(lot)
    if _outside_its_days(lot, shown_on):
        return replace(lot, available_on=None, use_by=None)
    return lot


def _outside_its_days(lot: Lot, day: date) -> bool:
    early = lot.available_on is not None and day < lot.available_on
    return early or (lot.use_by is not None and day > lot.use_by)


def _without_pounds(lot: Lot) -> Lot:
    return replace(lot, quantity_lb=0.0, min_purchase_lb=0.0)


_NOT_MEAT = {*_PRICE, "quantity_lb", "min_purchase_lb", "must_take_all", "available_on", "use_by"}
_MEAT = tuple(field.name for field in fields(Lot) if field.name not in _NOT_MEAT)


def _meat(lot: Lot) -> tuple:
    """What decides which blends may hold a lot and what it keeps in them."""
    return tuple(getattr(lot, name) for name in _MEAT)
