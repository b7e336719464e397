"""A market as a whole: what there is of each item, and what grinders would pay for products.

The items are the lots of a case: their quantity is what comes to market, their delivered
price the quotation, their left-over value the floor at which pounds go elsewhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from blend.domain import columns as col
from blend.domain.case import Case
from blend.domain.columns import MAX_LB, record
from blend.domain.prices import DualPrices
from blend.domain.selectors import EVERY_LOT, Selector


@record(
    "product_demand",
    "What a whole market grinds, one product a row; the lots are then the market's items, their"
    " price the quote, their quantity what comes to market.",
    key="product_id",
    required=True,
)
@dataclass(frozen=True, slots=True)
class Demand:
    """What is ground of one product, and how its buyers answer to its price.

    `volume_lb` is what buyers take on a market's own date; on a later date it shifts with demand
    alone, at the earlier prices, so that a shortage does not shrink it. `elasticity` is the change
    of volume, in percent, when its price rises one percent; below zero, and never assumed.
    """

    product_id: str = col.identifier("the product, as in products.csv")
    volume_lb: float = col.pounds(
        "finished pounds its buyers would take at the prices of the first of two dates; on a"
        " later date that is not what was ground",
        minimum=1,
    )
    elasticity: float = col.number(
        "percent change of its volume when its price rises one percent; never assumed",
        unit="% per %",
        between=(-100, -0.01),
    )


@dataclass(frozen=True, slots=True)
class Market:
    """A market on one date. Volumes of the products are the demands', not the case's."""

    case: Case
    demands: tuple[Demand, ...]

    def demand(self, product_id: str) -> Demand:
        return next(each for each in self.demands if each.product_id == product_id)


@dataclass(frozen=True, slots=True)
class DemandCurve:
    """What buyers pay for one more finished pound of a product: a straight line.

    It passes through `usd_per_lb` at `volume_lb`, with the elasticity there.
    """

    product_id: str
    volume_lb: float
    usd_per_lb: float
    elasticity: float

    @property
    def choke_usd_per_lb(self) -> float:
        """The price at which nothing is bought any more."""
        return self.usd_per_lb * (1 - 1 / self.elasticity)

    @property
    def fall_usd_per_lb_lb(self) -> float:
        """How much less is paid for each pound more, USD per lb and lb."""
        return -self.usd_per_lb / (self.elasticity * self.volume_lb)

    def price_at(self, volume_lb: float) -> float:
        return self.choke_usd_per_lb - self.fall_usd_per_lb_lb * volume_lb


@dataclass(frozen=True, slots=True)
class ItemPrice:
    """At which price one item clears, USD per lb: of the next pound and of the last.

    They differ only where the model leaves the price open within a range.
    """

    lot_id: str
    next_usd_per_lb: float
    last_usd_per_lb: float
    used_lb: float
    left_over_lb: float
    """Pounds that go at the floor."""


@dataclass(frozen=True)
class Response:
    """In which ways prices can move while the meat in use stays as it is found.

    A way is a move of the blends' row prices that keeps every blend in use worth its cost. By way
    and lot, `lot_moves` is what the lot's price rises, and what a pound more of it adds to the
    row; by way and product, `product_moves` is what the product's price falls, and what a pound
    more of it takes (minus). Arrays.
    """

    lot_ids: tuple[str, ...]
    product_ids: tuple[str, ...]
    lot_moves: Any
    product_moves: Any
    lot_usd_per_lb: Any
    lot_lb: Any
    product_usd_per_lb: Any
    product_lb: Any

    @property
    def ways(self) -> int:
        return len(self.lot_moves)


@dataclass(frozen=True, slots=True)
class Clearing:
    """The market cleared: amounts, and the prices that hold them."""

    items: tuple[ItemPrice, ...]
    use_lb: Mapping[tuple[str, str], float]
    """By lot and product, of the pairs used."""
    volume_lb: Mapping[str, float]
    """Finished pounds by product."""
    product_usd_per_lb: Mapping[str, float]
    """What buyers pay for a finished pound of each product."""
    duals: DualPrices
    """What easing the blends' requirements by a pound saves."""
    response: Response | None = field(default=None, compare=False, repr=False)

    def item(self, lot_id: str) -> ItemPrice:
        return next(each for each in self.items if each.lot_id == lot_id)


@dataclass(frozen=True, slots=True)
class ItemFit:
    """One item's part in the calibration."""

    lot_id: str
    quoted_usd_per_lb: float
    premium_usd_per_lb: float
    """Quoted above what its lean and fat are worth to the products that hold it; below zero
    a discount."""
    available_lb: float
    to_grinders_lb: float
    """What the blends can take in; the rest goes elsewhere, in the same share always."""

    @property
    def elsewhere_share(self) -> float:
        return 1 - self.to_grinders_lb / self.available_lb


@dataclass(frozen=True, slots=True)
class ProductFit:
    """One product's part in the calibration."""

    product_id: str
    stated_lb: float
    fitted_lb: float
    blend_usd_per_lb: float
    """A finished pound from the cheapest blend at the quotations."""
    fitted_usd_per_lb: float
    """What buyers are taken to pay for it."""


@dataclass(frozen=True, slots=True)
class Calibrated:
    """A market whose unobserved parts reproduce the quotations of its date."""

    market: Market
    items: tuple[ItemFit, ...]
    products: tuple[ProductFit, ...]

    def item(self, lot_id: str) -> ItemFit | None:
        return next((each for each in self.items if each.lot_id == lot_id), None)


class MoveOf(StrEnum):
    """What a row of a table of moves changes."""

    AVAILABILITY = "availability"
    ORDERS = "orders"
    MIN_SHARE = "min_share"
    """Of a rule."""
    MAX_SHARE = "max_share"


@record(
    "market_moves",
    "Changes of a market to ask about, all made at once.",
    key="row_id",
    required=True,
)
@dataclass(frozen=True, slots=True)
class MarketMove:
    """One change of a market: to `value`, or by the factor `value`."""

    row_id: str = col.identifier("your own name for the change", example="imports down")
    field: MoveOf = col.choice("what changes", MoveOf, example="availability")
    is_factor: bool = col.choice(
        "what is done with value",
        ("multiply", "set"),
        name="change",
        convert=lambda change: change == "multiply",
        example="multiply",
    )
    value: float = col.number(
        "factor, pounds, or a fraction such as 0.35",
        unit="lb, or a fraction",
        between=(0, MAX_LB),
        example="0.9",
    )
    lots: Selector = col.lots(
        "for availability: which items",
        default=EVERY_LOT,
        blank="every item",
        example="origin!=domestic",
    )
    products: tuple[str, ...] = col.words(
        "for orders: product_id of those ordered", blank="all products"
    )
    rule_id: str = col.identifier("for shares: the rule, as in rules.csv", default="", blank="none")
