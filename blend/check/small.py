"""A small linear program in fractions: prices of its rows that bound it, or rule it out.

    least of cost · x   with   row · x >= least for every row,   x >= 0,   cost >= 0

The dual simplex, begun at x = 0, looks for the prices. Whatever it does, what it says is held
against the rows before it is believed (weak duality): prices y >= 0 with y · A <= cost prove that
nothing costs less than y · b, and prices with y · A <= 0 and y · b > 0 that nothing keeps all rows
(J. Farkas, 1902; both as in Bertsimas and Tsitsiklis, Introduction to Linear Optimization, 1997,
chapter 4, from memory). For a handful of rows and some dozens of columns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

_MAX_PIVOTS = 2_000
_ZERO = Fraction(0)


@dataclass(frozen=True, slots=True)
class SmallRow:
    """`values` · x >= `least`."""

    values: tuple[Fraction, ...]
    minimum: Fraction


@dataclass(frozen=True, slots=True)
class SmallAnswer:
    """What is proved: nothing costs less than `bound`, or nothing keeps all rows."""

    bound: Fraction
    is_ruled_out: bool
    x: tuple[Fraction, ...]
    """The optimum; empty where nothing keeps all rows, or where no optimum was reached."""


def solve_small(cost: Sequence[Fraction], rows: Sequence[SmallRow]) -> SmallAnswer:
    """Bound the least cost; zero is the bound where no better one is proved."""
    tableau, basis = _tableau(cost, rows)
    for _ in range(_MAX_PIVOTS):
        leaving = min(range(len(rows)), key=lambda row: (tableau[row][-1], row), default=None)
        if leaving is None or tableau[leaving][-1] >= 0:
            return _bounded(cost, rows, tableau, basis)
        entering = _entering(tableau, leaving)
        if entering is None:
            return _ruled_out(cost, rows, tableau[leaving])
        _pivot(tableau, leaving, entering)
        basis[leaving] = entering
    return SmallAnswer(_ZERO, False, ())


def _tableau(
    cost: Sequence[Fraction], rows: Sequence[SmallRow]
) -> tuple[list[list[Fraction]], list[int]]:
    """Each row as slack - values · x = -least; below them the costs."""
    count = len(rows)
    tableau = [
        [*(-value for value in row.values), *_unit(count, at), -row.minimum]
        for at, row in enumerate(rows)
    ]
    tableau.append([*cost, *([_ZERO] * count), _ZERO])
    return tableau, [len(cost) + at for at in range(count)]


def _unit(count: int, at: int) -> list[Fraction]:
    return [Fraction(int(place == at)) for place in range(count)]


def _entering(tableau: list[list[Fraction]], leaving: int) -> int | None:
    """The column that keeps all reduced costs at or above zero; the first of equals."""
    row, reduced = tableau[leaving], tableau[-1]
    ratios = (
        (reduced[column] / -value, column) for column, value in enumerate(row[:-1]) if value < 0
    )
    return min(ratios, default=(None, None))[1]


def _pivot(tableau: list[list[Fraction]], leaving: int, entering: int) -> None:
    pivot = tableau[leaving][entering]
    row = [value / pivot if value else value for value in tableau[leaving]]
    tableau[leaving] = row
    for at, other in enumerate(tableau):
        if at != leaving and (factor := other[entering]):
            tableau[at] = [
                value - factor * own if own else value
                for value, own in zip(other, row, strict=True)
            ]


def _bounded(
    cost: Sequence[Fraction],
    rows: Sequence[SmallRow],
    tableau: list[list[Fraction]],
    basis: list[int],
) -> SmallAnswer:
    prices = tableau[-1][len(cost) : -1]
    x = [_ZERO] * len(cost)
    for at, column in enumerate(basis):
        if column < len(cost):
            x[column] = tableau[at][-1]
    return SmallAnswer(_proved_bound(cost, rows, prices), False, tuple(x))


def _ruled_out(
    cost: Sequence[Fraction], rows: Sequence[SmallRow], row: Sequence[Fraction]
) -> SmallAnswer:
    prices = row[len(cost) : -1]
    nothing = [_ZERO] * len(cost)
    return SmallAnswer(_ZERO, _proved_bound(nothing, rows, prices) > 0, ())


def _proved_bound(
    cost: Sequence[Fraction], rows: Sequence[SmallRow], prices: Sequence[Fraction]
) -> Fraction:
    """Σ price × least, where the prices allow it; else zero, which any cost above zero does."""
    if any(price < 0 for price in prices):
        return _ZERO
    for column, usd in enumerate(cost):
        earned = sum(
            (price * row.values[column] for price, row in zip(prices, rows, strict=True)), _ZERO
        )
        if earned > usd:
            return _ZERO
    return sum((price * row.minimum for price, row in zip(prices, rows, strict=True)), _ZERO)
