"""Scenarios: what may come of prices, supplies, orders and exchange rates."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import NormalDist

from blend.domain import columns as col
from blend.domain.columns import MAX_LB, record
from blend.domain.lots import Lot
from blend.domain.selectors import EVERY_LOT, Selector

BASE = "as planned"
"""The scenario in which nothing changes; it always comes first."""


class ScenarioField(StrEnum):
    PRICE = "price"
    """Of the selected lots, USD per lb before freight."""
    QUANTITY = "quantity"
    """Of the selected lots, lb."""
    ORDER = "order"
    """Of the products, lb: the min moves, and the max with it."""
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


class Distribution(StrEnum):
    """How a row's value is drawn."""

    FIXED = "fixed"
    """Not at all: the row belongs to the scenario it names."""
    NORMAL = "normal"
    """About `value` with standard deviation `sd`."""
    LOGNORMAL = "lognormal"
    """`value` is the median, `sd` the standard deviation of the logarithm."""
    TRIANGULAR = "triangular"
    """Between `minimum` and `maximum`, most likely at `value`."""
    HISTORY = "history"
    """`value` times what the past weeks of the price or rate that it `follows` multiply it by."""


@record(
    "scenarios",
    "What may come: changes of named scenarios, and changes drawn at random.",
    key="row_id",
    required=True,
)
@dataclass(frozen=True, slots=True)
class ScenarioRow:
    """One change of one quantity, fixed in a named scenario or drawn in each draw.

    `minimum` and `maximum` bound what is drawn. A row `correlated_with` an earlier one is drawn
    with that `correlation` to it (of the normal numbers behind both).
    """

    row_id: str = col.identifier("your own name for the change")
    field: ScenarioField = col.choice("what changes", ScenarioField)
    change: Change = col.choice("what is done with value", Change)
    value: float = col.number(
        "number or factor; the most likely, the median or the mean where it is drawn",
        unit="USD per cwt of a price, lb of a quantity or an order, USD of a rate",
        between=(-MAX_LB, MAX_LB),
    )
    scenario: str = col.word("whose change it is, if fixed", default="", blank="none")
    lots: Selector = col.lots("for price and quantity: which lots", default=EVERY_LOT)
    products: tuple[str, ...] = col.words(
        "for order: product_id of those ordered", blank="all products"
    )
    currency: str = col.word(
        "for rate: as in foreign_offers", default="", blank="none", convert=str.upper
    )
    distribution: Distribution = col.choice(
        "how value is drawn", Distribution, default=Distribution.FIXED
    )
    sd: float | None = col.number(
        "for normal and lognormal: standard deviation, of the logarithm for lognormal",
        blank="none",
        unit="as value, or a fraction",
        between=(0, MAX_LB),
    )
    minimum: float | None = col.number(
        "drawn values are at least this",
        blank="no limit",
        unit="as value",
        between=(-MAX_LB, MAX_LB),
    )
    maximum: float | None = col.number(
        "drawn values are at most this",
        blank="no limit",
        unit="as value",
        between=(-MAX_LB, MAX_LB),
    )
    follows: str = col.word(
        "for history: the quotation, currency or freight lane whose past weeks it moves by",
        default="",
        blank="none",
    )
    correlated_with: str = col.identifier("row_id of a drawn row above", default="", blank="none")
    correlation: float | None = col.number(
        "with that row, -1 to 1", blank="none", unit="-1 to 1", between=(-1, 1)
    )

    def drawn(self, normal: float) -> float:
        """The value that belongs to a number drawn from the standard normal distribution."""
        match self.distribution:
            case Distribution.NORMAL:
                value = self.value + (self.sd or 0.0) * normal
            case Distribution.LOGNORMAL | Distribution.HISTORY:
                value = self.value * math.exp((self.sd or 0.0) * normal)
            case Distribution.TRIANGULAR:
                return self._triangular(NormalDist().cdf(normal))
            case _:
                return self.value
        minimum = -math.inf if self.minimum is None else self.minimum
        maximum = math.inf if self.maximum is None else self.maximum
        return min(max(value, minimum), maximum)

    def _triangular(self, chance: float) -> float:
        low = self.value if self.minimum is None else self.minimum
        high = self.value if self.maximum is None else self.maximum
        width = high - low
        if width == 0:
            return self.value
        mode = (self.value - low) / width
        if chance < mode:
            return low + width * math.sqrt(chance * mode)
        return high - width * math.sqrt((1 - chance) * (1 - mode))

    def means(self, lot: Lot) -> bool:
        """Whether the row changes the lot itself."""
        return self.field in (ScenarioField.PRICE, ScenarioField.QUANTITY) and self.lots.holds(lot)


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
        if drawn.row.field is ScenarioField.PRICE:
            price = change.of(price, drawn.value)
        elif quantity is not None or change is Change.SET:
            quantity = change.of(quantity or 0.0, drawn.value)
    return replace(
        lot,
        price_usd_per_lb=max(0.0, price + more_usd_per_lb),
        quantity_lb=None if quantity is None else max(0.0, quantity),
    )


def changed_order(
    min_lb: float, max_lb: float | None, product_id: str, changes: tuple[Drawn, ...]
) -> tuple[float, float | None]:
    """Min and max as a scenario has them: the room between them is multiplied with the
    order, and otherwise stays."""
    for drawn in changes:
        if drawn.row.field is not ScenarioField.ORDER or product_id not in drawn.row.products:
            continue
        room = math.inf if max_lb is None else max_lb - min_lb
        min_lb = max(0.0, drawn.row.change.of(min_lb, drawn.value))
        if drawn.row.change is Change.MULTIPLY:
            room *= drawn.value
        max_lb = None if max_lb is None else min_lb + max(0.0, room)
    return min_lb, max_lb
