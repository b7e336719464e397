"""A move, split among its drivers, with what each of them alone would undo."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from blend.domain.certificates import Shares
from blend.reporter.mixed import Driver
from blend.reporter.split import Value, shapley

_MOSTLY_SHARE = 0.75


@dataclass(frozen=True, slots=True)
class Within:
    """One item's or product's pounds within a driver, and its part of the driver's amount."""

    name: str
    before_lb: float
    after_lb: float
    amount: float


@dataclass(frozen=True, slots=True)
class Contribution:
    """What one driver contributes, and the counterfactual next to it."""

    driver: Driver
    amount: float
    """Its part of the change: the mean, over all orders, of what its move changes."""
    put_back: float
    """The value after, had this driver alone stayed as it was before."""
    standard_error: float = 0.0
    """Of `amount`; zero where what the split rests on is taken as exact."""
    low: float | None = None
    high: float | None = None
    """Ends of the interval that holds `amount` in 90 of 100 cases; None without draws."""
    beyond: float = 1.96
    """Standard errors from zero at which it is measurable, as one of several tested together."""
    within: tuple[Within, ...] = ()
    """The largest part first."""

    @property
    def pounds_lb(self) -> tuple[float, float]:
        """Of its items together, before and after."""
        return (
            math.fsum(each.before_lb for each in self.within),
            math.fsum(each.after_lb for each in self.within),
        )

    @property
    def mostly(self) -> str:
        """The item that makes most of the amount, of several; empty where none does."""
        if len(self.within) < 2 or not self.amount:
            return ""
        largest = self.within[0]
        return largest.name if largest.amount / self.amount >= _MOSTLY_SHARE else ""


@dataclass(frozen=True, slots=True)
class Explained:
    """A change and its parts, which add up to it."""

    before: float
    after: float
    contributions: tuple[Contribution, ...]
    standard_error: float = 0.0
    """Of the change."""

    @property
    def change(self) -> float:
        return self.after - self.before

    def contribution(self, driver: Driver) -> Contribution:
        return next(each for each in self.contributions if each.driver is driver)

    @property
    def shares(self) -> Shares:
        """Every number reported, as plain data for the certificate."""
        return Shares(
            self.before,
            self.after,
            {each.driver: each.amount for each in self.contributions},
            {each.driver: each.put_back for each in self.contributions},
        )


@dataclass(frozen=True, slots=True)
class Observed:
    """A quotation's move between the two dates and its standard error, None if not stated."""

    move_usd_per_lb: float
    standard_error_usd_per_lb: float | None = None


@dataclass(frozen=True, slots=True)
class ItemMove:
    """The move of what a pound of an item is worth, in USD per lb.

    At a degenerate optimum the next pound is worth less than the last one there is; both are
    split, and a driver's part lies between its two. `observed` is what the quotation did.
    """

    next: Explained
    last: Explained
    observed: Observed | None = None
    orders_look_ground: bool = False
    """Whether the orders moved as the pounds ground would with demand unchanged."""

    @property
    def unexplained_usd_per_lb(self) -> float | None:
        """What the quotation moved beyond the model: beyond the nearer end of its range."""
        if self.observed is None:
            return None
        ends = sorted((self.next.change, self.last.change))
        moved = self.observed.move_usd_per_lb
        return moved - min(max(moved, ends[0]), ends[1])

    @property
    def unexplained_error_usd_per_lb(self) -> float | None:
        """Standard error of the unexplained part; None where the quotation's is not stated."""
        if self.observed is None or self.observed.standard_error_usd_per_lb is None:
            return None
        return math.hypot(self.observed.standard_error_usd_per_lb, self.next.standard_error)


def explained(value: Value, drivers: Sequence[Driver]) -> Explained:
    """Split exactly over all orders of the drivers (see `blend.reporter.split`).

    `value` remembers what it has computed, as it is asked again.
    """
    every = frozenset(drivers)
    return Explained(
        value(frozenset()),
        value(every),
        tuple(
            Contribution(driver, amount, value(every - {driver}))
            for driver, amount in shapley(value, drivers).items()
        ),
    )


def with_pounds(result: Explained, within: Mapping[Driver, Sequence[Within]]) -> Explained:
    """The same with the items behind each driver, whose parts are made to add up to its own."""
    return replace(
        result,
        contributions=tuple(
            replace(each, within=_adding_up(within.get(each.driver, ()), each.amount))
            for each in result.contributions
        ),
    )


def _adding_up(items: Sequence[Within], amount: float) -> tuple[Within, ...]:
    """The rounding difference is spread over the parts by size; the largest first."""
    size = math.fsum(abs(each.amount) for each in items)
    rest = amount - math.fsum(each.amount for each in items)
    made = [
        replace(each, amount=each.amount + (rest * abs(each.amount) / size if size else 0.0))
        for each in items
    ]
    return tuple(sorted(made, key=lambda each: -abs(each.amount)))
