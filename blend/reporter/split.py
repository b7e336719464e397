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


def shapley(value: Value, drivers: Sequence[Driver]) -> dict[Driver, float]:
    """Each driver's part of the change of a value, which they add up to; every set of drivers,
    2 to their number, is valued once."""
    known: dict[frozenset[Driver], float] = {}
    for own in weights_of(drivers).values():
        for moved in own:
            if moved not in known:
                known[moved] = value(moved)
    return {
        driver: math.fsum(weight * known[moved] for moved, weight in own.items())
        for driver, own in weights_of(drivers).items()
    }


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
