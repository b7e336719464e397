"""Several days in one plan: orders by day, forward prices, coolers, freezing and use-by dates.

Meat of one lot is one inventory, whatever day it came in: the oldest is used first, so that only
the use-by dates of what comes in have to be tracked, never the age of what goes out.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from enum import StrEnum
from typing import Any

from blend.domain import columns as col
from blend.domain.case import Case
from blend.domain.columns import record
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.rules import Rule, RuleKind, WholeContainers
from blend.domain.selectors import EVERY_LOT, Selector

FROZEN = "frozen"


class Side(StrEnum):
    OFFER = "offer"
    """Meat that the plant may buy."""
    BID = "bid"
    """A price at which the plant may sell meat on."""


@record(
    "forward_offers",
    "Prices on later days for lots of lots.csv: offers to buy, and bids to sell to.",
    key="price_id",
)
@dataclass(frozen=True, slots=True)
class ForwardPrice:
    """A price for a lot on one day: an offer delivered to the dock that day, or a bid.

    `quantity_lb` None means no limit. `use_by` is for offers only; None leaves it to the room.
    """

    price_id: str = col.identifier("your own name for the offer or bid")
    side: Side = col.choice(
        "offer: the plant may buy; bid: it may sell",
        Side,
        read_as=Side.OFFER,
        blank="offer",
        default=col.MISSING,
    )
    lot_id: str = col.identifier("the lot, as in lots.csv")
    day: date = col.day("day it reaches the dock, or leaves it")
    price_usd_per_lb: float = col.price("at the plant's dock, freight included or taken off")
    quantity_lb: float | None = col.pounds(
        "pounds offered or wanted",
        blank="no limit stated",
        caution_when_blank="Enter the pounds offered or wanted.",
    )
    use_by: date | None = col.day("for an offer, last day of use", blank="as its cooler keeps it")
    load_lb: float | None = col.pounds(
        "taken in whole loads of so many pounds", minimum=1, blank="any pounds"
    )
    is_agreed: bool = col.yes_no("yes: agreed already, all of it comes or goes", default=False)

    @property
    def max_lb(self) -> float:
        return math.inf if self.quantity_lb is None else self.quantity_lb


@record(
    "orders",
    "Finished pounds wanted by day, one product and day a row.",
    key="order_id",
    required=True,
)
@dataclass(frozen=True, slots=True)
class Order:
    """Finished pounds of one product wanted on one day; the product's lean, rules and batches
    stay its own. `max_lb` None means no upper limit."""

    order_id: str = col.identifier("your own name for the order")
    product_id: str = col.identifier("the product, as in products.csv")
    day: date = col.day("the day it is made")
    min_lb: float = col.pounds("finished pounds ordered, at least")
    max_lb: float | None = col.pounds(
        "finished pounds wanted, at most",
        blank="no limit",
        caution_when_blank="Enter the most pounds wanted.",
        default=col.MISSING,
    )
    shortage_penalty_usd_per_lb: float | None = col.money(
        "penalty for each pound short of min_lb", "USD per lb", blank="as products.csv says"
    )
    sale_usd_per_lb: float = col.money(
        "earned on each finished pound",
        "USD per lb",
        default=0.0,
        read_as=None,
        blank="as products.csv says",
    )

    def placed_on(self, product: Product) -> Product:
        """The product as it is wanted that day."""
        return replace(
            product,
            min_lb=self.min_lb,
            max_lb=self.max_lb,
            shortage_penalty_usd_per_lb=self.shortage_penalty_usd_per_lb,
            sale_usd_per_lb=self.sale_usd_per_lb,
        )


def _freezes(values: Mapping[str, Any]) -> bool:
    return values.get("freezes") is not None


@dataclass(frozen=True, slots=True)
class Freezing:
    """Which fresh lots a freezer takes, at which cost, and what freezing loses.

    `max_lb` is what it freezes in a day, None without limit.
    """

    lots: Selector = col.lots(
        "the fresh lots it may freeze", name="freezes", blank="none", default=col.MISSING
    )
    usd_per_lb: float = col.per_cwt(
        "cost of freezing",
        name="freezing_usd_per_cwt",
        default=0.0,
        caution_when_blank="Enter what freezing costs, or 0.",
        caution_in_row=_freezes,
    )
    max_lb: float | None = col.pounds(
        "most it freezes in a day",
        name="freezer_max_lb",
        blank="no limit",
        caution_when_blank="Enter the most it can freeze in a day.",
        caution_in_row=_freezes,
    )
    lean_loss_share: float = col.share(
        "of the lean, lost in freezing",
        name="freezing_lean_loss_share",
        default=0.0,
        maximum=0.99,
        caution_when_blank="Enter the lean lost in freezing, or 0.",
        caution_in_row=_freezes,
    )
    fat_loss_share: float = col.share(
        "of the fat, lost in freezing",
        name="freezing_fat_loss_share",
        default=0.0,
        maximum=0.99,
        caution_when_blank="Enter the fat lost in freezing, or 0.",
        caution_in_row=_freezes,
    )


@record(
    "coolers",
    "Coolers and freezers for overnight; a lot goes in the one cooler that names it.",
    key="cooler_id",
)
@dataclass(frozen=True, slots=True)
class Cooler:
    """A cooler or freezer: what it holds overnight, how much, at what cost and for how long.

    `shelf_life_days` counts from the day of delivery, or of freezing, to the last day of use; None
    means no limit. `ending_inventory_lb` must be there at the end of the last day.
    """

    cooler_id: str = col.identifier("your own name for the cooler")
    lots: Selector = col.lots("the lots it holds", default=EVERY_LOT)
    capacity_lb: float | None = col.pounds(
        "most it holds overnight",
        blank="no limit",
        caution_when_blank="Enter the most it can hold.",
    )
    holding_usd_per_lb_day: float = col.per_cwt(
        "cost of keeping a hundredweight one night",
        default=0.0,
        caution_when_blank="Enter what a night costs, or 0.",
    )
    shelf_life_days: int | None = col.count(
        "days from delivery, or freezing, to the last day of use",
        blank="no last day but a lot's own",
        maximum=3650,
    )
    ending_inventory_lb: float = col.pounds("what it must hold when the last day ends", default=0.0)
    freezing: Freezing | None = col.part(Freezing, default=None, when="freezes")


class DayRuleKind(StrEnum):
    MAX_USED = "max_used"
    """At most `max_lb` of the selected lots is used a day, all products together."""
    MIN_IF_USED = "min_if_used"
    """Each selected lot, if used on a day at all, is used for at least `min_lb`."""
    NEEDS = "needs"
    """If any lot of `lots` is used on a day, so are at least `min_lb` of `against`."""


@record(
    "day_rules",
    "What a day may use, all products together; kind says which columns apply.",
    key="rule_id",
)
@dataclass(frozen=True, slots=True)
class DayRule:
    """A rule on what a day uses, over all products and before losses."""

    rule_id: str = col.identifier("your own name for the rule", example="thaw room")
    kind: DayRuleKind = col.choice("what kind of rule", DayRuleKind, example="max_used")
    lots: Selector = col.lots(
        "the lots it covers", default=EVERY_LOT, example="fresh_or_frozen=frozen"
    )
    against: Selector | None = col.lots("for needs: the lots needed with them", blank="none")
    min_lb: float | None = col.pounds("at least this much a day", blank="no limit")
    max_lb: float | None = col.pounds("at most this much a day", blank="no limit", example="20000")
    note: str = col.text("why, for people", default="")


class DayConstraintClass(StrEnum):
    """Constraint classes that only a plan of several days has."""

    BALANCE = "balance"
    """What comes in, goes out or stays: bookkeeping, never relaxed."""
    USE_BY = "use_by"
    CAPACITY = "capacity"
    ENDING_INVENTORY = "ending_inventory"
    FREEZER = "freezer"
    FROZEN_OVERNIGHT = "frozen_overnight"
    """What is frozen today can be used from the next day on."""
    MAX_USED = "max_used"
    MIN_IF_USED = "min_if_used_lb"
    NEEDS = "needs"
    AGREED = "agreed"
    """What was agreed before comes in, or goes out."""
    WHOLE_LOADS = "whole_loads"


@dataclass(frozen=True, slots=True)
class DayRequirement:
    """One requirement of one day by name. What does not apply is the empty text."""

    day: date
    constraint_class: str
    """A `ConstraintClass` or a `DayConstraintClass`."""
    product_id: str = ""
    lot_id: str = ""
    rule_id: str = ""
    cooler_id: str = ""
    price_id: str = ""


@dataclass(frozen=True, slots=True)
class Receipt:
    """Pounds of a lot that come in, or may: opening stock, or an offer that can be taken."""

    lot_id: str
    place: int
    """Of the day within the horizon."""
    max_lb: float
    price_usd_per_lb: float
    last_day: date | None
    offer_id: str = ""
    """Empty for opening stock, which is there whether wanted or not."""
    load_lb: float | None = None
    is_agreed: bool = False

    def is_usable(self, day: date) -> bool:
        return self.last_day is None or day <= self.last_day


@dataclass(frozen=True, slots=True)
class Horizon:
    """Everything a plan of several days is made from.

    `case` has what does not change by day: lots, products, rules and losses. Its lots on hand are
    the opening inventory, already paid for; its offers can be bought on the first day they are
    available. Days, orders and prices are sorted, so that the order of rows in a sheet never
    changes a plan. What no cooler holds cannot be held overnight.
    """

    case: Case
    days: tuple[date, ...]
    orders: tuple[Order, ...]
    prices: tuple[ForwardPrice, ...] = ()
    coolers: tuple[Cooler, ...] = ()
    day_rules: tuple[DayRule, ...] = ()
    lots: tuple[Lot, ...] = field(init=False, repr=False, compare=False)
    """The case's lots and the frozen ones that they can become, by id."""
    fresh_of: dict[str, Lot] = field(init=False, repr=False, compare=False)
    """By the id of a frozen lot: the fresh lot it is made from."""
    receipts: tuple[Receipt, ...] = field(init=False, repr=False, compare=False)
    """Opening inventory, then all that can be bought: offers of the case and forward ones."""
    day_cases: tuple[Case, ...] = field(init=False, repr=False, compare=False)
    """Each day as its own case: the products ordered, and the lots that can be there.

    A lot's quantity is an upper bound on what the day can use, whatever is bought, held and
    frozen before. Rules on the whole horizon are left out.
    """
    _lot_by_id: dict[str, Lot] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "days", tuple(sorted(set(self.days))))
        put(self, "orders", tuple(sorted(self.orders, key=lambda order: order.order_id)))
        put(self, "prices", tuple(sorted(self.prices, key=lambda price: price.price_id)))
        put(self, "coolers", tuple(sorted(self.coolers, key=lambda cooler: cooler.cooler_id)))
        put(self, "day_rules", tuple(sorted(self.day_rules, key=lambda rule: rule.rule_id)))
        pairs = [
            (frozen_lot(lot, cooler.freezing), lot)
            for lot in self.case.lots
            if (cooler := self.freezer_of(lot)) is not None and cooler.freezing is not None
        ]
        fresh_of = {frozen.lot_id: lot for frozen, lot in pairs}
        frozen_lots = (frozen for frozen, _ in pairs)
        lots = tuple(sorted((*self.case.lots, *frozen_lots), key=lambda lot: lot.lot_id))
        put(self, "fresh_of", fresh_of)
        put(self, "lots", lots)
        put(self, "_lot_by_id", {lot.lot_id: lot for lot in lots})
        came_in = (*self._own_receipts(), *self._forward_receipts())
        put(self, "receipts", tuple(sorted(came_in, key=lambda receipt: receipt.offer_id != "")))
        put(self, "day_cases", self._day_cases())

    def lot(self, lot_id: str) -> Lot:
        return self._lot_by_id[lot_id]

    def freezer_of(self, lot: Lot) -> Cooler | None:
        """The cooler that freezes the lot, None when it cannot be frozen."""
        for cooler in self.coolers:
            freezing = cooler.freezing
            if freezing is not None and lot.fresh_or_frozen != FROZEN and freezing.lots.holds(lot):
                return cooler
        return None

    def cooler_of(self, lot: Lot) -> Cooler | None:
        """The cooler that holds the lot overnight; None where none does."""
        fresh = self.fresh_of.get(lot.lot_id)
        if fresh is not None:
            return self.freezer_of(fresh)
        return next((cooler for cooler in self.coolers if cooler.lots.holds(lot)), None)

    def nights(self, place: int) -> int:
        """From this day to the next planned one; one for the last day."""
        if place + 1 == len(self.days):
            return 1
        return (self.days[place + 1] - self.days[place]).days

    def after(self, place: int) -> date:
        """The first day on which meat held overnight is wanted."""
        return self.days[place] + timedelta(days=self.nights(place))

    def bids(self) -> tuple[ForwardPrice, ...]:
        return tuple(p for p in self.prices if p.side is Side.BID and p.day in self.days)

    def orders_on(self, day: date) -> tuple[Order, ...]:
        return tuple(order for order in self.orders if order.day == day)

    def keeps_until(self, lot: Lot, came_in: date, use_by: date | None = None) -> date | None:
        """The last day of use of what came in, or was frozen, that day; None for no last day."""
        cooler = self.cooler_of(lot)
        kept = None
        if cooler is not None and cooler.shelf_life_days is not None:
            kept = came_in + timedelta(days=cooler.shelf_life_days)
        return min(filter(None, (kept, use_by)), default=None)

    def _day_cases(self) -> tuple[Case, ...]:
        rules = tuple(rule for rule in self.case.rules if rule.kind not in _NOT_BY_DAY)
        max_used_lb = self._max_used_lb()
        return tuple(
            replace(
                self.case,
                settings=replace(
                    self.case.settings, plan_on=day, whole_containers=WholeContainers.NO
                ),
                lots=tuple(_unbound(lot, max_used_lb[lot.lot_id, place]) for lot in self.lots),
                products=tuple(
                    order.placed_on(self.case.product(order.product_id))
                    for order in self.orders_on(day)
                ),
                rules=rules,
            )
            for place, day in enumerate(self.days)
        )

    def must_use_rules(self) -> tuple[Rule, ...]:
        """Rules that hold over all days together."""
        return tuple(rule for rule in self.case.rules if rule.kind is RuleKind.MUST_USE)

    def must_use_lb(self, rule: Rule) -> float:
        """Pounds that a must-use rule asks for; infinite where it asks for all of a lot without a
        quantity."""
        if rule.min_lb is not None:
            return rule.min_lb
        return sum(lot.max_lb for lot in self.case.lots if rule.lots.holds(lot))

    def means(self, rule: Rule, lot: Lot) -> bool:
        """Whether a must-use rule applies to the lot, as it is or as it came in."""
        return rule.lots.holds(lot) or rule.lots.holds(self.fresh_of.get(lot.lot_id, lot))

    def _own_receipts(self) -> Iterator[Receipt]:
        """Lots on hand, and lots on offer from their first day on."""
        for lot in self.case.lots:
            first = lot.available_on or self.days[0]
            place = next((i for i, day in enumerate(self.days) if day >= first), None)
            if place is None or lot.quantity_lb == 0:
                continue
            day = self.days[place]
            last_day = self.keeps_until(lot, day, lot.use_by)
            if last_day is not None and last_day < day:
                continue
            if lot.is_on_hand:
                yield Receipt(lot.lot_id, place, lot.max_lb, 0.0, last_day)
            else:
                price = lot.delivered_usd_per_lb
                yield Receipt(lot.lot_id, place, lot.max_lb, price, last_day, lot.lot_id)

    def _forward_receipts(self) -> Iterator[Receipt]:
        for price in self.prices:
            if price.side is Side.OFFER and price.day in self.days:
                lot = self.lot(price.lot_id)
                last_day = self.keeps_until(lot, price.day, price.use_by)
                place = self.days.index(price.day)
                yield Receipt(
                    lot.lot_id, place, price.max_lb, price.price_usd_per_lb, last_day,
                    price.price_id, price.load_lb, price.is_agreed,
                )  # fmt: skip

    def _max_used_lb(self) -> dict[tuple[str, int], float]:
        """By lot and place of the day, the max that can be used that day."""
        places = range(len(self.days))
        there = {(lot.lot_id, place): 0.0 for lot in self.lots for place in places}
        came_in = dict(there)
        for receipt in self.receipts:
            for place in places[receipt.place :]:
                came_in[receipt.lot_id, place] += receipt.max_lb
                if receipt.is_usable(self.days[place]):
                    there[receipt.lot_id, place] += receipt.max_lb
        for lot_id, fresh in self.fresh_of.items():
            for place in places[1:]:
                there[lot_id, place] += came_in[fresh.lot_id, place - 1]
        for rule in self.day_rules:
            if rule.kind is DayRuleKind.MAX_USED and rule.max_lb is not None:
                for lot in filter(rule.lots.holds, self.lots):
                    for place in places:
                        key = lot.lot_id, place
                        there[key] = min(there[key], rule.max_lb)
        return there


