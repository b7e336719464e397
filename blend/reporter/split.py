"""Splitting a change among its drivers so that the parts add up to the whole.

Shapley: every order of moving the drivers from before to after is as good as any other, so
each driver is given the mean of what its move changes over all orders (L. S. Shapley, A value
for n-person games, 1953). Bennet: a change of a sum of price times quantity, prices at mean
quantities and quantities at mean prices (T. L. Bennet, The theory of measurement of changes in
cost of living, 1920). With two drivers the two agree.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from blend.reporter.mixed import Driver

Value = Callable[[frozenset[Driver]], float]
"""The value with some drivers as they are after, the others as they were before."""


@dataclass(frozen=True, slots=True)
class Part:
    """What one driver contributes."""

    driver: Driver
    amount: float


@dataclass(frozen=True, slots=True)
class Split:
    """A change and its parts, which add up to it exactly."""

    before: float
    after: float
    parts: tuple[Part, ...]

    @property
    def change(self) -> float:
        return self.after - self.before


def weights_of(drivers: Sequence[Driver]) -> dict[Driver, dict[frozenset[Driver], float]]:
    """By driver, the weight in its part of the value of each set of drivers moved."""
    found: dict[Driver, dict[frozenset[Driver], float]] = {}
    count = len(drivers)
    for driver in drivers:
        weights = found[driver] = {}
        others = [other for other in drivers if other != driver]
        for size in range(count):
            orders = math.factorial(size) * math.factorial(count - size - 1)
            weight = orders / math.factorial(count)
            for moved in map(frozenset, itertools.combinations(others, size)):
                weights[moved | {driver}], weights[moved] = weight, -weight
    return found


def shapley(value: Value, drivers: Sequence[Driver]) -> Split:
    """Split the change of a value among drivers; each set of them, 2 to their number, is valued
    once."""
    weights = weights_of(drivers)
    sets = dict.fromkeys([frozenset[Driver](), frozenset(drivers)])
    sets |= dict.fromkeys(moved for own in weights.values() for moved in own)
    values = {moved: value(moved) for moved in sets}
    parts = tuple(
        Part(driver, math.fsum(weight * values[moved] for moved, weight in own.items()))
        for driver, own in weights.items()
    )
    return Split(values[frozenset()], values[frozenset(drivers)], parts)


@dataclass(frozen=True, slots=True)
class PriceAndQuantity:
    """The part of a change that prices made, and the part that quantities made, by item."""

    price: tuple[float, ...]
    quantity: tuple[float, ...]


def bennet(
    price_before: Sequence[float],
    quantity_before: Sequence[float],
    price_after: Sequence[float],
    quantity_after: Sequence[float],
) -> PriceAndQuantity:
    """Split the change of Σ price × quantity, item by item; negative values are allowed."""
    rows = list(zip(price_before, quantity_before, price_after, quantity_after, strict=True))
    return PriceAndQuantity(
        price=tuple((q0 + q1) / 2 * (p1 - p0) for p0, q0, p1, q1 in rows),
        quantity=tuple((p0 + p1) / 2 * (q1 - q0) for p0, q0, p1, q1 in rows),
    )
