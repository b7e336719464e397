"""A plan of several days: what is bought, blended, frozen, sold on and held, and its prices."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from blend.domain.horizon import DayRequirement
from blend.domain.plan import Bound, Ingredient, Verdict


@dataclass(frozen=True, slots=True)
class Purchase:
    """What is done with one offer. `value_usd_per_lb` is its break-even price: one more pound of
    it neither costs nor saves anything; None where prices were not asked for."""

    offer_id: str
    lot_id: str
    day: date
    pounds_lb: float
    price_usd_per_lb: float
    value_usd_per_lb: float | None


@dataclass(frozen=True, slots=True)
class Sale:
    """What is done with one bid. `value_usd_per_lb` is its break-even price: bid more and it is
    sold more; None where prices were not asked for."""

    price_id: str
    lot_id: str
    day: date
    pounds_lb: float
    price_usd_per_lb: float
    value_usd_per_lb: float | None = None


@dataclass(frozen=True, slots=True)
class Freeze:
    """Fresh pounds of a lot frozen on one day, and the frozen pounds they make."""

    lot_id: str
    frozen_lot_id: str
    day: date
    fresh_lb: float
    frozen_lb: float


@dataclass(frozen=True, slots=True)
class Waste:
    """Pounds lost past their last day of use."""

    lot_id: str
    day: date
    pounds_lb: float


@dataclass(frozen=True, slots=True)
class DayBlend:
    """One product on one day; ingredients are as weighed before losses."""

    product_id: str
    day: date
    ingredients: tuple[Ingredient, ...]
    finished_lb: float
    lean: float | None
    """None when nothing is made."""
    short_lb: float


@dataclass(frozen=True, slots=True)
class LotDay:
    """One lot on one day: pounds from the day before, in, out, and held overnight."""

    lot_id: str
    day: date
    from_before_lb: float
    came_in_lb: float
    used_lb: float
    frozen_lb: float
    sold_lb: float
    wasted_lb: float
    kept_lb: float


@dataclass(frozen=True, slots=True)
class DaysMoney:
    """What the plan costs. `total_usd` is minimized; opening inventory is already paid for."""

    bought_usd: float
    freezing_usd: float
    holding_usd: float
    disposal_usd: float
    shortage_penalty_usd: float
    product_sales_usd: float
    sold_on_usd: float
    leftover_credit_usd: float

    @property
    def total_usd(self) -> float:
        costs = self.bought_usd + self.freezing_usd + self.holding_usd
        costs += self.disposal_usd + self.shortage_penalty_usd
        return costs - self.product_sales_usd - self.sold_on_usd - self.leftover_credit_usd


@dataclass(frozen=True, slots=True)
class OrderPrice:
    """What one more finished hundredweight of an order would cost."""

    product_id: str
    day: date
    next_cwt_usd: float
    """Infinite where no plan makes more."""


@dataclass(frozen=True, slots=True)
class CapacityPrice:
    """What one more hundredweight of cooler space, freezer or day rule would save on one day."""

    requirement: DayRequirement
    loosening_saves_usd_per_cwt: float

    @property
    def constraint_class(self) -> str:
        return self.requirement.constraint_class


@dataclass(frozen=True, slots=True)
class DayCheck:
    """One requirement of one day, checked by plain arithmetic."""

    requirement: DayRequirement
    read: float
    minimum: float | None
    maximum: float | None
    unit: str
    verdict: Verdict
    note: str = ""
    section: str = ""


@dataclass(frozen=True, slots=True)
class DaysPlan:
    """The least-cost plan of several days, checked, in unrounded pounds.

    `purchases` has every offer and `sales` every bid, taken or not. Batches may be split; each
    day's own plan makes them whole.
    """

    days: tuple[date, ...]
    purchases: tuple[Purchase, ...]
    sales: tuple[Sale, ...]
    freezes: tuple[Freeze, ...]
    wastes: tuple[Waste, ...]
    blends: tuple[DayBlend, ...]
    ledger: tuple[LotDay, ...]
    """Every lot that is there, by lot and day."""
    money: DaysMoney
    checks: tuple[DayCheck, ...]
    bound: Bound
    order_prices: tuple[OrderPrice, ...]
    capacity_prices: tuple[CapacityPrice, ...]
    stopped_early: bool = False
    pricing_stopped: bool = False
    """The user stopped the pricing: prices of orders, coolers and offers are missing."""

    @property
    def is_valid(self) -> bool:
        return all(check.verdict is not Verdict.BROKEN for check in self.checks)

    def kept_lb(self, day: date) -> dict[str, float]:
        """Pounds kept overnight by lot."""
        return {row.lot_id: row.kept_lb for row in self.ledger if row.day == day}
