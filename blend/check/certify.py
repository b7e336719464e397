"""One certificate for the answer of any linear program, in exact arithmetic.

    minimize    Σ cost_j x_j + Σ value_m z_m
    subject to  Σ_m B_im z_m >= b_i             limits
                z_m = Σ_j D_mj x_j              measures, such as finished lean and finished fat
                Σ_{j in g} x_j <= u_g           groups, such as a lot in all products; one a column
                x >= 0

Primal: the columns `x` keep every limit and group, within a stated tolerance, and cost so much.
Dual: for any prices y >= 0 of the limits no feasible x costs less than

    Σ_i y_i b_i + Σ_g u_g min(0, min_{j in g} d_j),
    d_j = cost_j + Σ_m D_mj (value_m - Σ_i y_i B_im)

(weak duality, the groups kept in the Lagrangian: Bertsimas and Tsitsiklis, Introduction to Linear
Optimization (1997), theorem 4.3 and section 11.4, from memory). So prices may come from anywhere;
good ones make the bound tight. Where primal cost and dual bound meet, both are optimal.

A group without a limit makes the bound minus infinity as soon as a reduced cost d_j is negative by
a rounding error. Prices of limits whose terms all have one sign are first moved, at the cost of
that error, until none is; what then remains negative counts for `PLENTY` of the group.

All coefficients are whole numbers of a small unit, so the arrays are exact.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from typing import Any

import numpy as np

PLENTY = 100_000_000
"""More than any plan takes of one lot, lb: 2,500 loads of 40,000 lb (the load of the USDA AMS
boneless beef reports, LM_XB450)."""
NEAR = Fraction(1, 100_000)
"""How far x may break a limit, in the unit of the limit (a hundred-thousandth of a pound). A solver
in floats leaves 1e-7 of a row open, in its own scaling; at any price of meat this is worth less
than a thousandth of a dollar."""
NEAR_SHARE = Fraction(1, 10**9)
"""The same, of the sizes that are added up in the limit."""
_FINEST = 10**30
"""A price that is moved is moved to a whole number of this part of a dollar."""
_ZERO = Fraction(0)

Key = Any
"""Hashable: columns, groups, measures and limits go by keys of the caller's choice."""


@dataclass(frozen=True, slots=True)
class Measure:
    """What columns add to one measure: `values` in whole numbers of `1 / unit`, by column."""

    columns: np.ndarray | slice
    values: np.ndarray
    unit: int

    @classmethod
    def of(cls, columns: Sequence[int], values: Sequence[Fraction]) -> Measure:
        unit, whole = whole_numbers(values)
        return cls(np.array(columns, int), whole, unit)


@dataclass(frozen=True, slots=True)
class Limit:
    """Σ `terms` × measure >= `required`, which is None where nothing can meet the limit."""

    key: Key
    terms: Mapping[Key, Fraction]
    required: Fraction | None = _ZERO


