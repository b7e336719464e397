"""The linear program that a solver was given, as one that `blend.check.certify` certifies.

For answers whose program is not stated a second time from the tables, such as a plan of several
days: what is certified is then that nothing is cheaper in the model as stated. That the plan keeps
the tables' own limits is checked apart from it.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from math import isfinite

import numpy as np

from blend.check.certify import Key, Limit, LinearProgram, Measure, dual, rounded_down


def dual_bound_of_arrays_usd(
    cost: np.ndarray,
    upper: np.ndarray,
    rows: tuple[np.ndarray, np.ndarray, np.ndarray],
    row_limits: tuple[np.ndarray, np.ndarray],
    row_prices: np.ndarray,
) -> float:
    """A cost in USD that no x of the program goes below, whatever the prices of its rows.

    The program is the least cost · x with rows · x between `row_limits` and 0 <= x <= `upper`.
    `rows` are entries by row, column and value. A price is what one unit more of the row's limit
    costs: above zero of its lower limit, below zero of its upper. Counted in exact fractions.
    """
    limits, prices = [], {}
    for row, (lower, most) in enumerate(zip(*(each.tolist() for each in row_limits), strict=True)):
        price = Fraction(float(row_prices[row]))
        for sign, limit in ((1, lower), (-1, most)):
            if isfinite(limit):
                key: Key = (row, sign)
                limits.append(Limit(key, {row: Fraction(sign)}, sign * Fraction(limit)))
                prices[key] = sign * price
    cost_unit, whole_cost = _whole(cost)
    program = LinearProgram(
        cost=whole_cost,
        cost_unit=cost_unit,
        group_of=np.arange(len(cost)),
        groups=range(len(cost)),
        group_limits=[Fraction(most) if isfinite(most) else None for most in upper.tolist()],
        measures=dict(_measures(*rows)),
        values={},
        limits=[limit for limit in limits if prices[limit.key] > 0],
        column_of=lambda key: key,
    )
    return rounded_down(dual(program, prices).bound)


def _measures(
    row: np.ndarray, column: np.ndarray, value: np.ndarray
) -> Iterator[tuple[Key, Measure]]:
    order = np.lexsort((column, row))
    row, column, value = row[order], column[order], value[order]
    unit, whole = _whole(value)
    there, starts = np.unique(row, return_index=True)
    ends = [*starts[1:].tolist(), len(row)]
    for one, start, end in zip(there.tolist(), starts.tolist(), ends, strict=True):
        yield one, Measure(column[start:end], whole[start:end], unit)


def _whole(numbers: np.ndarray) -> tuple[int, np.ndarray]:
    """Floats in whole numbers of 1 / the first number, exact: denominators are powers of 2."""
    ratios = [number.as_integer_ratio() for number in numbers.tolist()]
    unit = max((denominator for _, denominator in ratios), default=1)
    whole = np.empty(len(ratios), object)
    whole[:] = [number * (unit // denominator) for number, denominator in ratios]
    return unit, whole
