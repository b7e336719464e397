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
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import fmean, stdev

EXACT_UP_TO = 8
"""Drivers that are split exactly: 2 to the 8th values. More are sampled."""

Value = Callable[[frozenset[str]], float]
"""The value with some drivers as they are after, the others as they were before."""


@dataclass(frozen=True, slots=True)
class Part:
    """What one driver contributes. `standard_error` is zero where the split is exact."""

    driver: str
    amount: float
    standard_error: float = 0.0


@dataclass(frozen=True, slots=True)
class Split:
    """A change and its parts, which add up to it exactly, sampled or not."""

    before: float
    after: float
    parts: tuple[Part, ...]
    orders: int | None
    """Orders sampled; None where every order counts."""

    @property
    def change(self) -> float:
        return self.after - self.before


def shapley(value: Value, drivers: Sequence[str], *, orders: int = 200, seed: int = 0) -> Split:
    """Split the change of a value among drivers: exactly for few, by sampled orders for many.

    Each set of drivers is valued once. Sampled orders come in pairs, one the reverse of the
    other, and every one of them adds up to the whole change; so do their means.
    """
    known: dict[frozenset[str], float] = {}

    def valued(moved: frozenset[str]) -> float:
        if moved not in known:
            known[moved] = value(moved)
        return known[moved]

    before, after = valued(frozenset()), valued(frozenset(drivers))
    if len(drivers) <= EXACT_UP_TO:
        parts = tuple(Part(driver, _over_all_orders(valued, driver, drivers)) for driver in drivers)
        return Split(before, after, parts, orders=None)
    samples = _sampled(valued, drivers, pairs=max(2, orders // 2), seed=seed)
    parts = tuple(
        Part(driver, fmean(own), stdev(own) / math.sqrt(len(own)))
        for driver, own in samples.items()
    )
    return Split(before, after, parts, orders=2 * max(2, orders // 2))


def _over_all_orders(valued: Value, driver: str, drivers: Sequence[str]) -> float:
    others = [other for other in drivers if other != driver]
    count = len(drivers)
    terms = []
    for size in range(count):
        weight = math.factorial(size) * math.factorial(count - size - 1) / math.factorial(count)
        for moved in itertools.combinations(others, size):
            ahead = frozenset(moved)
            terms.append(weight * (valued(ahead | {driver}) - valued(ahead)))
    return math.fsum(terms)


def _sampled(
    valued: Value, drivers: Sequence[str], *, pairs: int, seed: int
) -> dict[str, list[float]]:
    """By driver, its contribution in each pair of orders (the mean of the two)."""
    draw = random.Random(seed)
    samples: dict[str, list[float]] = {driver: [] for driver in drivers}
    for _ in range(pairs):
        order = draw.sample(list(drivers), len(drivers))
        there, back = _along(valued, order), _along(valued, order[::-1])
        for driver in drivers:
            samples[driver].append((there[driver] + back[driver]) / 2)
    return samples


def _along(valued: Value, order: Sequence[str]) -> dict[str, float]:
    moved: frozenset[str] = frozenset()
    contributions = {}
    for driver in order:
        ahead = moved | {driver}
        contributions[driver] = valued(ahead) - valued(moved)
        moved = ahead
    return contributions


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