@dataclass(frozen=True)
class LinearProgram:
    """A linear program stated from the tables, in the form above."""

    cost: np.ndarray
    """By column, in whole numbers of `1 / cost_unit` USD."""
    cost_unit: int
    group_of: np.ndarray
    """By column."""
    groups: Sequence[Key]
    group_limits: Sequence[Fraction | None]
    """None for no limit."""
    measures: Mapping[Key, Measure]
    values: Mapping[Key, Fraction]
    """By measure, USD; those left out are worth nothing."""
    limits: Sequence[Limit]
    column_of: Callable[[Key], int | None]

    def with_limit(self, limit: Limit, measure: Measure) -> LinearProgram:
        """The program with one more limit, on one more measure of the same key."""
        return replace(
            self, measures={**self.measures, limit.key: measure}, limits=(*self.limits, limit)
        )

    @classmethod
    def of(
        cls, cost: Mapping[Key, Fraction], at_most: Mapping[Key, Fraction], limits: Sequence[Limit]
    ) -> LinearProgram:
        """A small program: each column is its own group and measure, both under its own key."""
        keys = list(cost)
        unit, usd = whole_numbers(list(cost.values()))
        place = {key: at for at, key in enumerate(keys)}
        return cls(
            cost=usd,
            cost_unit=unit,
            group_of=np.arange(len(keys)),
            groups=keys,
            group_limits=[at_most.get(key) for key in keys],
            measures={key: Measure.of([at], [Fraction(1)]) for key, at in place.items()},
            values={},
            limits=limits,
            column_of=place.get,
        )

    @cached_property
    def by_group(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Columns in the order of their groups, where each group begins, and which it is."""
        order = np.argsort(self.group_of, kind="stable")
        there, starts = np.unique(self.group_of[order], return_index=True)
        return order, starts, there


@dataclass(frozen=True, slots=True)
class Primal:
    """A solution: what it costs, and how far it breaks its worst limit beyond what is allowed."""

    cost: Fraction
    beyond: Fraction
    worst: str
    measures: Mapping[Key, Fraction]

    @property
    def is_feasible(self) -> bool:
        return self.beyond <= 0


@dataclass(frozen=True, slots=True)
class Dual:
    """A lower bound on the cost of every solution."""

    bound: Fraction
    rents: Mapping[Key, Fraction]
    """By group with a shadow price: by so much the bound falls for one unit more of the group."""


def certify(
    program: LinearProgram,
    x: Mapping[Key, Fraction],
    y: Mapping[Key, Fraction],
    near: Fraction = NEAR,
    near_share: Fraction = NEAR_SHARE,
) -> tuple[Primal, Dual]:
    """What a primal solution and dual prices show of a program: together, its optimum.

    `x` is by column and `y` by limit; what is left out is zero, a price below zero counts as zero.
    """
    return primal(program, x, near, near_share), dual(program, y)


# Primal -----------------------------------------------------------------------------------------


def primal(
    program: LinearProgram,
    x: Mapping[Key, Fraction],
    near: Fraction = NEAR,
    near_share: Fraction = NEAR_SHARE,
) -> Primal:
    """Check a solution against every limit of the program: `near` and `near_share` as `NEAR`."""
    misses = [(_ZERO, "")]
    places, amounts = [], []
    for key, amount in x.items():
        place = program.column_of(key)
        if place is None:
            misses.append((abs(amount), f"{_name(key)} is not allowed"))
        elif amount:
            places.append(place)
            amounts.append(amount)
            misses.append((-amount, f"{_name(key)} is negative"))
    unit, numbers = whole_numbers(amounts)
    column = np.zeros(len(program.cost), object)
    column[places] = numbers
    is_used = np.zeros(len(program.cost), bool)
    is_used[places] = True
    read = {key: _read(each, column, is_used, unit) for key, each in program.measures.items()}
    misses += _group_misses(program, column, places, unit, near_share)
    misses += _limit_misses(program, read, near_share)
    cost = Fraction(int((program.cost[places] * numbers).sum()), unit * program.cost_unit)
    cost += sum((usd * read[key] for key, usd in program.values.items()), _ZERO)
    beyond, worst = max(misses)
    return Primal(cost, beyond - near, worst, read)


def _read(measure: Measure, column: np.ndarray, is_used: np.ndarray, unit: int) -> Fraction:
    used = is_used[measure.columns]
    if not used.any():
        return _ZERO
    total = (column[measure.columns][used] * measure.values[used]).sum()
    return Fraction(int(total), unit * measure.unit)


def _group_misses(
    program: LinearProgram,
    column: np.ndarray,
    places: Sequence[int],
    unit: int,
    near_share: Fraction,
) -> Iterable[tuple[Fraction, str]]:
    taken = np.zeros(len(program.groups), object)
    for place in places:
        taken[program.group_of[place]] += column[place]
    for group in np.flatnonzero(taken).tolist():
        limit = program.group_limits[group]
        if limit is not None:
            total = Fraction(int(taken[group]), unit)
            yield (
                total - limit - near_share * abs(total),
                f"more of {_name(program.groups[group])} than there is",
            )


def _limit_misses(
    program: LinearProgram, read: Mapping[Key, Fraction], near_share: Fraction
) -> Iterable[tuple[Fraction, str]]:
    for limit in program.limits:
        if limit.required is None:
            text = f"{_name(limit.key)} asks for all of a lot without a stated quantity"
            yield Fraction(1), text
            continue
        parts = [factor * read[key] for key, factor in limit.terms.items() if read[key]]
        missing = limit.required - sum(parts, _ZERO)
        if missing > 0:
            size = sum(map(abs, parts), abs(limit.required))
            yield missing - near_share * size, f"{_name(limit.key)} is not met"


def _name(key: Key) -> str:
    parts = key if isinstance(key, tuple) else (key,)
    flat = (each for part in parts for each in (part if isinstance(part, tuple) else (part,)))
    return " ".join(str(each).replace("_", " ") for each in flat)


# Dual -------------------------------------------------------------------------------------------


def dual(program: LinearProgram, y: Mapping[Key, Fraction]) -> Dual:
    """The bound that prices of the limits give; they need not be optimal, nor even feasible."""
    required = {each.key: each.required for each in program.limits if each.required is not None}
    priced = {key: usd for key in required if (usd := y.get(key, _ZERO)) > 0}
    reduced, unit = _reduced(program, priced)
    if None in program.group_limits:
        repaired = _repaired(program, priced, reduced, unit)
        if repaired != priced:
            priced = repaired
            reduced, unit = _reduced(program, priced)
    order, starts, there = program.by_group
    bound = sum((usd * required[key] for key, usd in priced.items()), _ZERO)
    rents = {}
    least = np.minimum.reduceat(reduced[order], starts) if len(starts) else ()
    for group, number in zip(there.tolist(), least, strict=True):
        if number < 0:
            rent, limit = Fraction(-number, unit), program.group_limits[group]
            rents[program.groups[group]] = rent
            bound -= rent * (PLENTY if limit is None else limit)
    return Dual(bound, rents)


def _reduced(program: LinearProgram, y: Mapping[Key, Fraction]) -> tuple[np.ndarray, int]:
    """The reduced cost of every column, in whole numbers of 1 / the second number."""
    weights = dict(program.values)
    for limit in program.limits:
        if price := y.get(limit.key):
            for key, factor in limit.terms.items():
                weights[key] = weights.get(key, _ZERO) - price * factor
    weights = {key: weight for key, weight in weights.items() if weight}
    part = math.lcm(*(weight.denominator for weight in weights.values()))
    unit = math.lcm(
        program.cost_unit, part * math.lcm(*(m.unit for m in program.measures.values()))
    )
    reduced = program.cost * (unit // program.cost_unit)
    for key, weight in weights.items():
        measure = program.measures[key]
        scale = weight.numerator * (unit // measure.unit // weight.denominator)
        reduced[measure.columns] += measure.values * scale
    return reduced, unit


def _repaired(
    program: LinearProgram, y: Mapping[Key, Fraction], reduced: np.ndarray, unit: int
) -> dict[Key, Fraction]:
    """Prices moved until no column of a group without a limit has a negative reduced cost, where
    limits with terms of one sign can do that: those that ask for more become cheaper, down to
    nothing, then those that ask for less become more expensive."""
    y = dict(y)
    is_open = np.array([limit is None for limit in program.group_limits])[program.group_of]
    open_columns = [int(place) for place in np.flatnonzero(is_open) if reduced[place] < 0]
    lacking = {place: Fraction(-reduced[place], unit) for place in open_columns}
    for sign in (1, -1) if lacking else ():
        for limit in program.limits:
            own = y.get(limit.key, _ZERO)
            if limit.required is None or (sign > 0 and not own):
                continue
            if any(factor * sign <= 0 for factor in limit.terms.values()):
                continue
            adds = {place: abs(_coefficient(program, limit, place)) for place in lacking}
            needed = max(
                (lacking[place] / each for place, each in adds.items() if each), default=_ZERO
            )
            step = Fraction(math.ceil(max(_ZERO, needed) * _FINEST), _FINEST)
            step = min(step, own) if sign > 0 else step
            y[limit.key] = own - sign * step
            lacking = {place: lack - step * adds[place] for place, lack in lacking.items()}
    return y


def _coefficient(program: LinearProgram, limit: Limit, place: int) -> Fraction:
    total = _ZERO
    for key, factor in limit.terms.items():
        measure = program.measures[key]
        if isinstance(measure.columns, slice):
            at = place - measure.columns.start
            is_in = 0 <= at < len(measure.values)
        else:
            at = int(np.searchsorted(measure.columns, place))
            is_in = at < len(measure.columns) and measure.columns[at] == place
        if is_in:
            total += factor * Fraction(int(measure.values[at]), measure.unit)
    return total


def whole_numbers(fractions: Sequence[Fraction]) -> tuple[int, np.ndarray]:
    """One unit for all of the fractions, and each in whole numbers of it."""
    unit = math.lcm(*(each.denominator for each in fractions))
    whole = np.empty(len(fractions), object)
    whole[:] = [each.numerator * (unit // each.denominator) for each in fractions]
    return unit, whole


def rounded_down(number: Fraction) -> float:
    """The nearest float that is not above."""
    nearest = float(number)
    return nearest if Fraction(nearest) <= number else math.nextafter(nearest, -math.inf)
