"""The line of lean and fat, its scale and its errors, recomputed in exact fractions.

Nothing of numpy or scipy: the line of least absolute distances lies through as many items as it
has numbers, so all choices are tried; Huber's line makes its clipped distances orthogonal to lean
and fat; covariances are those of Huber, Robust Statistics (1981), section 7.6 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from itertools import combinations
from pathlib import Path
from random import Random
from statistics import median

import pytest

from blend.domain.quotations import Quotation
from blend.tables.quotations import read_quotations
from blend.trader.lean_fat import (
    MIN_TICK_USD_PER_LB,
    Method,
    fit_bend,
    fit_line,
    solve_two_items,
    value_days,
)
from tests.trader.test_lean_fat import DAY, FIFTIES, NINETIES

K = Fraction("1.345")
MAD_TO_SD = Fraction("1.4826")
Row = tuple[Fraction, ...]


def _market(seed: int, count: int = 9, by_pounds: bool = False) -> list[Quotation]:
    """Items about lean 4 and fat -1 USD/lb, some of them wild, no two alike."""
    draw = Random(seed)
    leans = draw.sample(range(300, 970), count)
    return [
        Quotation(
            f"{lean}",
            "beef",
            lean / 1000,
            round(5 * lean / 1000 - 1 + draw.gauss(0, 0.06) + (draw.random() < 0.2) * 0.7, 4),
            DAY,
            pounds_lb=draw.choice((1_000.0, 8_000.0, 40_000.0)) if by_pounds else None,
        )
        for lean in leans
    ]


def _exact(number: float) -> Fraction:
    return Fraction(str(number))


def _row(quotation: Quotation) -> Row:
    lean = _exact(quotation.lean)
    return lean, 1 - lean


def _solved(rows: list[Row], values: list[Fraction]) -> Row | None:
    """A square system, by elimination; None where it has no single answer."""
    size = len(rows)
    whole = [[*row, value] for row, value in zip(rows, values, strict=True)]
    for at in range(size):
        pivot = next((line for line in whole[at:] if line[at] != 0), None)
        if pivot is None:
            return None
        whole.remove(pivot)
        whole.insert(at, [each / pivot[at] for each in pivot])
        for other in range(size):
            if other != at:
                factor = whole[other][at]
                whole[other] = [
                    a - factor * b for a, b in zip(whole[other], whole[at], strict=True)
                ]
    return tuple(line[-1] for line in whole)


def _dot(row: Row, values: Row) -> Fraction:
    return sum((a * b for a, b in zip(row, values, strict=True)), Fraction(0))


def _min_absolute(rows: list[Row], prices: list[Fraction], roots: list[float]):
    """The line of least absolute distances, and the distances from it."""
    weights = [Fraction(root) for root in roots]
    lines = (
        _solved([rows[at] for at in chosen], [prices[at] for at in chosen])
        for chosen in combinations(range(len(rows)), len(rows[0]))
    )
    found = [
        (
            line,
            [abs(p - _dot(row, line)) * w for row, p, w in zip(rows, prices, weights, strict=True)],
        )
        for line in lines
        if line is not None
    ]
    return min(found, key=lambda each: sum(each[1]))


def _scale(rows: list[Row], prices: list[Fraction], roots: list[float]) -> float:
    """Of the distances, those of the items it passes through left out."""
    _, distances = _min_absolute(rows, prices, roots)
    rest = sorted(distances)[len(rows[0]) :]
    return max(MIN_TICK_USD_PER_LB, float(MAD_TO_SD * median(rest)))


def _roots(quotations: list[Quotation], by_pounds: bool) -> list[float]:
    if not by_pounds:
        return [1.0] * len(quotations)
    mean = sum(each.pounds_lb for each in quotations) / len(quotations)
    return [math.sqrt(each.pounds_lb / mean) for each in quotations]


def _covariance(rows: list[Row], clipped: list[Fraction], inside: int, scale: Fraction):
    """Of the numbers fitted to weighted rows: s² K² (Σ ψ² / (n - p)) / m² · (XᵀX)⁻¹."""
    count, numbers = len(rows), len(rows[0])
    share = Fraction(inside, count)
    correction = 1 + Fraction(numbers, count) * (1 - share) / share
    spread = sum(each**2 for each in clipped) / (count - numbers)
    squares = [
        [sum((row[a] * row[b] for row in rows), Fraction(0)) for a in range(numbers)]
        for b in range(numbers)
    ]
    unit = [[Fraction(a == b) for a in range(numbers)] for b in range(numbers)]
    inverse = [_solved([tuple(line) for line in squares], column) for column in unit]
    factor = scale**2 * correction**2 * spread / share**2
    return [[factor * each for each in column] for column in inverse], inverse


def _predicted(rows, prices, weights, row, weight) -> tuple[float, float]:
    """Weighted least squares at one more row: the price, and the error of a quotation from it."""
    squares = [
        tuple(sum(w * r[i] * r[j] for r, w in zip(rows, weights, strict=True)) for j in range(2))
        for i in range(2)
    ]
    moments = [
        sum(w * r[i] * p for r, p, w in zip(rows, prices, weights, strict=True)) for i in range(2)
    ]
    line = _solved(squares, moments)
    left = sum(w * (p - _dot(r, line)) ** 2 for r, p, w in zip(rows, prices, weights, strict=True))
    spread = left / (len(rows) - 2) * (1 / weight + _dot(row, _solved(squares, list(row))))
    return float(_dot(row, line)), math.sqrt(spread)


@pytest.mark.parametrize("by_pounds", [False, True])
@pytest.mark.parametrize("seed", range(6))
def test_line_scale_and_errors(seed, by_pounds):
    quotations = _market(seed, by_pounds=by_pounds)
    line = fit_line(quotations, by_pounds=by_pounds)
    assert line.method is Method.ROBUST
    rows, prices = [_row(each) for each in quotations], [_exact(q.usd_per_lb) for q in quotations]
    roots = _roots(quotations, by_pounds)
    assert line.scale_usd_per_lb == pytest.approx(_scale(rows, prices, roots), rel=1e-6)
    scale = Fraction(line.scale_usd_per_lb)
    fitted = (Fraction(line.lean_usd_per_lb), Fraction(line.fat_usd_per_lb))
    weighted = [
        tuple(Fraction(root) * each for each in row) for row, root in zip(rows, roots, strict=True)
    ]
    distances = [
        (Fraction(root) * price - _dot(row, fitted)) / scale
        for row, price, root in zip(weighted, prices, roots, strict=True)
    ]
    clipped = [max(-K, min(K, each)) for each in distances]
    for number in range(2):
        told = sum(each * row[number] for each, row in zip(clipped, weighted, strict=True))
        assert abs(told) < 1e-6
    inside = sum(abs(each) <= K for each in distances)
    assert inside < len(distances) or seed  # some market has an item beyond
    covariance, _ = _covariance(weighted, clipped, inside, scale)
    for told, right in zip(line.covariance, covariance, strict=True):
        assert told == pytest.approx(list(map(float, right)), rel=1e-6, abs=1e-12)
    _compare_items(quotations, line, roots, by_pounds)


def _compare_items(quotations, line, roots, by_pounds):
    """A fitted item against the least-squares line through the others; any other against the
    fitted line."""
    frozen = replace(quotations[0], item="frozen", fresh_or_frozen="frozen", usd_per_lb=2.0)
    (day,) = value_days([*quotations, frozen], by_pounds=by_pounds)
    by_item = {each.quotation.item: each for each in day.items}
    assert len(by_item) == len(quotations) + 1
    weights = [Fraction(root) ** 2 for root in roots]
    for index, quotation in enumerate(quotations):
        others = [each for each in range(len(quotations)) if each != index]
        rows = [_row(quotations[each]) for each in others]
        prices = [_exact(quotations[each].usd_per_lb) for each in others]
        of_others = [weights[each] for each in others]
        predicted, error = _predicted(rows, prices, of_others, _row(quotation), weights[index])
        assert by_item[quotation.item].line_usd_per_lb == pytest.approx(predicted, rel=1e-6)
        assert by_item[quotation.item].error_usd_per_lb == pytest.approx(error, rel=1e-6)
    row = tuple(map(float, _row(frozen)))
    variance = sum(
        a * b * line.covariance[i][j] for i, a in enumerate(row) for j, b in enumerate(row)
    )
    held = math.hypot(line.scale_usd_per_lb, math.sqrt(variance))
    assert by_item["frozen"].error_usd_per_lb == pytest.approx(held, rel=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_bend_and_its_error(seed):
    """A parabola about the middle lean: three numbers, the last of them the bend."""
    quotations = _market(seed + 20)
    bend = fit_bend(quotations)
    leans = [_exact(each.lean) for each in quotations]
    middle, width = (min(leans) + max(leans)) / 2, max(leans) - min(leans)
    rows = [
        (*_row(each), (lean - middle) ** 2) for each, lean in zip(quotations, leans, strict=True)
    ]
    prices = [_exact(each.usd_per_lb) for each in quotations]
    scale = Fraction(_scale(rows, prices, [1.0] * len(rows)))
    values = _huber(rows, prices, scale)
    point = float(values[0] - values[1]) / 100
    turn = float(2 * values[2] * width) / 100
    assert bend.point_at_fattest_usd_per_lb == pytest.approx(point - turn / 2, rel=1e-5, abs=1e-7)
    assert bend.point_at_leanest_usd_per_lb == pytest.approx(point + turn / 2, rel=1e-5, abs=1e-7)
    distances = [(p - _dot(row, values)) / scale for row, p in zip(rows, prices, strict=True)]
    clipped = [max(-K, min(K, each)) for each in distances]
    inside = sum(abs(each) <= K for each in distances)
    covariance, _ = _covariance(rows, clipped, inside, scale)
    error = 2 * float(width) / 100 * math.sqrt(covariance[2][2])
    assert bend.error_usd_per_lb == pytest.approx(error, rel=1e-5)


def _huber(rows: list[Row], prices: list[Fraction], scale: Fraction) -> Row:
    """Exactly: items inside are fitted, those beyond pull with K scales, until none changes
    sides."""
    numbers = len(rows[0])
    values, _ = _min_absolute(rows, prices, [1.0] * len(rows))
    sides = _sides(rows, prices, values, scale)
    for _ in range(100):
        squares = [
            tuple(
                sum(
                    (r[a] * r[b] for r, side in zip(rows, sides, strict=True) if not side),
                    Fraction(0),
                )
                for a in range(numbers)
            )
            for b in range(numbers)
        ]
        pulled = [
            sum(
                (r[b] * (side * K * scale if side else p))
                for r, p, side in zip(rows, prices, sides, strict=True)
            )
            for b in range(numbers)
        ]
        values = _solved(squares, pulled)
        now = _sides(rows, prices, values, scale)
        if now == sides:
            return values
        sides = now
    raise AssertionError("sides go on changing")


def _sides(rows: list[Row], prices: list[Fraction], values: Row, scale: Fraction) -> list[int]:
    distances = [(p - _dot(row, values)) / scale for row, p in zip(rows, prices, strict=True)]
    return [(each > K) - (each < -K) for each in distances]


def test_too_few_for_a_robust_fit_are_fitted_by_min_squares():
    quotations = [NINETIES, FIFTIES, replace(FIFTIES, lean=0.72, usd_per_lb=2.6)]
    line = fit_line(quotations)
    assert line.method is Method.LEAST_SQUARES
    fitted = (Fraction(line.lean_usd_per_lb), Fraction(line.fat_usd_per_lb))
    for number in range(2):
        normal = sum(
            (_exact(each.usd_per_lb) - _dot(_row(each), fitted)) * _row(each)[number]
            for each in quotations
        )
        assert abs(normal) < 1e-12


@pytest.mark.parametrize("seed", range(3))
def test_two_items_solved_exactly(seed):
    one, other, *_ = _market(seed + 40)
    line = solve_two_items(one, other, (0.03, 0.02))
    prices = [_exact(each.usd_per_lb) for each in (one, other)]
    rows = [_row(one), _row(other)]
    solved = _solved(rows, prices)
    assert (line.lean_usd_per_lb, line.fat_usd_per_lb) == pytest.approx(tuple(map(float, solved)))
    # what a price off by one moves in each, squared and weighed
    moves = [_solved(rows, [Fraction(at == own) for at in range(2)]) for own in range(2)]
    squares = [Fraction("0.0009"), Fraction("0.0004")]
    for a in range(2):
        for b in range(2):
            right = sum(move[a] * move[b] * s for move, s in zip(moves, squares, strict=True))
            assert line.covariance[a][b] == pytest.approx(float(right))


def test_the_quotations_of_the_demo():
    """Every day and species of the invented plant: scale, and Huber's equation, in fractions."""
    read = read_quotations(Path(__file__).parents[2] / "demo_data").quotations
    robust = 0
    for day in value_days(read):
        own = [
            each
            for each in read
            if (each.species, each.quoted_on, each.fresh_or_frozen)
            == (day.species, day.quoted_on, "fresh")
        ]
        if day.fitted.method is not Method.ROBUST:
            continue
        robust += 1
        rows, prices = [_row(each) for each in own], [_exact(each.usd_per_lb) for each in own]
        scale = _scale(rows, prices, [1.0] * len(rows))
        assert day.fitted.scale_usd_per_lb == pytest.approx(scale, rel=1e-6)
        lean, fat = _huber(rows, prices, Fraction(scale))
        told = day.fitted.lean_usd_per_lb, day.fitted.fat_usd_per_lb
        assert told == pytest.approx((float(lean), float(fat)), abs=1e-6)
    assert robust >= 1
