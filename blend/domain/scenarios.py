"""Scenarios: what may come of prices, supplies, orders and exchange rates."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import NormalDist

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.selectors import EVERY_LOT, Selector

BASE = "as planned"
"""The scenario in which nothing changes; it always comes first."""


class What(StrEnum):
    PRICE = "price"
    """Of the selected lots, USD per lb before freight."""
    QUANTITY = "quantity"
    """Of the selected lots, lb."""
    ORDER = "order"
    """Of the products, lb: the least moves, and the most with it."""
    RATE = "rate"
    """Of a currency, USD for one: lots that foreign offers price move with their landed price."""


class Change(StrEnum):
    SET = "set"
    ADD = "add"
    MULTIPLY = "multiply"

    def of(self, number: float, value: float) -> float:
        match self:
            case Change.SET:
                return value
            case Change.ADD:
                return number + value
            case Change.MULTIPLY:
                return number * value


class Spread(StrEnum):
    """How a row's value is drawn."""

    FIXED = "fixed"
    """Not at all: the row belongs to the scenario it names."""
    NORMAL = "normal"
    """About `value` with standard deviation `sd`."""
    LOGNORMAL = "lognormal"
    """`value` is the median, `sd` the standard deviation of the logarithm."""
    TRIANGULAR = "triangular"
    """Between `least` and `most`, likeliest at `value`."""


@dataclass(frozen=True, slots=True)
class ScenarioRow:
    """One change of one quantity, fixed in a named scenario or drawn anew in each draw.

    `least` and `most` bound what is drawn. A row that `moves_with` an earlier one is drawn with
    that `correlation` to it (of the normal numbers behind both).
    """

    row_id: str
    what: What
    change: Change
    value: float
    scenario: str = ""
    lots: Selector = EVERY_LOT
    products: tuple[str, ...] = ()
    currency: str = ""
    spread: Spread = Spread.FIXED
    sd: float | None = None
    least: float | None = None
    most: float | None = None
    moves_with: str = ""
    correlation: float | None = None

    def drawn(self, normal: float) -> float:
        """The value that belongs to a number drawn from the standard normal distribution."""
        match self.spread:
            case Spread.NORMAL:
                value = self.value + self.sd * normal
            case Spread.LOGNORMAL:
                value = self.value * math.exp(self.sd * normal)
            case Spread.TRIANGULAR:
                return self._triangular(NormalDist().cdf(normal))
            case _:
                return self.value
        least = -math.inf if self.least is None else self.least
        most = math.inf if self.most is None else self.most
        return min(max(value, least), most)

    def _triangular(self, chance: float) -> float:
        width = self.most - self.least
        if width == 0:
            return self.value
        mode = (self.value - self.least) / width
        if chance < mode:
            return self.least + width * math.sqrt(chance * mode)
        return self.most - width * math.sqrt((1 - chance) * (1 - mode))

    def means(self, lot: Lot) -> bool:
        """Whether the row changes the lot itself."""
        return self.what in (What.PRICE, What.QUANTITY) and self.lots.holds(lot)


@dataclass(frozen=True, slots=True)
class Drawn:
    """One row with the value it has in one scenario."""

    row: ScenarioRow
    value: float


def changed_lot(lot: Lot, changes: tuple[Drawn, ...], more_usd_per_lb: float = 0.0) -> Lot:
    """The lot as changes of its price and quantity leave it; neither goes below nothing.

    All of `changes` are taken to mean the lot. `more_usd_per_lb` comes on top of the price:
    what a rate adds.
    """
    price, quantity = lot.price_usd_per_lb, lot.quantity_lb
    for drawn in changes:
        change = drawn.row.change
        if drawn.row.what is What.PRICE:
            price = change.of(price, drawn.value)
        elif quantity is not None or change is Change.SET:
            quantity = change.of(quantity or 0.0, drawn.value)
    return replace(
        lot,
        price_usd_per_lb=max(0.0, price + more_usd_per_lb),
        quantity_lb=None if quantity is None else max(0.0, quantity),
    )


def changed_order(
    least_lb: float, most_lb: float | None, product_id: str, changes: tuple[Drawn, ...]
) -> tuple[float, float | None]:
    """Least and most as a scenario has them: the room between them is multiplied with the
    order, and otherwise stays."""
    for drawn in changes:
        if drawn.row.what is not What.ORDER or product_id not in drawn.row.products:
            continue
        room = math.inf if most_lb is None else most_lb - least_lb
        least_lb = max(0.0, drawn.row.change.of(least_lb, drawn.value))
        if drawn.row.change is Change.MULTIPLY:
            room *= drawn.value
        most_lb = None if most_lb is None else least_lb + max(0.0, room)
    return least_lb, most_lb


def changed_case(
    case: Case, changes: tuple[Drawn, ...], more_usd_per_lb: dict[str, float] | None = None
) -> Case:
    """The case as a scenario has it; `more_usd_per_lb` by lot is what rates add to prices."""
    more = more_usd_per_lb or {}
    products = []
    for product in case.products:
        least_lb, most_lb = changed_order(
            product.least_lb, product.most_lb, product.product_id, changes
        )
        products.append(replace(product, least_lb=least_lb, most_lb=most_lb))
    return replace(
        case,
        lots=tuple(
            changed_lot(
                lot,
                tuple(drawn for drawn in changes if drawn.row.means(lot)),
                more.get(lot.lot_id, 0.0),
            )
            for lot in case.lots
        ),
        products=tuple(products),
    )
