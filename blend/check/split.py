"""A change split among drivers, reckoned again from the definition.

Each driver's part is the mean, over every order in which the drivers can move, of what its move
changes (Shapley 1953): here by walking every order, where `blend.reporter` weighs every set. The
values are taken as the binary fractions that they are. What is told was added up in floats, a few
hundred terms each off by 1e-16 of itself, so `NEAR_SHARE` of the largest value is allowed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from itertools import permutations

from blend.domain.certificates import Shares

NEAR_SHARE = Fraction(1, 10**13)

Values = Mapping[frozenset[str], float]
"""By set of drivers moved."""


def split_faults(name: str, values: Values, drivers: Sequence[str], told: Shares) -> Iterator[str]:
    """What is wrong with a split; nothing when every number is what the values make of it."""
    every = frozenset(drivers)
    missing = 2 ** len(drivers) - len(values.keys() & set(_subsets(drivers)))
    if missing:
        yield f"{name}: {missing} of the cases between have no value"
        return
    if told.parts.keys() != every or told.put_back.keys() != every:
        yield f"{name}: the parts are not those of the drivers"
        return
    near = NEAR_SHARE * max(1, *(abs(Fraction(value)) for value in values.values()))
    for side, moved in (("before", frozenset()), ("after", every)):
        if Fraction(getattr(told, side)) != Fraction(values[moved]):
            yield f"{name}: the value {side} is not that of its case"
    parts = mean_over_orders(values, drivers)
    for driver in drivers:
        if abs(Fraction(told.parts[driver]) - parts[driver]) > near:
            yield f"{name}: the part of {driver} is not the mean over all orders"
        if Fraction(told.put_back[driver]) != Fraction(values[every - {driver}]):
            yield f"{name}: the value with {driver} as before is not that of its case"
    total = sum(map(Fraction, told.parts.values()), Fraction(0))
    if abs(total - (Fraction(told.after) - Fraction(told.before))) > near * len(drivers):
        yield f"{name}: the parts do not add up to the move"


def mean_over_orders(values: Values, drivers: Sequence[str]) -> dict[str, Fraction]:
    """By driver, exactly: the mean over all orders of the change that its move makes."""
    part = math.lcm(*(float(value).as_integer_ratio()[1] for value in values.values()))
    whole = {moved: int(Fraction(value) * part) for moved, value in values.items()}
    sums = dict.fromkeys(drivers, 0)
    for order in permutations(drivers):
        moved: frozenset[str] = frozenset()
        for driver in order:
            ahead = moved | {driver}
            sums[driver] += whole[ahead] - whole[moved]
            moved = ahead
    orders = math.factorial(len(drivers))
    return {driver: Fraction(total, part * orders) for driver, total in sums.items()}


def _subsets(drivers: Sequence[str]) -> Iterator[frozenset[str]]:
    for code in range(2 ** len(drivers)):
        yield frozenset(driver for place, driver in enumerate(drivers) if code >> place & 1)