_NOT_BY_DAY = (RuleKind.MUST_USE, RuleKind.EQUAL_RECIPE, RuleKind.MAX_TEMP)
"""Must-use rules hold over all days; a day's blend of a product is one recipe anyway; and nobody
has measured how warm lots will be on later days."""


def frozen_lot(lot: Lot, freezing: Freezing) -> Lot:
    """The lot once frozen: leaner or fatter by what freezing loses."""
    lean = lot.lean * (1 - freezing.lean_loss_share)
    fat = lot.fat_share * (1 - freezing.fat_loss_share)
    return replace(
        lot,
        lot_id=f"{lot.lot_id} {FROZEN}",
        fresh_or_frozen=FROZEN,
        lean=lean / (lean + fat),
        on_hand_or_offered="on hand",
        quantity_lb=0.0,
        available_on=None,
        use_by=None,
    )


def frozen_per_lb(lot: Lot, freezing: Freezing) -> float:
    """Frozen pounds from one fresh pound."""
    return lot.lean * (1 - freezing.lean_loss_share) + lot.fat_share * (1 - freezing.fat_loss_share)


def _unbound(lot: Lot, max_lb: float) -> Lot:
    """The lot without the limits that the horizon tracks itself."""
    return replace(
        lot,
        quantity_lb=None if math.isinf(max_lb) else max_lb,
        available_on=None,
        use_by=None,
        min_purchase_lb=0.0,
        must_take_all=False,
    )
